"""What falls short, and what is left open: the lists that stand first in a dossier."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.dossier.assumptions import find_unknown, register
from rootwright.dossier.bench import bench_findings
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.plan.lockdown.result import Met
from rootwright.plan.result import Finding
from rootwright.prove.trials.model import Status


def find_open(evidence: Evidence) -> tuple[Finding, ...]:
    """Return all findings, then all notes: what falls short must be mended, a note is to be known and decided."""
    points = [
        *_description(evidence),
        *evidence.plan.findings,
        *_release(evidence),
        *_proof(evidence),
        *_broken(evidence),
        *_trials(evidence),
        *_lockdown(evidence),
        *_review(evidence),
        *_assumptions(evidence),
        *bench_findings(evidence.bench),
    ]
    return (*(p for p in points if not p.note), *(p for p in points if p.note))


def falls_short(points: tuple[Finding, ...]) -> bool:
    """Say whether anything is more than a note."""
    return any(not point.note for point in points)


def _description(evidence: Evidence) -> Iterator[Finding]:
    for gap in evidence.gaps:
        yield Finding("describe.need", gap.field, gap.message, gap.next_step)


def _release(evidence: Evidence) -> Iterator[Finding]:
    release = evidence.release
    if isinstance(release, NotDone):
        yield Finding("release.refused", release.where, f"no release: {release.found}", release.next_step)
        return
    for found in release.inspection.findings:
        yield Finding("release.inspection", release.release.envelope_name, found, "build the release again")
    if release.demo:
        yield Finding(
            "release.demo-key",
            release.key_name,
            "the release is signed by a demonstration key, which protects nothing",
            "sign what you deliver with a key of your own, and never put this one's public half into a device",
            True,
        )


def _proof(evidence: Evidence) -> Iterator[Finding]:
    name = evidence.plan.chosen
    own = evidence.own
    if own is None:
        yield Finding(
            "prove.no-map",
            name,
            f"the product's own procedure has no map, so nothing was model-checked: {evidence.plan.plan.row.reason}",
            "make room, or choose a procedure that fits",
        )
        return
    if not own.steady.holds:
        story = "see the story and the picture below; rootwright prove --export-state writes the flash at that moment"
        following = story if own.remedy is None else f"{own.remedy.sentence}; {story}"
        yield Finding("prove.fails", name, f"{own.steady.words}: {own.steady.what}", following)
        return
    if not own.steady.closed:
        yield Finding(
            "prove.bounded",
            name,
            own.steady.words,
            "more cuts than that were not looked at; say so where you rely on it",
            True,
        )
    answered = any(row.known.id == "steady-cells" and not row.is_open for row in register(evidence.product))
    for label, verdict in own.harder:
        if not verdict.holds:
            only_reading = verdict.level.restless and answered
            yield Finding(
                "prove.harder",
                name,
                f"at the harder level, {label}, it {verdict.words}: {verdict.what}",
                "the data sheet must say that half-programmed cells settle; answer the assumption steady-cells"
                if verdict.level.restless
                else "see the story and the picture below",
                only_reading,
            )


def _broken(evidence: Evidence) -> Iterator[Finding]:
    for variant in evidence.broken:
        if not variant.claim:
            yield Finding(
                "broken.missed",
                variant.name,
                f"a procedure with a mistake, {variant.title}, was not caught on this product's map",
                "do not rely on the verdicts under power cuts, and report this as a mistake of the tool",
            )


def _trials(evidence: Evidence) -> Iterator[Finding]:
    report = evidence.trials
    if isinstance(report, NotDone):
        yield Finding("trials.not-run", report.where, f"no hostile-update trial ran: {report.found}", report.next_step)
        return
    for trial in report.trials:
        if trial.status is Status.FAILED:
            yield Finding(
                "trials.failed",
                trial.id,
                f"{trial.title}: {trial.why}",
                "see the trial's row: what was expected, what came",
            )
    for threat in report.open_threats:
        yield Finding("trials.open", threat.id, threat.why, "decide whether the product can live with it", True)


def _lockdown(evidence: Evidence) -> Iterator[Finding]:
    plan = evidence.lockdown
    if isinstance(plan, NotDone):
        return
    for conflict in plan.conflicts:
        if not conflict.note:
            yield Finding(conflict.rule, ", ".join(conflict.blocks), conflict.found, conflict.next_step)
    for cut in plan.cut_offs:
        yield Finding("lockdown.order", cut.step, cut.text, "take another order of locking")
    open_aims = [aim.id for aim in plan.aims if aim.met is not Met.MET]
    if open_aims:
        yield Finding(
            "lockdown.aims",
            "",
            f"{len(open_aims)} of {len(plan.aims)} aims of the lock-down are not, or only partly, met",
            "decide for each whether the product can live with it; see the lock-down below",
            True,
        )


def _review(evidence: Evidence) -> Iterator[Finding]:
    if evidence.review is None:
        return
    yield from (finding for finding in evidence.review.findings if not finding.note)
    notes = {finding.rule for finding in evidence.review.findings if finding.note}
    if notes:
        yield Finding(
            "review.notes",
            "",
            f"{len(notes)} design rule{'' if len(notes) == 1 else 's'} leave{'s' if len(notes) == 1 else ''} something "
            "to be known and decided",
            "see what attacks take, below, and the rules there",
            True,
        )


def _assumptions(evidence: Evidence) -> Iterator[Finding]:
    for unknown in find_unknown(evidence.product):
        yield Finding(
            "assumption.unknown",
            unknown,
            f"the product answers an assumption {unknown!r} that the tool does not have, or answers it twice",
            "use the ids of the register below, each once",
        )
    rows = register(evidence.product)
    count = sum(row.is_open for row in rows)
    if count:
        yield Finding(
            "assumption.open",
            "",
            f"{count} of {len(rows)} assumptions have no owner or no data-sheet page",
            "answer each in an [[assumption]] table of the product file",
            True,
        )
