"""What falls short is found and what is left open is not forgotten; a thing that was not tested never holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rootwright.describe.product import Assumption
from rootwright.dossier.evidence import Evidence
from rootwright.dossier.findings import falls_short, find_open
from rootwright.dossier.verdicts import Artefact, Outcome, make_rows, overall
from rootwright.prove.trials.model import Status, ThreatResult, TrialReport, TrialResult


def rules(evidence: Evidence, *, notes: bool) -> list[str]:
    return [point.rule for point in find_open(evidence) if point.note is notes]


def outcome(evidence: Evidence, subject: str) -> Outcome:
    return next(row.outcome for row in make_rows(evidence) if row.subject.startswith(subject))


def report(status: Status) -> TrialReport:
    trial = TrialResult("t", ("THREAT.IMG.EXPIRED",), "A trial", "something", "refused", status, "found", 1, "why")
    return TrialReport((trial,), (ThreatResult("THREAT.IMG.EXPIRED", "Old", "4.2.1", status, ("t",), "why"),))


def test_what_could_not_be_done_is_a_finding(small: Evidence) -> None:
    assert rules(small, notes=False) == ["release.refused", "trials.not-run"]
    assert rules(small, notes=True)[-2:] == ["assumption.open", "boot-stage.not-tested"]
    assert outcome(small, "Release") is Outcome.FAILS
    assert outcome(small, "Hostile") is Outcome.NOT_TESTED


def test_the_product_s_own_code_is_never_said_to_hold(small: Evidence) -> None:
    own_code = [row for row in make_rows(small) if row.artefact is Artefact.ELF]
    assert len(own_code) == 3
    assert {row.outcome for row in own_code} == {Outcome.NOT_TESTED}
    assert {row.words for row in own_code} == {"Not tested: the boot stage's own code."}


def test_without_a_proof_nothing_holds_under_power_cuts(small: Evidence) -> None:
    unseen = replace(small, proofs=())
    assert "prove.no-map" in rules(unseen, notes=False)
    assert outcome(unseen, small.plan.chosen) is Outcome.NOT_TESTED


def test_a_failure_is_a_finding_with_its_cuts(failing: Evidence) -> None:
    found = next(point for point in find_open(failing) if point.rule == "prove.fails")
    assert "fails with 1 power cut" in found.found
    assert outcome(failing, failing.plan.chosen) is Outcome.FAILS


@pytest.mark.parametrize(
    ("answers", "is_note"),
    [
        ((), False),
        ((Assumption("steady-cells", "hardware", ""),), False),
        ((Assumption("steady-cells", "hardware", "page 81"),), True),
    ],
)
def test_a_failure_with_restless_cells_waits_for_the_data_sheet(
    small: Evidence, failing: Evidence, answers: Any, is_note: bool
) -> None:
    bad = failing.proofs[0].steady
    restless = replace(bad, level=replace(bad.level, restless=True))
    proof = replace(small.proofs[0], harder=(("restless cells", restless),))
    evidence = replace(small, proofs=(proof,), product=replace(small.product, assumptions=answers))
    assert ("prove.harder" in rules(evidence, notes=True)) is is_note
    assert ("prove.harder" in rules(evidence, notes=False)) is not is_note
    # Whatever is assumed, the row itself says that it fails.
    assert outcome(evidence, f"{small.plan.chosen}, harder") is Outcome.FAILS


def test_a_failure_with_finer_cells_is_not_excused(small: Evidence, failing: Evidence) -> None:
    proof = replace(small.proofs[0], harder=(("3 cells", failing.proofs[0].steady),))
    answers = (Assumption("steady-cells", "hardware", "page 81"),)
    evidence = replace(small, proofs=(proof,), product=replace(small.product, assumptions=answers))
    assert "prove.harder" in rules(evidence, notes=False)


def test_a_bounded_verdict_is_left_open(small: Evidence) -> None:
    bounded = replace(small.proofs[0].steady, closed=False)
    evidence = replace(small, proofs=(replace(small.proofs[0], steady=bounded),))
    assert "prove.bounded" in rules(evidence, notes=True)


@pytest.mark.parametrize(
    ("status", "rule", "note", "row"),
    [
        (Status.PASSED, "", False, Outcome.HOLDS),
        (Status.FAILED, "trials.failed", False, Outcome.FAILS),
        (Status.OPEN, "trials.open", True, Outcome.LIMITS),
    ],
)
def test_trials_are_judged(small: Evidence, status: Status, rule: str, note: bool, row: Outcome) -> None:
    evidence = replace(small, trials=report(status))
    assert outcome(evidence, "Hostile") is row
    for which in (True, False):
        told = [name for name in rules(evidence, notes=which) if name.startswith("trials.")]
        assert told == ([rule] if rule and which is note else [])


def test_an_unknown_assumption_is_a_finding(small: Evidence) -> None:
    product = replace(small.product, assumptions=(Assumption("no-such", "a", "b"),))
    assert "assumption.unknown" in rules(replace(small, product=product), notes=False)


def test_the_overall_verdict_follows_the_findings(small: Evidence) -> None:
    points = find_open(small)
    assert falls_short(points)
    assert overall(points)[:2] == (True, "FALLS SHORT: 2 findings")
    notes = tuple(point for point in points if point.note)
    assert not falls_short(notes)
    is_short, words, meaning = overall(notes)
    assert not is_short
    assert words == "Nothing fell short in what was tested"
    assert "The boot stage's own code was not tested." in meaning
    for _, words, meaning in (overall(points), overall(notes)):
        assert "secure" not in (words + meaning).lower()


def test_a_broken_variant_that_is_not_caught_is_a_finding(small: Evidence) -> None:
    assert len(small.broken) == 2
    assert all(variant.caught for variant in small.broken)
    assert outcome(small, "Broken") is Outcome.HOLDS
    missed = replace(small, broken=(replace(small.broken[0], caught=False, claim=""), small.broken[1]))
    assert "broken.missed" in rules(missed, notes=False)
    assert outcome(missed, "Broken") is Outcome.FAILS
    assert outcome(replace(small, broken=()), "Broken") is Outcome.NOT_TESTED
