"""All trials of a product."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rootwright.cose.keys import Verifier
from rootwright.describe.product import Product
from rootwright.device.consumer import Anchor, Consumer, make_device
from rootwright.layout.map import Map
from rootwright.prove.trials import (
    between,
    controls,
    encodings,
    formats,
    identities,
    manifests,
    moves,
    numbers,
    payloads,
    signatures,
)
from rootwright.prove.trials.judge import describe, run_attempt
from rootwright.prove.trials.looks import LOOKS
from rootwright.prove.trials.model import (
    Attempt,
    Look,
    NotApplicable,
    Status,
    ThreatResult,
    Trial,
    TrialReport,
    TrialResult,
    Unaffected,
)
from rootwright.prove.trials.subject import Subject, make_subject
from rootwright.prove.trials.threats import THREATS
from rootwright.release.build import ImageFiles, Release
from rootwright.release.packing import ImageFormat

TRIALS: tuple[Trial, ...] = (
    *controls.TRIALS,
    *numbers.TRIALS,
    *identities.TRIALS,
    *payloads.TRIALS,
    *moves.TRIALS,
    *signatures.TRIALS,
    *manifests.TRIALS,
    *encodings.TRIALS,
    *between.TRIALS,
)


def run_trials(
    product: Product,
    memory_map: Map,
    images: ImageFiles,
    *,
    older: Mapping[str, bytes] | None = None,
    released: Release | None = None,
    anchors: Sequence[Verifier] = (),
    consumer: Consumer | None = None,
    like: str | None = None,
    form: ImageFormat | None = None,
) -> TrialReport:
    """Return what the reference device does with a product's release, genuine and altered; the same every time.

    Args:
        product: As described.
        memory_map: The map of its procedure.
        images: For each updatable image its file; for either-slot two, by slot.
        older: Content of each image's earlier version, for the device to have; by default made up.
        released: The release as it was signed for delivery; where given it must be accepted too.
        anchors: The keys that the product's devices trust, for `released`.
        consumer: The device's code; by default the reference.
        like: For a procedure of the user's own, which of ours its release is like; see `find_shape`.
        form: The image format of the product's own, under trial keys, with trials of its own.

    Raises:
        ReleaseRefused: No release can be built from this.
    """
    subject = make_subject(product, memory_map, images, older=older, like=like, form=form)
    device = consumer or Consumer()
    trials = TRIALS if form is None else (*TRIALS, *formats.TRIALS)
    results = [run_trial(subject, trial, device) for trial in trials]
    if released is not None:
        results.insert(1, _run_released(subject, released, anchors, device))
    results += [_look(subject, look, device) for look in LOOKS]
    return TrialReport(tuple(results), tuple(_judge_threats(results)))


def run_trial(subject: Subject, trial: Trial, consumer: Consumer) -> TrialResult:
    """Return what came of one trial; the first attempt that fails ends it."""
    shown: tuple[str, tuple[dict[str, object], ...]] = ("", ())
    status, why, count = Status.PASSED, "", 0
    try:
        attempts = trial.attempts(subject)
    except NotApplicable as error:
        status, why, attempts = Status.NOT_APPLICABLE, str(error), ()
    for attempt in attempts:
        count += 1
        fault, reports = run_attempt(subject, attempt, trial.expect, consumer)
        if fault or count == 1:
            shown = describe(reports[-1]), tuple(report.to_dict() for report in reports)
        if fault:
            status = Status.FAILED
            why = f"{attempt.label}: {fault}" if attempt.label else fault
            break
    return TrialResult(
        trial.id,
        trial.threats,
        trial.title,
        trial.alteration,
        trial.expect.describe(),
        status,
        shown[0],
        count,
        why,
        shown[1],
    )


def _look(subject: Subject, look: Look, consumer: Consumer) -> TrialResult:
    why = look.look(subject, consumer)
    status = Status.OPEN if why else Status.PASSED
    return TrialResult(
        look.id, look.threats, look.title, look.alteration, "nothing is left open", status, why=why, attempts=1
    )


def _run_released(subject: Subject, released: Release, anchors: Sequence[Verifier], consumer: Consumer) -> TrialResult:
    device = make_device(
        subject.product,
        subject.memory_map,
        [Anchor(verifier) for verifier in anchors],
        installed=subject.device.installed,
        images=subject.older,
        like=subject.like,
        form=subject.form,
    )
    trial = Trial(
        "released",
        (),
        "The release as it was signed for delivery",
        "nothing",
        Unaffected(),
        lambda _: [Attempt(released.envelope, {p.uri: p.content for p in released.payloads}.get, device)],
    )
    return run_trial(subject, trial, consumer)


def _judge_threats(results: Sequence[TrialResult]) -> list[ThreatResult]:
    judged = []
    for threat in THREATS:
        own = [result for result in results if threat.id in result.threats]
        tried = [result for result in own if result.status is not Status.NOT_APPLICABLE]
        worst = next((r for s in (Status.FAILED, Status.OPEN) for r in tried if r.status is s), None)
        if threat.elsewhere:
            status, why = Status.ELSEWHERE, threat.elsewhere
        elif worst is not None:
            status, why = worst.status, f"{worst.id}: {worst.why}"
        elif tried:
            status, why = Status.PASSED, ""
        else:
            status, why = Status.NOT_APPLICABLE, "; ".join(sorted({result.why for result in own}))
        judged.append(ThreatResult(threat.id, threat.title, threat.section, status, tuple(r.id for r in tried), why))
    return judged
