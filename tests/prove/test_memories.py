"""What a part's memories do to a verdict: no erase, blank reads that fault, reads through stale caches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rootwright.describe.chip import BlankRead
from rootwright.describe.product import Attacker, Procedure
from rootwright.device.ground import Ground
from rootwright.device.port import Again, Claim, Control, Outcome, Port, UpdateProcedure
from rootwright.device.procedures.copy_over import COPY, CopyOver
from rootwright.device.procedures.either_slot import EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace
from rootwright.device.procedures.parts import NONE, REQUEST, write_again
from rootwright.prove.broken import BROKEN
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level
from rootwright.prove.teeth import check_broken

sys.path.insert(0, str(Path(__file__).parent))
from configurations import PROTECTED, SOUND, ground_for, require_agreement

Change = Callable[[Ground], Ground]


class _KeepsCache:
    """A port whose caches are never invalidated."""

    def __init__(self, port: Port) -> None:
        self._port = port

    def __getattr__(self, name: str) -> object:
        return getattr(self._port, name)

    def invalidate(self) -> None:
        """Do nothing."""


def never_invalidates(make: type) -> type:
    """Return a procedure that leaves its caches as they are."""

    class Forgets(make):  # type: ignore[misc]
        def step(self, port: Port, control: Control) -> Outcome:
            return super().step(_KeepsCache(port), control)  # type: ignore[no-any-return]

    return Forgets


class FloorNotWrittenAgain(CopyOver):
    """Believes the floor that it reads at power-up, without writing it again."""

    def decide(self, port: Port) -> Outcome:
        """Decide as the sound procedure does, with the floor left as it is."""
        write_again(port, self.logs[:2])
        if port.log("journal").newest() == COPY:
            return Again(("copy", 0))
        if port.log("requests").newest() == REQUEST:
            if self.is_staged_acceptable(port):
                port.log("journal").append(COPY)
                return Again(("copy", 0))
            port.log("requests").append(NONE)
        return self.boot(port)


def unsettled(ground: Ground) -> Ground:
    return replace(ground, unsettled=frozenset({"floor"}))


def no_erase(ground: Ground) -> Ground:
    return replace(ground, sectors=tuple(replace(sector, erased=None) for sector in ground.sectors))


def blank_faults(ground: Ground) -> Ground:
    return replace(ground, sectors=tuple(replace(s, blank_read=BlankRead.FAULT) for s in ground.sectors))


def cached(ground: Ground) -> Ground:
    return replace(ground, sectors=tuple(replace(sector, cached=True) for sector in ground.sectors))


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration; `claim` is what breaks, None where all holds."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    ground: Ground
    claim: Claim | None = None
    restless: bool = False
    attackers: frozenset[Attacker] = frozenset()

    @property
    def level(self) -> Level:
        return Level(1, self.restless, self.attackers, PROTECTED)


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    changes: dict[str, Change] = {"no erase": no_erase, "blank faults": blank_faults, "cached": cached}
    small = (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE, Procedure.COPY_OVER)
    for words, change in changes.items():
        for procedure in small:
            yield Case(f"{procedure} {words}", SOUND[procedure], change(ground_for(procedure, 1, 1)))
        for procedure in (Procedure.EXCHANGE_FIXED, Procedure.EITHER_SLOT):
            ground = change(ground_for(procedure, 1, 1))
            yield Case(f"{procedure} {words} restless", SOUND[procedure], ground, restless=True)
    forgiven = {
        "no erase": {"erase-skipped", "no-note-before-erase"},
        "blank faults": {"erase-skipped"},
        "cached": set[str](),
    }
    for broken in BROKEN:
        if broken.name not in ("erase-skipped", "no-note-before-erase", "copy-not-noted", "request-closed-first"):
            continue
        for words, change in changes.items():
            claim = None if broken.name in forgiven[words] else broken.claim
            yield Case(f"{broken.name} {words}", broken.make, change(ground_for(broken.base, 1, 2)), claim)
    for make, procedure in (
        (CopyOver, Procedure.COPY_OVER),
        (InPlace, Procedure.IN_PLACE),
        (Exchange, Procedure.EXCHANGE_FIXED),
    ):
        ground = ground_for(procedure, 1, 1)
        yield Case(f"{procedure} never invalidates", never_invalidates(make), cached(ground), Claim.APPROVED_ONLY)
        yield Case(f"{procedure} never invalidates, no cache", never_invalidates(make), ground, restless=True)
    for procedure in (Procedure.IN_PLACE, Procedure.COPY_OVER, Procedure.EITHER_SLOT):
        ground = ground_for(procedure, 1, 1)
        restless = procedure is Procedure.EITHER_SLOT
        yield Case(
            f"{procedure} floor in words that never settle", SOUND[procedure], unsettled(ground), restless=restless
        )
    ground = ground_for(Procedure.COPY_OVER, 1, 1)
    yield Case("floor not written again", FloorNotWrittenAgain, ground)
    yield Case("floor not written again, never settles", FloorNotWrittenAgain, unsettled(ground), Claim.FLOOR)
    yield Case("floor not written again, restless", FloorNotWrittenAgain, ground, Claim.FLOOR, restless=True)
    # Either slot checks and runs what it received only after a reset, which empties the caches.
    slots = cached(ground_for(Procedure.EITHER_SLOT, 1, 1))
    yield Case("either slot never invalidates", never_invalidates(EitherSlot), slots, restless=True)


CASES = list(cases())


def explored(case: Case) -> Verdict:
    return check_level(case.make, case.ground, case.level)[0]


def test_there_are_enough_configurations() -> None:
    assert len(CASES) >= 30


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_verdict_is_what_the_memory_says(case: Case) -> None:
    verdict = explored(case)
    assert verdict.holds == (case.claim is None), verdict.what
    if case.claim is not None:
        assert any(verdict.claim in (case.claim, *broken.claims) for broken in BROKEN)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, case.level)


def test_a_stale_cache_is_named_in_the_story() -> None:
    verdict = explored(next(case for case in CASES if case.name == "copy-over never invalidates"))
    assert "cache that is stale" in verdict.what
    assert verdict.cuts == 0


@pytest.mark.parametrize(("change", "left"), [(no_erase, 0), (blank_faults, 1), (cached, 2)])
def test_the_dossier_leaves_out_mistakes_that_the_memory_forgives(change: Change, left: int) -> None:
    names = ("erase-skipped", "no-note-before-erase")
    ground = change(ground_for(Procedure.IN_PLACE, 2, 1))
    found = check_broken(lambda base: ground if base == Procedure.IN_PLACE else None, Level(cells=1), names)
    assert len(found) == left
    assert all(result.caught for result in found)
