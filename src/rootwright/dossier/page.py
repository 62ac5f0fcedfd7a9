"""The dossier as one self-contained page of HTML: no script, nothing loaded, readable on screen and on paper."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from typing import Any

from rootwright.dossier.assumptions import register
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.dossier.findings import find_open
from rootwright.dossier.limits import CAUTIONS, NOT_COVERED
from rootwright.dossier.locking import SYLLABLES, locking_context
from rootwright.dossier.tables import comparison, misfits, procedure_columns, region_rows
from rootwright.dossier.verdicts import Outcome, make_rows, overall
from rootwright.plan.picture import draw_map
from rootwright.prove.proof import Verdict
from rootwright.prove.story import Happening
from rootwright.prove.timeline import draw_timeline, shorten
from rootwright.prove.trials.model import Status
from rootwright.suit.identifiers import uuid_text
from rootwright.suit.listing import listing, plain

SIGNS = {Outcome.HOLDS: "✓", Outcome.LIMITS: "△", Outcome.FAILS: "✗", Outcome.NOT_TESTED: "○"}
"""A sign beside each word, for readers who do not see colour."""

CLASSES = {Outcome.HOLDS: "holds", Outcome.LIMITS: "limits", Outcome.FAILS: "fails", Outcome.NOT_TESTED: "untested"}

STATUSES = {
    Status.PASSED: Outcome.HOLDS,
    Status.FAILED: Outcome.FAILS,
    Status.OPEN: Outcome.LIMITS,
    Status.NOT_APPLICABLE: Outcome.NOT_TESTED,
    Status.ELSEWHERE: Outcome.NOT_TESTED,
}


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure to tell on the page.

    Attributes:
        events: Happenings, each with the number of like steps it stands for.
        picture: SVG.
        is_flat: Whether a page on its side shows the picture larger than an upright one.
        has_image: Whether the flash of this moment can be written as HEX.
    """

    procedure: str
    level: str
    verdict: Verdict
    events: tuple[tuple[Happening, int], ...]
    picture: str
    is_flat: bool
    has_image: bool


def make_page(evidence: Evidence) -> str:
    """Return the page; the same evidence gives the same text.

    Everything that comes from files is escaped, and characters that could steer a reader's eye are shown as escapes.
    """
    from jinja2 import BaseLoader, Environment, StrictUndefined
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    environment = Environment(
        loader=BaseLoader(),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["thousands"] = lambda number: f"{number:,}"
    # Long identifiers of the standard may break behind a dot.
    environment.filters["dotted"] = lambda text: Markup(".<wbr>").join(text.split("."))
    environment.filters["soft"] = lambda text: Markup(" ").join(
        Markup("&shy;").join(SYLLABLES.get(word, (word,))) for word in text.split()
    )
    files = resources.files("rootwright.dossier")
    template = environment.from_string((files / "page.html.jinja").read_text(encoding="utf-8"))
    style = (files / "page.css").read_text(encoding="utf-8")
    # Pictures escape every text in them; the style sheet is our own file.
    return template.render(style=Markup(style), markup=Markup, **_context(evidence))  # noqa: S704


def _context(evidence: Evidence) -> dict[str, Any]:
    product, plan = evidence.product, evidence.plan.plan
    points = find_open(evidence)
    is_short, verdict, meaning = overall(points)
    title = f"{product.name} {product.model}"
    release = evidence.release
    trials = evidence.trials
    return {
        "product": product,
        "chip": product.chip,
        "evidence": evidence,
        "is_short": is_short,
        "verdict": verdict,
        "meaning": meaning,
        "findings": [point for point in points if not point.note],
        "notes": [point for point in points if point.note],
        "rows": make_rows(evidence),
        "signs": SIGNS,
        "classes": CLASSES,
        "fails": Outcome.FAILS,
        "holds": Outcome.HOLDS,
        "untested": Outcome.NOT_TESTED,
        "status_outcomes": STATUSES,
        "status_classes": {status: CLASSES[outcome] for status, outcome in STATUSES.items()},
        "map_picture": "" if plan.map is None else _clean(draw_map(plan.map, plan.demand, product.chip, title=title)),
        "plan": plan,
        "regions": region_rows(evidence),
        "columns": procedure_columns(evidence),
        "comparison": comparison(evidence),
        "misfits": misfits(evidence),
        "failures": _failures(evidence),
        "other_failures": _other_failures(evidence),
        "release": None if isinstance(release, NotDone) else release,
        "release_missing": release if isinstance(release, NotDone) else None,
        "release_listing": [] if isinstance(release, NotDone) else list(listing(release.inspection)),
        "identifiers": ()
        if isinstance(release, NotDone)
        else (uuid_text(release.release.vendor), uuid_text(release.release.class_id)),
        "trials": None if isinstance(trials, NotDone) else trials,
        "trials_missing": trials if isinstance(trials, NotDone) else None,
        "register": register(product),
        "cautions": (*CAUTIONS, *(("On this part", text) for text in evidence.part.cautions)),
        "not_covered": NOT_COVERED,
        **locking_context(evidence),
    }


def _clean(picture: str) -> str:
    return "\n".join(plain(line) for line in picture.split("\n"))


def _failures(evidence: Evidence) -> tuple[Failure, ...]:
    """Return the failures of the product's own procedure: at the steady level, else at each harder one."""
    own = evidence.own
    if own is None:
        return ()
    if not own.steady.holds:
        named = [("steady level", own.steady)]
    else:
        named = [(f"harder level, {label}", verdict) for label, verdict in own.harder if not verdict.holds]
    found = []
    for number, (label, verdict) in enumerate(named, 1):
        picture = _clean(draw_timeline(own.procedure, verdict, key=f"failure-{number}"))
        events = shorten(verdict.story, most=len(verdict.story))
        has_image = verdict.exported is not None
        found.append(Failure(own.procedure, label, verdict, events, picture, _is_flat(picture), has_image))
    return tuple(found)


def _is_flat(picture: str) -> bool:
    _, _, width, height = picture.partition('viewBox="')[2].partition('"')[0].split()
    return float(height) < 0.8 * float(width)


def _other_failures(evidence: Evidence) -> tuple[tuple[str, Verdict], ...]:
    return tuple(
        (proof.procedure, proof.steady)
        for proof in evidence.proofs
        if proof.procedure != evidence.plan.chosen and not proof.steady.holds
    )
