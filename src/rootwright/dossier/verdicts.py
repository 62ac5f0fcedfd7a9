"""The verdicts of a dossier, one row each, every row with the artefact that was tested."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from rootwright.dossier.bench import Tried
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.plan.lockdown.result import Met
from rootwright.plan.result import Finding
from rootwright.plan.root_of_trust import Standing
from rootwright.prove.proof import Proof, Verdict
from rootwright.prove.trials.model import Status


class Artefact(StrEnum):
    """What was tested."""

    DESCRIPTION = "product description"
    FILES = "description and firmware files"
    RELEASE = "signed release"
    MODEL = "procedure model"
    CONSUMER = "our own consumer"
    ELF = "product's ELF"


class Outcome(StrEnum):
    """What a row says; a thing that was not tested never holds."""

    HOLDS = "holds"
    LIMITS = "holds within limits"
    FAILS = "FAILS"
    NOT_TESTED = "not tested"


@dataclass(frozen=True, slots=True)
class Row:
    """One verdict.

    Attributes:
        subject: What the verdict is about.
        words: What was found, in a sentence.
        level: How hard it was looked at.
        not_claimed: What the subject does not claim and nobody judged.
    """

    subject: str
    artefact: Artefact
    outcome: Outcome
    words: str
    level: str = ""
    not_claimed: tuple[str, ...] = ()


def make_rows(evidence: Evidence) -> tuple[Row, ...]:
    """Return all verdict rows, in the order of the work."""
    return (
        *_description(evidence),
        _release(evidence),
        *_proof(evidence),
        _broken(evidence),
        _trials(evidence),
        *_lockdown(evidence),
        *_review(evidence),
        *_bench(evidence),
    )


def overall(points: tuple[Finding, ...]) -> tuple[bool, str, str]:
    """Return whether anything fell short, the verdict in a few words, and what it means."""
    short = sum(not point.note for point in points)
    notes = len(points) - short
    missing = next((point.found for point in points if point.rule == "boot-stage.not-tested"), "")
    code = "The boot stage's own code was run on the bench."
    if missing:
        part = ", or not under all of it" if missing.count("not under") < len(Tried) else ""
        code = f"The boot stage's own code was not tested{part}."
    left = f"{notes} point{' is' if notes == 1 else 's are'} left open" if notes else "nothing is left open"
    if short:
        many = f"{short} finding{'' if short == 1 else 's'}"
        return True, f"FALLS SHORT: {many}", f"Mend what the findings name, then run again. Besides, {left}."
    return (
        False,
        "Nothing fell short in what was tested",
        f"{left[0].upper()}{left[1:]}. This is a verdict on the description, the release, the procedure's model and "
        f"our own consumer. {code}",
    )


def _description(evidence: Evidence) -> Iterator[Row]:
    part = evidence.part
    outcome = {
        Standing.CAN_HOST: Outcome.HOLDS,
        Standing.WITHIN_LIMITS: Outcome.LIMITS,
        Standing.CANNOT_HOST: Outcome.FAILS,
    }[part.standing]
    words = f"The part {part.standing.value}; it rests on: {part.foundation.value}."
    yield Row("Root of trust on this part", Artefact.DESCRIPTION, outcome, words, "", part.limits)
    gaps = len(evidence.gaps)
    yield Row(
        "What the product needs of its part",
        Artefact.DESCRIPTION,
        Outcome.FAILS if gaps else Outcome.HOLDS,
        f"{gaps} finding{'' if gaps == 1 else 's'}." if gaps else "The part gives it, and the locks asked for are set.",
    )
    row = evidence.plan.plan.row
    broken = sum(not finding.note for finding in evidence.plan.findings)
    if not row.fits:
        outcome, words = Outcome.FAILS, f"No map: {row.reason}"
    elif broken:
        outcome, words = Outcome.FAILS, f"A map exists; {broken} limit{'' if broken == 1 else 's'} broken."
    else:
        outcome, words = Outcome.HOLDS, "Everything is placed, and no limit is broken."
    yield Row("Memory map and limits", Artefact.FILES, outcome, words, "worst case of the part file's figures")


def _release(evidence: Evidence) -> Row:
    release = evidence.release
    if isinstance(release, NotDone):
        return Row("Release", Artefact.RELEASE, Outcome.FAILS, f"No release: {release.found}")
    bad = release.inspection.findings
    words = f"{'; '.join(bad)}." if bad else "Signature and all digests hold, and everything inside is covered."
    level = f"signed with {release.algorithm}, checked against its own public key"
    return Row("Release", Artefact.RELEASE, Outcome.FAILS if bad else Outcome.HOLDS, words, level)


def _proof(evidence: Evidence) -> Iterator[Row]:
    name = evidence.plan.chosen
    proof = evidence.own
    if proof is None:
        words = "Not looked at, since the procedure has no map."
        yield Row(f"{name} under power cuts", Artefact.MODEL, Outcome.NOT_TESTED, words)
        return
    yield _proof_row(f"{name} under power cuts", proof, proof.steady)
    for label, verdict in proof.harder:
        yield _proof_row(f"{name}, harder: {label}", proof, verdict)
    for moved in evidence.proofs:
        if moved.migrates:
            yield _proof_row(f"{moved.procedure}: data under power cuts", moved, moved.steady)


def _proof_row(subject: str, proof: Proof, verdict: Verdict) -> Row:
    outcome = Outcome.HOLDS if verdict.holds else Outcome.FAILS
    words = f"Model-checked: {verdict.words}"
    words += f", {verdict.states:,} states." if verdict.holds else f": {verdict.what}."
    return Row(subject, Artefact.MODEL, outcome, words, verdict.level.describe(), proof.not_claimed)


def _broken(evidence: Evidence) -> Row:
    subject = "Broken variants, to test the checker"
    count = len(evidence.broken)
    if not count:
        return Row(subject, Artefact.MODEL, Outcome.NOT_TESTED, "No procedure fits that has a broken variant.")
    caught = sum(bool(variant.claim) for variant in evidence.broken)
    outcome = Outcome.HOLDS if caught == count else Outcome.FAILS
    level = "the product's map, its slots cut to their first sectors, 2 cells a piece, at most 2 cuts"
    return Row(subject, Artefact.MODEL, outcome, f"{caught} of {count} were caught.", level)


def _trials(evidence: Evidence) -> Row:
    report = evidence.trials
    subject = "Hostile updates, after RFC 9124"
    if isinstance(report, NotDone):
        return Row(subject, Artefact.CONSUMER, Outcome.NOT_TESTED, f"No trial ran: {report.found}")
    counts = {status: sum(trial.status is status for trial in report.trials) for status in Status}
    words = f"{counts[Status.PASSED]} trials passed, {counts[Status.FAILED]} failed"
    if counts[Status.OPEN]:
        words += f", {counts[Status.OPEN]} left open by the product's choices"
    if counts[Status.NOT_APPLICABLE]:
        words += f", {counts[Status.NOT_APPLICABLE]} do not apply"
    outcome = Outcome.HOLDS if report.passed else Outcome.FAILS
    if report.passed and counts[Status.OPEN]:
        outcome = Outcome.LIMITS
    open_threats = tuple(f"{threat.id} is left open" for threat in report.open_threats)
    return Row(subject, Artefact.CONSUMER, outcome, words + ".", "release made again under trial keys", open_threats)


def _lockdown(evidence: Evidence) -> Iterator[Row]:
    plan = evidence.lockdown
    if isinstance(plan, NotDone):
        return
    met = sum(aim.met is Met.MET for aim in plan.aims)
    outcome = Outcome.HOLDS if met == len(plan.aims) else Outcome.LIMITS
    if plan.breaks_a_limit:
        outcome = Outcome.FAILS
    left = tuple(f"{aim.id}: {aim.met}" for aim in plan.aims if aim.met is not Met.MET)
    words = f"Planned; {met} of {len(plan.aims)} aims are met. Configured is not effective until it was tried."
    yield Row("Lock-down", Artefact.DESCRIPTION, outcome, words, "", left)


def _review(evidence: Evidence) -> Iterator[Row]:
    review = evidence.review
    if review is None:
        return
    broken = [finding for finding in review.findings if not finding.note and finding.rule != "review.resist"]
    words = f"{len(broken)} finding{'' if len(broken) == 1 else 's'}." if broken else "No rule is broken."
    outcome = Outcome.FAILS if broken else Outcome.HOLDS
    yield Row("Design rules", Artefact.DESCRIPTION, outcome, words)
    if review.resist is not None:
        short = [asset.asset for asset in review.assets if asset.shortfall]
        words = f"Rated below it: {', '.join(short)}." if short else "No asset is rated below it."
        level = "guesses of raters, by the lower one; not proof"
        subject = f"Resists attackers of {review.resist} potential"
        yield Row(subject, Artefact.DESCRIPTION, Outcome.FAILS if short else Outcome.LIMITS, words, level)


def _bench(evidence: Evidence) -> Iterator[Row]:
    for tried in Tried:
        subject = f"Boot stage under {tried.value}"
        runs = [run for run in evidence.bench if run.tried is tried]
        if not runs:
            yield Row(subject, Artefact.ELF, Outcome.NOT_TESTED, "Not tested: the boot stage's own code.")
        for run in runs:
            outcome = Outcome.LIMITS if run.holds else Outcome.FAILS
            yield Row(subject, Artefact.ELF, outcome, f"{run.boot}: {run.words}", run.level)
