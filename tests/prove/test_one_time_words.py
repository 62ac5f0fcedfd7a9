"""A version floor in one-time words: it only rises, and it ends where its words are locked too early."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rootwright.describe.product import Attacker, Procedure
from rootwright.device.ground import Ground
from rootwright.device.port import Claim, Control, LogSpec, Outcome, Port, Run, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import EitherSlot
from rootwright.device.procedures.one_slot import InPlace
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level

sys.path.insert(0, str(Path(__file__).parent))
from configurations import PROTECTED, ground_for, require_agreement

ONCE = frozenset({"floor"})
SHARED, ALONE = (("floor", True),), (("floor", False),)


def locks_at_start(make: type) -> type:
    """Return a procedure that locks the floor's words whenever something runs: the lock-down comes too early."""

    class Locks(make):  # type: ignore[misc]
        def step(self, port: Port, control: Control) -> Outcome:
            outcome: Outcome = super().step(port, control)
            if isinstance(outcome, Run):
                port.log("floor").lock()
            return outcome

    return Locks


class NothingToForge(CopyOver):
    """Keeps its floor where nobody else can write, but anybody can lock."""

    logs = (*CopyOver.logs[:2], LogSpec("floor"))


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration; `claim` is what breaks without any cut, None where all holds."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    once: frozenset[str]
    locks: tuple[tuple[str, bool], ...]
    claim: Claim | None
    open: str = ""  # the block that an exploited application reaches; empty where none acts
    procedure: Procedure = Procedure.COPY_OVER
    restless: bool = False

    @property
    def ground(self) -> Ground:
        return replace(ground_for(self.procedure, 1, 1), once=self.once, locks=self.locks)

    @property
    def attackers(self) -> frozenset[Attacker]:
        return frozenset({Attacker.EXPLOITED_APPLICATION} if self.open else ())

    @property
    def level(self) -> Level:
        return Level(1, self.restless, self.attackers, PROTECTED - {self.open})


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    for make, procedure in ((CopyOver, Procedure.COPY_OVER), (InPlace, Procedure.IN_PLACE)):
        boots = Claim.BOOTS if make is CopyOver else None  # who waits for the loader is sent a newer image
        yield Case(f"{procedure} in flash, open", make, frozenset(), (), Claim.FLOOR, "floor", procedure)
        yield Case(f"{procedure} in words, open", make, ONCE, (), boots, "floor", procedure)
        yield Case(f"{procedure} in words, closed", make, ONCE, SHARED, None, "none", procedure)
        yield Case(f"{procedure} in words, nobody acts", make, ONCE, SHARED, None, "", procedure)
        for restless in (False, True):
            words = " restless" if restless else ""
            early = locks_at_start(make)
            yield Case(f"{procedure} locked early{words}", early, ONCE, SHARED, Claim.FLOOR, "", procedure, restless)
            yield Case(f"{procedure} locked word by word{words}", early, ONCE, ALONE, None, "", procedure, restless)
            yield Case(f"{procedure} without locks{words}", early, ONCE, (), None, "", procedure, restless)
    yield Case("only locks, in words with locks", NothingToForge, ONCE, SHARED, Claim.FLOOR, "floor")
    yield Case("only locks, a word a lock", NothingToForge, ONCE, ALONE, Claim.FLOOR, "floor")
    yield Case("only locks, no locks", NothingToForge, ONCE, (), None, "floor")
    early = locks_at_start(EitherSlot)
    yield Case("either slot locked early", early, ONCE, SHARED, Claim.FLOOR, "", Procedure.EITHER_SLOT, True)


CASES = list(cases())


def explored(case: Case) -> Verdict:
    return check_level(case.make, case.ground, case.level)[0]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_verdict_is_what_the_words_say(case: Case) -> None:
    verdict = explored(case)
    assert verdict.claim == (case.claim.value if case.claim else ""), verdict.what
    assert verdict.cuts == 0


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, case.level)


def test_the_story_says_who_locks() -> None:
    by_name = {case.name: case for case in CASES}
    texts = [h.text for h in explored(by_name["only locks, in words with locks"]).story]
    assert any("a lock over the floor log" in text for text in texts)
    done = [o for h in explored(by_name["copy-over locked early"]).story for o in h.operations]
    assert "lock the one-time words of the floor log" in done
    assert "add to the floor log, whose words are locked" in done
