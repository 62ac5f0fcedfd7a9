"""The explorer itself: what it refuses and bounds, how large it grows, and that its first failure is the smallest."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest
from configurations import PROTECTED, SOUND, ground_for

from rootwright.describe.product import Procedure
from rootwright.device.content import FOREIGN, PROGRAMMED, Kind
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import (
    BLANK,
    FAULT,
    POWER_UP,
    Again,
    Claim,
    Control,
    Idle,
    LogSpec,
    Offer,
    Outcome,
    Port,
    Run,
    Stuck,
)
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.one_slot import InPlace
from rootwright.errors import ProcedureError
from rootwright.prove.broken import BROKEN
from rootwright.prove.explorer import Closure, explore
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely
from rootwright.prove.proof import check_level, prove
from rootwright.prove.symbolic import MAX_OPERATIONS
from rootwright.prove.world import SectorContent, World


class Bare:
    """A procedure of one's own that runs what it finds; each test changes a step of it."""

    claims: frozenset[Claim] = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})
    logs: tuple[LogSpec, ...] = (LogSpec("journal"),)
    initial: tuple[tuple[str, Any], ...] = (("journal", ("kept",)),)
    start_area = "run"

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def step(self, port: Port, control: Control) -> Outcome:
        return Run("run")


ONE_CELL = Level(1)


def explored(make: Callable[[Ground], Any], level: Level = ONE_CELL, ground: Ground | None = None) -> Closure:
    place = ground or tiny_ground(1, 1)
    return explore(make(place), place, level)


# What is refused


class Remembers(Bare):
    """Counts its own calls, and looks at its journal once less every time."""

    def __init__(self, ground: Ground) -> None:
        super().__init__(ground)
        self.calls = 0

    def step(self, port: Port, control: Control) -> Outcome:
        self.calls += 1
        for _ in range(20 - self.calls):
            port.log("journal").newest()
        port.log("journal").append(("other",))
        return Run("run")


class NeverSteps(Bare):
    def step(self, port: Port, control: Control) -> Outcome:
        for _ in itertools.count():
            port.log("journal").append(("kept",))
        raise AssertionError


class Undeclared(Bare):
    def step(self, port: Port, control: Control) -> Outcome:
        port.log("diary").append(("kept",))
        return Run("run")


class NoOutcome(Bare):
    def step(self, port: Port, control: Control) -> Any:
        return None


class ReadsAllAtOnce(Bare):
    """Reads every cell of a torn sector in one step, cell by cell."""

    def step(self, port: Port, control: Control) -> Outcome:
        if isinstance(control, Offer):
            port.erase(1)
            return Again(POWER_UP)
        for cell in range(self.ground.sectors[1].cells):
            port.read(1, cell)
        return Run("run")


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (Remembers, "hidden state in procedure"),
        (NeverSteps, f"more than {MAX_OPERATIONS} operations"),
        (Undeclared, "a log 'diary' that it does not declare"),
        (NoOutcome, "step returned None, expected Again, Run, Idle or Stuck"),
    ],
)
def test_a_procedure_that_misuses_its_port_is_refused(make: Callable[[Ground], Any], says: str) -> None:
    with pytest.raises(ProcedureError, match=says):
        explored(make, Level(1, restless=True))


@pytest.mark.slow
def test_a_step_that_reads_too_much_torn_flash_is_refused() -> None:
    """A blank sector whose erase is cut reads in three ways a cell, eight cells in 6561; what to do is said."""
    with pytest.raises(ProcedureError, match="in more than 4096 ways") as refused:
        explored(ReadsAllAtOnce, Level(1, restless=True), tiny_ground(1, 8))
    assert "let a step read one sector" in str(refused.value)


@pytest.mark.parametrize("use", ["digest", "run"])
def test_an_area_that_the_ground_does_not_have_is_an_error(use: str) -> None:
    class Elsewhere(Bare):
        def step(self, port: Port, control: Control) -> Outcome:
            if use == "digest":
                port.digest("second")
            return Run("second")

    with pytest.raises((ProcedureError, KeyError), match="second"):
        explored(Elsewhere)


# What is found


class GoesRound(Bare):
    """Two steps that call each other, once an update was offered."""

    def step(self, port: Port, control: Control) -> Outcome:
        if isinstance(control, Offer) or control == "there":
            return Again("here")
        if control == "here":
            port.log("journal").append(("kept",))
            return Again("there")
        return Run("run")


def test_an_endless_run_is_found_and_told_as_a_circle() -> None:
    verdict, closure = check_level(GoesRound, tiny_ground(1, 1), Level(1))
    failure = closure.failure
    assert failure is not None
    assert failure.claim is Claim.ENDS
    assert failure.cost[:2] == (0, 1)
    assert failure.turn == 2
    assert {control for _, control, _ in failure.path[-2:]} == {"here", "there"}
    assert verdict.story[-1].text == "an uncut run never comes to rest. Broken claim: every uncut run comes to rest."


def test_an_endless_run_that_is_not_claimed_is_told_and_has_no_bound_of_erases() -> None:
    """Counting erases round a circle never came to an end."""

    class Unclaimed(GoesRound):
        claims = GoesRound.claims - {Claim.ENDS}

    closure = explored(Unclaimed)
    assert closure.holds
    assert closure.closed
    assert closure.erases is None
    assert closure.not_claimed == ("every uncut run comes to rest (an uncut run never comes to rest)",)
    proof = prove("u", Unclaimed, lambda cells: tiny_ground(1, cells), Level(1), harder=False)
    assert proof.as_data()["erases_per_run"] is None


def test_a_keep_area_that_is_touched_is_no_power_cut() -> None:
    """The story of a lift sector in the wrong place once said that the power fails, though none is cut."""
    (broken,) = (each for each in BROKEN if each.claim is Claim.KEEPS)
    verdict, closure = check_level(broken.make, tiny_ground(2, 1, lift=1), Level(1))
    assert closure.failure is not None
    assert closure.failure.cost[0] == 0
    assert [happening.kind for happening in verdict.story].count("cut") == 0
    assert verdict.story[-2].text.endswith("on the way: erase keep-area sector at 0x00005000")
    assert "keep" in dict(verdict.story[-2].scene.areas) or verdict.story[-2].operations


@pytest.mark.parametrize(("outcome", "says"), [(Idle("cable"), "waits for cable"), (Stuck("no"), "dead device: no")])
def test_nothing_to_run_breaks_the_claim_to_boot(outcome: Outcome, says: str) -> None:
    class Waits(Bare):
        def step(self, port: Port, control: Control) -> Outcome:
            return outcome

    class WaitsAndSaysSo(Waits):
        claims = Waits.claims - {Claim.BOOTS} | {Claim.BOOTS_OR_WAITS}

    failure = explored(Waits).failure
    assert failure is not None
    assert failure.claim is Claim.BOOTS
    assert says in failure.what
    assert explored(WaitsAndSaysSo).holds == isinstance(outcome, Idle)


# The fewest cuts


class NeedsCuts(Bare):
    """Dies after its journal was written in `wanted` starts that never ended: each such start is a power cut."""

    wanted = 3

    def step(self, port: Port, control: Control) -> Outcome:
        record = port.log("journal").newest() or ("kept",)
        begun = int(record[1]) if record[0] == "begun" else 0
        if begun >= self.wanted:
            return Stuck("begun too often")
        port.log("journal").append(("begun", begun + 1))
        port.log("journal").append(("kept",))
        return Run("run")


@pytest.mark.parametrize("cuts", [1, 2, 3, 5])
@pytest.mark.parametrize("restless", [False, True])
def test_the_fewest_cuts_are_found_and_not_one_more_or_less(cuts: int, restless: bool) -> None:
    """By hand: one cut between the two records for every start that is counted."""

    class These(NeedsCuts):
        wanted = cuts

    closure = explored(These, Level(1, restless=restless))
    assert closure.failure is not None
    assert closure.failure.cost[:2] == (cuts, 0)
    assert [event[0] for _, _, event in closure.failure.path] == ["cut"] * cuts + ["step"]
    concrete = explore_concretely(These(tiny_ground(1, 1)), tiny_ground(1, 1), OracleLevel(restless=restless))
    assert concrete.failure is not None
    assert concrete.failure.cuts == cuts


@pytest.mark.parametrize("bound", [0, 1, 2])
def test_a_bound_on_cuts_is_not_called_closed(bound: int) -> None:
    closure = explored(NeedsCuts, Level(1, max_cuts=bound))
    assert closure.holds
    assert not closure.closed
    assert closure.deepest_cuts <= bound
    verdict, _ = check_level(NeedsCuts, tiny_ground(1, 1), Level(1, max_cuts=bound))
    assert verdict.words == f"holds, bounded at {bound} cuts"


def test_a_bound_that_reaches_the_failure_changes_nothing() -> None:
    verdict, closure = check_level(NeedsCuts, tiny_ground(1, 1), Level(1, max_cuts=3))
    assert verdict.words == "fails with 3 power cuts"
    assert closure.failure is not None


def test_what_is_not_claimed_is_told_and_does_not_fail() -> None:
    proof = prove("copy-over", CopyOver, lambda cells: tiny_ground(1, cells), Level(1), harder=False)
    assert proof.steady.words == "holds, closed"
    assert proof.not_claimed == (
        "a failed trial returns to the version before (a version is kept that never reported itself good)",
    )
    assert Claim.RETURNS.value not in proof.claims

    class ClaimsNothing(NeedsCuts):
        claims = frozenset()

    proof = prove("nothing", ClaimsNothing, lambda cells: tiny_ground(1, cells), Level(1), harder=False)
    assert proof.steady.holds
    assert proof.claims == ()
    assert f"{Claim.BOOTS.value} (dead device: begun too often)" in proof.not_claimed
    assert {Claim.APPROVED_ONLY.value, Claim.FLOOR.value, Claim.KEEPS.value} <= set(proof.not_claimed)


def test_harder_levels_stand_beside_only_where_the_steady_one_holds() -> None:
    holds = prove("copy-over", CopyOver, lambda cells: tiny_ground(1, cells), Level(1))
    assert [(name, verdict.words) for name, verdict in holds.harder] == [
        ("2 cells", "holds, closed"),
        ("restless cells", "holds, closed"),
    ]
    assert prove("n", NeedsCuts, lambda cells: tiny_ground(1, cells), Level(1)).harder == ()


# Size


def states(procedure: Procedure, sectors: int, cells: int, **level: Any) -> int:
    ground = ground_for(procedure, sectors, cells)
    closure = explore(SOUND[procedure](ground), ground, Level(cells, protect=PROTECTED, **level))
    assert closure.holds
    assert closure.closed
    return closure.states


@pytest.mark.slow
@pytest.mark.parametrize("restless", [False, True], ids=["steady", "restless"])
@pytest.mark.parametrize("procedure", list(SOUND))
def test_states_grow_by_the_same_number_for_every_sector(procedure: Procedure, restless: bool) -> None:
    """Linear: eight sectors more are the same number of states more, wherever one begins."""
    counts = [states(procedure, sectors, 1, restless=restless) for sectors in (8, 16, 24, 32)]
    differences = {later - earlier for earlier, later in itertools.pairwise(counts)}
    assert len(differences) == 1
    assert differences.pop() > 0


@pytest.mark.slow
@pytest.mark.parametrize("procedure", list(SOUND))
def test_states_do_not_depend_on_the_cells_in_a_sector(procedure: Procedure) -> None:
    """None of the seven resumes within a sector, so how finely it is cut makes no difference to what is reached."""
    assert len({states(procedure, 4, cells) for cells in (2, 3, 4, 8)}) == 1


def test_sound_procedures_hold_with_two_sectors_and_count_their_erases() -> None:
    """By hand, in one uncut run: a request is found, two sectors are copied over; nothing else is erased."""
    ground = tiny_ground(2, 1)
    assert (
        explore(CopyOver(ground), ground, Level(1)).erases == 4
    )  # two received, then two copied, with no rest between
    alone = tiny_ground(2, 1, stage=False)
    assert explore(InPlace(alone), alone, Level(1)).erases == 2


# What a cut leaves


def test_a_torn_erase_leaves_four_contents_in_every_cell_on_its_own() -> None:
    ground = tiny_ground(1, 2)
    world = World(ground, Bare(ground), Level(2))
    before = world.genuine[("run", Kind.CURRENT)][0]
    torn = world.values[world.torn_erase(before)]
    assert isinstance(torn, SectorContent)
    assert torn.weak
    held = world.values[before]
    assert isinstance(held, SectorContent)
    for old, cell in zip(held.cells, torn.cells, strict=True):
        assert set(world.options[-cell - 1]) == {old, int(BLANK), int(PROGRAMMED), int(FAULT)}
    again = world.values[world.torn_erase(world.torn_erase(before))]
    assert again == torn


def test_a_cell_with_one_content_is_decided() -> None:
    ground = tiny_ground(1, 1)
    world = World(ground, Bare(ground), Level(1))
    assert world.undecided({int(FOREIGN)}) == int(FOREIGN)
    either = world.undecided({int(FOREIGN), int(BLANK)})
    assert either < 0
    assert world.undecided({either, int(FAULT)}) == world.undecided({int(FOREIGN), int(BLANK), int(FAULT)})


def test_progress_is_told_while_it_explores() -> None:
    told: list[int] = []
    ground = tiny_ground(16, 2, lift=1)
    explore(SOUND[Procedure.EXCHANGE_FIXED](ground), ground, Level(2), progress=told.append)
    assert told == sorted(set(told))
    assert all(states >= 256 * number for number, states in enumerate(told, 1))
    assert told
