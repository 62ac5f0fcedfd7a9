"""Reads of a unit whose check bits do not match: what the part raises then, and a procedure that does not catch it.

Common practice, no source: a boot stage whose scan of its log meets a torn record starts over and over.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rootwright.describe.chip import BlankRead, EccError
from rootwright.describe.product import Procedure
from rootwright.device.ground import Ground, with_data
from rootwright.device.port import POWER_UP, Claim, Control, Outcome, Port, UpdateProcedure
from rootwright.device.procedures.migration import migrating
from rootwright.prove.broken_reads import BROKEN_READS
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level
from rootwright.prove.teeth import check_broken

sys.path.insert(0, str(Path(__file__).parent))
from configurations import SOUND, ground_for, require_agreement

LOGS = frozenset({"journal", "requests", "floor", "schema"})


def uncaught(make: type) -> type:
    """Return a procedure without a handler for what an undecodable unit raises."""

    class Uncaught(make):  # type: ignore[misc]
        catches_faults = False

    return Uncaught


class LooksAtStaging(SOUND[Procedure.COPY_OVER]):  # type: ignore[misc]
    """Digests staging at every start, whatever was asked: a half-received image is read too."""

    def step(self, port: Port, control: Control) -> Outcome:
        """Look first, then step."""
        if control is POWER_UP:
            port.digest("stage")
        outcome: Outcome = super().step(port, control)
        return outcome


class LooksCellByCell(SOUND[Procedure.COPY_OVER]):  # type: ignore[misc]
    """Reads staging at every start, cell by cell."""

    def step(self, port: Port, control: Control) -> Outcome:
        """Look first, then step."""
        if control is POWER_UP:
            for sector in self.ground.area("stage"):
                port.is_blank(sector)
        outcome: Outcome = super().step(port, control)
        return outcome


def with_errors(ground: Ground, kind: EccError, *, logs: bool) -> Ground:
    """Return a ground whose memory answers in one way; with `logs` its logs lie there too."""
    stops = kind in (EccError.FAULT, EccError.NMI)
    sectors = tuple(replace(sector, ecc_error=kind) for sector in ground.sectors)
    return replace(ground, sectors=sectors, coded=LOGS if logs and stops else frozenset())


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration; `cuts` is the fewest with which it never comes to rest, None where all holds."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    ground: Ground
    cuts: int | None
    restless: bool = False
    bound: int | None = None

    @property
    def level(self) -> Level:
        return Level(1, self.restless, max_cuts=self.bound)


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    for kind in EccError:
        cuts = 1 if kind in (EccError.FAULT, EccError.NMI) else None
        for procedure in (Procedure.COPY_OVER, Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE):
            ground = with_errors(ground_for(procedure, 1, 1), kind, logs=True)
            yield Case(f"{procedure} uncaught, {kind}", uncaught(SOUND[procedure]), ground, cuts)
            yield Case(f"{procedure} caught, {kind}", SOUND[procedure], ground, None)
        ground = with_errors(ground_for(Procedure.COPY_OVER, 1, 1), kind, logs=False)
        for make in (LooksAtStaging, LooksCellByCell):
            yield Case(f"{make.__name__} uncaught, {kind}", uncaught(make), ground, cuts)
            yield Case(f"{make.__name__} caught, {kind}", make, ground, None)
    fault = EccError.FAULT
    for procedure in SOUND:
        if procedure is Procedure.EXCHANGE_ROTATING:
            continue
        # Without their logs, the procedures read nothing that a cut may have left undecodable.
        ground = with_errors(ground_for(procedure, 1, 1), fault, logs=False)
        long = procedure in (Procedure.EXCHANGE_FIXED, Procedure.EITHER_SLOT, Procedure.BANK_FLIP)
        yield Case(
            f"{procedure} uncaught, logs apart", uncaught(SOUND[procedure]), ground, None, bound=1 if long else None
        )
        logs = with_errors(ground, fault, logs=True)
        yield Case(f"{procedure} uncaught, restless", uncaught(SOUND[procedure]), logs, 1, restless=True)
    blank = with_errors(ground_for(Procedure.COPY_OVER, 1, 1), fault, logs=False)
    blank = replace(blank, sectors=tuple(replace(s, blank_read=BlankRead.FAULT) for s in blank.sectors))
    yield Case("blank cells fault, uncaught", uncaught(LooksCellByCell), blank, 0)
    yield Case("blank cells fault, caught", LooksCellByCell, blank, None)


CASES = list(cases())


def explored(case: Case) -> Verdict:
    return check_level(case.make, case.ground, case.level)[0]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_verdict_is_what_the_part_raises(case: Case) -> None:
    verdict = explored(case)
    assert verdict.holds == (case.cuts is None), verdict.what
    if case.cuts is not None:
        assert (verdict.cuts, verdict.claim) == (case.cuts, Claim.ENDS.value)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, case.level)


def test_a_migration_catches_what_its_procedure_catches() -> None:
    ground = with_data(ground_for(Procedure.COPY_OVER, 1, 1), 1, 1)
    assert migrating(SOUND[Procedure.COPY_OVER])(ground).catches_faults  # type: ignore[attr-defined]
    assert not migrating(uncaught(SOUND[Procedure.COPY_OVER]))(ground).catches_faults  # type: ignore[attr-defined,arg-type]


@pytest.mark.parametrize("kind", EccError)
def test_the_level_says_what_is_taken_of_such_reads(kind: EccError) -> None:
    ground = with_errors(ground_for(Procedure.COPY_OVER, 1, 1), kind, logs=True)
    stops = kind in (EccError.FAULT, EccError.NMI)
    for make, words in ((SOUND[Procedure.COPY_OVER], "are caught"), (uncaught(SOUND[Procedure.COPY_OVER]), "reset")):
        level = check_level(make, ground, Level(1, max_cuts=0))[0].level.describe()
        assert level.endswith(f"; undecodable reads {words}" if stops else "bad images")


@pytest.mark.parametrize("kind", EccError)
def test_the_dossier_shows_it_where_the_part_stops_the_reader(kind: EccError) -> None:
    ground = with_errors(ground_for(Procedure.COPY_OVER, 1, 1), kind, logs=True)
    (broken,) = BROKEN_READS
    found = check_broken(lambda base: ground if base == broken.base else None, Level(cells=1), (broken.name,))
    assert [each.caught for each in found] == ([True] if ground.coded else [])
    assert [each.cuts for each in found] == [broken.cuts] * len(found)


def test_the_story_says_what_resets_the_core() -> None:
    verdict = explored(next(case for case in CASES if case.name == "copy-over uncaught, fault"))
    assert "a read of an undecodable unit resets the core" in verdict.story[-2].text
