"""Flags that are struck out by a second program: what `reprogram` says of the part decides whether that works.

Common practice, no source: a flag is programmed when something begins, and all its bits are programmed when it is done.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rootwright.describe.chip import Reprogram
from rootwright.describe.product import Attacker, Procedure
from rootwright.device.content import PROGRAMMED
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import BLANK, Again, Claim, Outcome, Port, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.parts import write_again
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely
from rootwright.prove.proof import Verdict, check_level

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "fixtures" / "procedures"))
from configurations import PROTECTED, ground_for, require_agreement
from strikes_out import BEGUN, StrikesOut


class NeverErased(StrikesOut):
    """Programs a flag that cannot be told once more instead of erasing it: each cut costs a program."""

    def decide(self, port: Port) -> Outcome:
        """Take a flag that is neither blank nor struck out for begun."""
        write_again(port, self.logs[1:])
        if port.read(self.flag, 0) not in (BLANK, PROGRAMMED):
            return Again(("copy", 0))
        return super().decide(port)


class MarksTwice(StrikesOut):
    """Programs the flag once more before it is struck out: three programs between two erases."""

    def finish(self, port: Port) -> Outcome:
        """Program what is there already, then finish."""
        port.program(self.flag, 0, BEGUN)
        return super().finish(port)


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration; `cuts` is the fewest with which it never comes to rest, None where all holds."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    reprogram: Reprogram
    times: int
    cuts: int | None
    restless: bool = False
    bound: int | None = None

    @property
    def ground(self) -> Ground:
        ground = tiny_ground(1, 1, lift=1)
        counted = [
            replace(s, reprogram=self.reprogram, times=self.times) if s.block == "lift" else s for s in ground.sectors
        ]
        return replace(ground, sectors=tuple(counted), chunks=tuple(replace(c, lift=()) for c in ground.chunks))

    @property
    def level(self) -> Level:
        return Level(1, self.restless, max_cuts=self.bound)


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    times = Reprogram.TIMES
    for reprogram, count, cuts in (
        (Reprogram.NEVER, 1, 0),
        (times, 1, 0),
        (times, 2, None),
        (times, 3, None),
        (Reprogram.BITS, 1, None),
        (Reprogram.ZEROS_ONLY, 1, None),
    ):
        yield Case(f"struck out, {reprogram} {count}", StrikesOut, reprogram, count, cuts)
        yield Case(
            f"struck out, {reprogram} {count}, restless", StrikesOut, reprogram, count, cuts, True,
            None if cuts is not None else 2,
        )  # fmt: skip
    for count, cuts in ((1, 0), (2, 1), (3, 2), (4, 3)):
        yield Case(f"never erased, {count} times", NeverErased, times, count, cuts)
    yield Case("never erased, bits", NeverErased, Reprogram.BITS, 1, None)
    for count, cuts in ((2, 0), (3, None)):
        yield Case(f"marked twice, {count} times", MarksTwice, times, count, cuts)
    yield Case("marked twice, bits", MarksTwice, Reprogram.BITS, 1, None)


CASES = list(cases())


def explored(case: Case) -> Verdict:
    return check_level(case.make, case.ground, case.level)[0]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_verdict_is_what_the_part_takes(case: Case) -> None:
    verdict = explored(case)
    assert verdict.holds == (case.cuts is None), verdict.what
    if case.cuts is not None:
        assert (verdict.cuts, verdict.claim) == (case.cuts, Claim.ENDS.value)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, case.level)


@pytest.mark.slow
@pytest.mark.parametrize("make", [StrikesOut, NeverErased, MarksTwice])
@pytest.mark.parametrize("open_", ["lift", "stage:application", "run:application"])
@pytest.mark.parametrize("times", [2, 3])
def test_both_explorers_say_the_same_of_an_application_that_writes_there(
    make: Callable[[Ground], UpdateProcedure], open_: str, times: int
) -> None:
    """What an application writes follows an erase of its own, and the count begins anew."""
    case = Case("", make, Reprogram.TIMES, times, None)
    attackers = frozenset({Attacker.EXPLOITED_APPLICATION})
    verdict = check_level(make, case.ground, Level(1, False, attackers, PROTECTED - {open_}, 1))[0]
    level = OracleLevel(False, attackers, PROTECTED - {open_}, 1)
    oracle = explore_concretely(make(case.ground), case.ground, level)
    assert oracle.holds == verdict.holds
    if oracle.failure is not None:
        assert verdict.cuts == oracle.failure.cuts  # an endless run may be found later, when it takes fewer moves


@pytest.mark.slow
@pytest.mark.parametrize("times", [1, 2])
def test_procedures_that_program_once_do_not_care(times: int) -> None:
    ground = ground_for(Procedure.COPY_OVER, 1, 2)
    counted = replace(ground, sectors=tuple(replace(s, reprogram=Reprogram.TIMES, times=times) for s in ground.sectors))
    plain, other = (check_level(CopyOver, each, Level(1)) for each in (ground, counted))
    assert plain[0].holds
    assert other[0].holds
    assert plain[1].edges == other[1].edges
