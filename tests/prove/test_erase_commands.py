"""Erase commands that cover several sectors: a cut leaves all of them weak, and both explorers say so.

Common practice of external flash, no source: one range has commands of several sizes, each on its own multiple.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import POWER_UP, Again, Claim, Offer, Outcome, Port, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.parts import REQUEST, cells_of, payload_cell, receive_by_command
from rootwright.errors import ProcedureError
from rootwright.prove.counterexample import require_replay
from rootwright.prove.explorer import Explorer
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely

PAIR = 0x2000
COMMANDS = (("flash", 0, (PAIR, 2 * PAIR)),)


def ground(sectors: int = 2, cells: int = 1) -> Ground:
    """Return run and staging area of some sectors each, which begin on multiples of the commands, then a keep-area."""
    return replace(tiny_ground(sectors, cells), commands=COMMANDS)


class ReceivesByCommand(CopyOver):
    """Copy-over that erases staging with the largest command that stays in it."""

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Receive what one command erases."""
        following = receive_by_command(port, self.ground, "stage", offer, index)
        if following < len(self.ground.area("stage")):
            return Again(("receive", offer, following))
        port.log("requests").append(REQUEST)
        return Again(POWER_UP)


class CopiesByCommand(CopyOver):
    """Copy-over that erases the whole run slot with one command before the first chunk is copied."""

    def copy(self, port: Port, index: int) -> Outcome:
        """Copy all chunks in one step."""
        run, stage = self.ground.area("run"), self.ground.area("stage")
        port.erase(run[0], command=PAIR)
        for (sector, cell), (source, other) in zip(
            cells_of(self.ground, run), cells_of(self.ground, stage), strict=True
        ):
            port.program(sector, cell, port.read(source, other))
        return self.finish(port)


class ErasesThePartner(CopyOver):
    """Erases with a command that also covers the chunk copied before."""

    def copy(self, port: Port, index: int) -> Outcome:
        """Copy one chunk."""
        (run,), (stage,) = self.ground.chunks[index].run, self.ground.chunks[index].stage
        port.erase(run, command=PAIR)
        for cell in range(self.ground.sectors[run].cells):
            port.program(run, cell, port.read(stage, cell))
        return Again(("copy", index + 1)) if index + 1 < len(self.ground.chunks) else self.finish(port)


class ErasesStagingToo(CopyOver):
    """Erases the run slot with a command that reaches into staging."""

    def copy(self, port: Port, index: int) -> Outcome:
        """Erase too much before the first chunk."""
        if index == 0:
            port.erase(0, command=2 * PAIR)
        return super().copy(port, index)


class TrustsBlankSectors(ReceivesByCommand):
    """Erases again after a cut only what does not read blank: the sectors beside it may be weak."""

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Leave out the erase where all looks blank."""
        stage = self.ground.area("stage")
        if not all([port.is_blank(sector) for sector in stage]):
            port.erase(stage[0], command=PAIR)
        for sector in stage:
            for cell in range(self.ground.sectors[sector].cells):
                port.program(sector, cell, payload_cell(self.ground, "stage", offer, sector, cell))
        port.log("requests").append(REQUEST)
        return Again(POWER_UP)


class ErasesTheKeepArea(CopyOver):
    """Erases with a command that covers a keep-area."""

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Erase staging and what lies beside it."""
        port.erase(self.ground.area("stage")[index], command=PAIR)
        return super().receive(port, offer, index)


class ErasesTheFirstAgain(CopyOver):
    """Erases two sectors with one command, and after a cut the first of them and what does not read blank."""

    def copy(self, port: Port, index: int) -> Outcome:
        """Copy all chunks in one step."""
        run, stage = self.ground.area("run"), self.ground.area("stage")
        if all([port.is_blank(sector) for sector in run[1:]]):
            port.erase(run[0])
        else:
            port.erase(run[0], command=PAIR)
        for (sector, cell), (source, other) in zip(
            cells_of(self.ground, run), cells_of(self.ground, stage), strict=True
        ):
            port.program(sector, cell, port.read(source, other))
        return self.finish(port)


CASES: list[tuple[Callable[[Ground], UpdateProcedure], Ground, Claim | None, int]] = [
    (ReceivesByCommand, ground(), None, 0),
    (CopiesByCommand, ground(), None, 0),
    (TrustsBlankSectors, ground(), None, 0),  # what is staged does not run: it is digested, copied, and digested again
    (ErasesThePartner, ground(), Claim.ENDS, 0),
    (ErasesStagingToo, ground(), Claim.BOOTS, 0),
    (ErasesTheKeepArea, replace(ground(), keep=(3, 4)), Claim.KEEPS, 0),
    (ErasesTheFirstAgain, ground(), Claim.APPROVED_ONLY, 1),
]


@pytest.mark.slow
@pytest.mark.parametrize("restless", [False, True], ids=["steady", "restless"])
@pytest.mark.parametrize("case", CASES, ids=lambda case: case[0].__name__)
def test_both_explorers_say_the_same_of_large_erases(
    case: tuple[Callable[[Ground], UpdateProcedure], Ground, Claim | None, int], restless: bool
) -> None:
    make, place, claim, cuts = case
    procedure, level = make(place), Level(1, restless)
    explorer = Explorer(procedure, place, level)
    found = explorer.explore()
    # Without a bound the oracle takes half a minute more.
    concrete = explore_concretely(make(place), place, OracleLevel(restless, max_cuts=2))
    assert found.holds == concrete.holds
    if claim is None:
        assert found.failure is None
        assert found.closed
        return
    assert found.failure is not None
    assert concrete.failure is not None
    assert (found.failure.claim, found.failure.cost[0]) == (claim, cuts), found.failure.what
    assert found.failure.cost[:2] == (concrete.failure.cuts, concrete.failure.moves)
    assert claim in concrete.ties
    require_replay(found.failure, procedure, place, level, explorer.world)


def test_commands_lie_on_their_own_multiples() -> None:
    place = ground(4)
    assert place.find_commands(0) == (PAIR, 2 * PAIR)
    assert place.covered(1, 0x1000) == (1,)
    assert place.covered(1, PAIR) == place.covered(0, PAIR) == (0, 1)
    assert place.covered(5, 2 * PAIR) == (4, 5, 6, 7)
    assert place.covered_from("run", 0) == (2 * PAIR, 4)
    assert place.covered_from("run", 1) == (0, 1)
    assert place.covered_from("run", 2) == (PAIR, 2)
    assert ground(3).covered_from("run", 2) == (0, 1)  # the pair's other half is staging
    assert tiny_ground(2, 1).covered_from("run", 0) == (0, 1)


@pytest.mark.parametrize(
    ("sector", "command", "words"),
    [(0, 0x3000, "4096, 8192, 16384"), (4, PAIR, "not modelled"), (4, 2 * PAIR, "not modelled")],
)
def test_a_command_that_is_not_there_or_takes_more_is_refused(sector: int, command: int, words: str) -> None:
    with pytest.raises(ProcedureError) as caught:
        ground().covered(sector, command)
    assert words in str(caught.value)
