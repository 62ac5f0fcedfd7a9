"""The lock-down and the review in rows, for the page: aims, settings, order, readback, attempts, ways, what remains."""

from __future__ import annotations

from dataclasses import dataclass

from rootwright.describe.attack import Resist
from rootwright.describe.lock_field import LifeState
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.dossier.verdicts import Outcome
from rootwright.plan.lockdown.result import LockdownPlan, Met, Readback, SettingValue
from rootwright.review.compare import Comparison, PartRow
from rootwright.review.factors import NEEDED_TO_RESIST
from rootwright.review.paths import Path, Rating
from rootwright.review.result import AssetReview, ReviewResult

MET = {Met.MET: Outcome.HOLDS, Met.PARTLY: Outcome.LIMITS, Met.NOT: Outcome.FAILS}
"""How an aim is marked."""


@dataclass(frozen=True, slots=True)
class WayRow:
    """What it takes to reach one asset, in words.

    Attributes:
        first, in_scope, further: Ratings.
        steps: Titles of the cheapest way's steps in scope, in their order.
        residual: What remains, whatever the protections: a sentence or two.
    """

    asset: str
    first: str
    in_scope: str
    further: str
    steps: tuple[str, ...]
    residual: str


@dataclass(frozen=True, slots=True)
class ReadRow:
    """One field that is read back from a unit, in words.

    Attributes:
        where: Address and access width.
        copy: Whether it is the stored value or the one that was loaded from it.
        says: What a locked unit must say there.
        seen_by: Who can see it in production.
    """

    name: str
    where: str
    copy: str
    says: str
    seen_by: str


def read_rows(plan: LockdownPlan) -> tuple[ReadRow, ...]:
    """Return one row for each field that must be read back; none where nothing that is planned has an address."""
    if not any(field.mask for field in plan.readback):
        return ()
    return tuple(_read_row(field) for field in plan.readback)


def _read_row(field: Readback) -> ReadRow:
    digits = field.width // 4
    says = f"0x{field.value:0{digits}X}"
    if field.mask != (1 << field.width) - 1:
        says += f", mask 0x{field.mask:0{digits}X}"
    if not field.mask:
        says = "which unit it is" if field.is_unit else "nothing planned"
    seen = next((v.observers for v in field.visible if v.state is LifeState.PRODUCTION), ())
    return ReadRow(
        name=field.name,
        where=f"0x{field.address:08X}, {field.width} bits",
        copy="stored" if field.stored else "loaded",
        says=says,
        seen_by=", ".join(observer.value for observer in seen) or "nobody",
    )


def setting_words(setting: SettingValue) -> tuple[str, str]:
    """Return where a setting is written and what is written there."""
    digits = setting.width // 4
    where = "no address" if setting.address is None else f"0x{setting.address:08X}"
    if setting.number is not None:
        where = f"register 0x{setting.number:X}"
    value = f"0x{setting.value:0{digits}X}"
    whole = setting.mask == (1 << setting.width) - 1
    return where, value if whole else f"{value}, mask 0x{setting.mask:0{digits}X}"


def way_rows(review: ReviewResult) -> tuple[WayRow, ...]:
    """Return one row for each asset."""
    return tuple(_way_row(review, asset) for asset in review.assets)


def _way_row(review: ReviewResult, asset: AssetReview) -> WayRow:
    front = asset.front_in_scope or asset.front
    steps = tuple(review.step(step).title for step in front[0].steps) if front else ()
    return WayRow(
        asset=str(asset.asset),
        first=_words(asset.rating),
        in_scope=_words(asset.in_scope),
        further=_words(asset.further),
        steps=steps,
        residual=_residual(asset, front),
    )


def _residual(asset: AssetReview, front: tuple[Path, ...]) -> str:
    if not front:
        return "The catalogue has no way; that is no proof that there is none."
    said = []
    if asset.further is not None and asset.further.high == 0:
        said.append("Once done, it can be done to the whole fleet at no cost that counts.")
    elif asset.further is not None and asset.further.high < NEEDED_TO_RESIST[Resist.BASIC]:
        said.append("Once done, each further device takes a basic attack potential only.")
    if asset.losses:
        loss = asset.losses[0]
        lost = " and ".join(loss.protections)
        said.append(f"It hangs most on: {lost}; without that, {loss.after.words}.")
    if asset.guesses:
        steps = dict.fromkeys(guess.step for guess in asset.guesses)
        said.append(f"The band hangs on guesses about {len(steps)} step{'' if len(steps) == 1 else 's'}.")
    return " ".join(said) or "No single guess or protection changes its band."


def _words(rating: Rating | None) -> str:
    return "no way in the catalogue" if rating is None else rating.words


def aims_words(plan: LockdownPlan) -> str:
    """Return how many aims are met, in a sentence."""
    counts = {met: sum(aim.met is met for aim in plan.aims) for met in Met}
    return f"{counts[Met.MET]} of {len(plan.aims)} aims are met, {counts[Met.PARTLY]} partly, {counts[Met.NOT]} not."


def part_cells(row: PartRow) -> tuple[str, ...]:
    """Return one part's cells: fit, isolation, aims met, room for the largest image."""
    fits = "no" if not row.fits else "yes" if row.protected else "only without write protection"
    aims = "-" if row.aims is None else f"{row.aims_met} of {row.aims}"
    largest = max((room.largest for room in row.largest), default=0)
    room = f"{largest // 1024:,} KiB" if largest else "-"
    return fits, row.isolation if row.can_host else "cannot host a root of trust", aims, room


def part_points(row: PartRow) -> tuple[str, ...]:
    """Return each asset's points in scope on one part."""
    return tuple("-" if r is None else str(r.low) if r.low == r.high else f"{r.low} to {r.high}" for _, r in row.assets)


SYLLABLES = {
    "application": ("appli", "cation"),
    "authenticity": ("authen", "ticity"),
    "confidentiality": ("confi", "denti", "ality"),
    "availability": ("avail", "ability"),
}
"""Where long words of narrow columns may break."""


def part_assets(parts: Comparison) -> tuple[str, ...]:
    """Return the names of the assets that a comparison rates."""
    return next((tuple(str(asset) for asset, _ in row.assets) for row in parts.rows if row.assets), ())


def locking_context(evidence: Evidence) -> dict[str, object]:
    """Return what the page's template needs of lock-down, review and comparison."""
    lockdown = evidence.lockdown
    planned = None if isinstance(lockdown, NotDone) else lockdown
    return {
        "lockdown": planned,
        "lockdown_missing": lockdown if isinstance(lockdown, NotDone) else None,
        "lockdown_aims": "" if planned is None else aims_words(planned),
        "aim_outcomes": MET,
        "setting_words": setting_words,
        "readback": () if planned is None else read_rows(planned),
        "review": evidence.review,
        "ways": () if evidence.review is None else way_rows(evidence.review),
        "parts": evidence.parts,
        "part_assets": () if evidence.parts is None else part_assets(evidence.parts),
        "part_cells": part_cells,
        "part_points": part_points,
    }
