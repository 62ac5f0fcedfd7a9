"""Steps that are remembered, states that are packed, explorations that share: all must be what they are apart."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from configurations import APPLICATION, PROTECTED, SOUND, Configuration, configurations, ground_for
from test_settings_torn import CASES as TORN

from rootwright.describe.product import Procedure
from rootwright.device.content import FOREIGN
from rootwright.device.port import BLANK, POWER_UP, Again, Control, Outcome, Port
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.exchange import Exchange
from rootwright.prove.explorer import Closure, Explorer
from rootwright.prove.level import Level
from rootwright.prove.shared import Shared
from rootwright.prove.steps import Steps
from rootwright.prove.story import tell
from rootwright.prove.world import Flash, LogContent, SectorContent, World

CONFIGURATIONS = [each for each in configurations() if each.cells <= 2]


def closure_of(it: Configuration, *, room: int | None = None) -> tuple[Closure, object, Steps]:
    """Return the closure, the story and the steps of a configuration; with no room no step is remembered."""
    procedure = it.make(it.ground)
    level = Level(it.cells, it.restless, it.attackers, it.protect, it.max_cuts)
    world = World(it.ground, procedure, level)
    steps = Steps(procedure, world)
    steps.room = steps.room if room is None else room
    closure = Explorer(procedure, it.ground, level, world=world, steps=steps).explore()
    story = tell(closure.failure, procedure, it.ground, world) if closure.failure is not None else ()
    return replace(closure, failure=None), story, steps


@pytest.mark.slow
@pytest.mark.parametrize("it", CONFIGURATIONS, ids=lambda it: it.name)
def test_a_remembered_step_is_the_step(it: Configuration) -> None:
    """Everything but the path's numbers, which are those of one exploration's table; the story says the path."""
    remembered, story, _ = closure_of(it)
    taken, story_again, _ = closure_of(it, room=0)
    assert remembered == taken
    assert story == story_again


def test_steps_are_remembered_and_room_ends() -> None:
    it = next(each for each in CONFIGURATIONS if each.make is Exchange)
    _, _, steps = closure_of(it)
    kept = sum(len(found) for known in steps.known.values() for found in known.values())
    assert 0 < kept < closure_of(it)[0].states  # some served more than once
    _, _, few = closure_of(it, room=20_000)
    assert 0 <= few.room < 20_000
    assert few.known
    assert closure_of(it, room=0)[2].known == {}


class ErasesOnlyWhereItReadsBlank(CopyOver):
    """Reads a cell that was torn, and erases a blank sector before it programs it, or does not."""

    def step(self, port: Port, control: Control) -> Outcome:
        """Do that."""
        if port.read(3, 0) == BLANK:
            port.erase(2)
        port.program(2, 0, FOREIGN)
        return Again(POWER_UP)


def test_a_state_that_is_reached_in_two_ways_has_only_those_bits_killed_that_both_kill() -> None:
    """What lies behind may depend on what one of them left; joined states would otherwise be joined wrongly."""
    ground = ground_for(Procedure.COPY_OVER, 2, 1)
    procedure = ErasesOnlyWhereItReadsBlank(ground)
    world = World(ground, procedure, Level(1, restless=True))
    state = list(world.start(procedure))
    state[3] = world.torn_erase(state[3])
    packed = world.pack(state)
    taken = Steps(procedure, world).take("go", packed)
    erased = {ran.port.erases for ran in taken.runs}
    assert erased == {0, 1}
    state[2] = world.programmed(state[2], 0, int(BLANK), int(FOREIGN))[1]
    (killed,) = [cut.killed for target, cut in taken.cuts(packed, world) if target == world.pack(state)]
    assert killed == 0
    assert any(ran.port.killed == world.mask[2] for ran in taken.runs)


@pytest.mark.parametrize("protect", [PROTECTED, PROTECTED - {"journal"}, PROTECTED - {"run:application"}, frozenset()])
def test_with_other_protection_shared_steps_give_the_same_closure(protect: frozenset[str]) -> None:
    ground = ground_for(Procedure.EXCHANGE_FIXED, 2, 1)
    shared, level = Shared(), Level(1, attackers=APPLICATION, protect=PROTECTED)
    shared.explore("exchange", Exchange, ground, level)
    at = replace(level, protect=protect)
    explorer, closure = shared.explore("exchange", Exchange, ground, at)
    apart = Explorer(Exchange(ground), ground, at)
    alone = apart.explore()
    assert replace(closure, failure=None) == replace(alone, failure=None)
    if alone.failure is not None:
        assert closure.failure is not None
        told = tell(closure.failure, explorer.procedure, explorer.world.ground, explorer.world)
        assert told == tell(alone.failure, apart.procedure, ground, apart.world)


def test_an_equal_ground_at_an_equal_level_is_explored_once() -> None:
    shared, level = Shared(), Level(1)
    first = shared.explore("copy-over", SOUND[Procedure.COPY_OVER], ground_for(Procedure.COPY_OVER, 1, 1), level)
    again = shared.explore("copy-over", SOUND[Procedure.COPY_OVER], ground_for(Procedure.COPY_OVER, 1, 1), level)
    assert again == first
    for ground, at in (
        (ground_for(Procedure.COPY_OVER, 2, 1), level),
        (ground_for(Procedure.COPY_OVER, 1, 1), replace(level, restless=True)),
        (ground_for(Procedure.COPY_OVER, 1, 1), replace(level, attackers=APPLICATION)),
        (ground_for(Procedure.COPY_OVER, 1, 1), replace(level, max_cuts=1)),
    ):
        explorer, _ = shared.explore("copy-over", SOUND[Procedure.COPY_OVER], ground, at)
        assert explorer.world.values is not first[0].world.values


def test_tables_serve_only_where_nothing_but_protection_differs() -> None:
    ground = ground_for(Procedure.COPY_OVER, 1, 1)
    world = World(ground, SOUND[Procedure.COPY_OVER](ground), Level(1))
    assert world.at(Level(1, protect=PROTECTED)).values is world.values
    for level in (Level(2), Level(1, restless=True), Level(1, attackers=APPLICATION), Level(1, max_cuts=1)):
        with pytest.raises(ValueError, match="write protection only"):
            world.at(level)


# -- packed states


def plain_agrees(world: World, left: Flash, right: Flash, live: int) -> bool:
    """Say what `World.agrees` says, location by location and cell by cell."""
    for location, (one, other) in enumerate(zip(left, right, strict=True)):
        a, b = world.values[one], world.values[other]
        bits = [live >> (world.shift[location] + place) & 1 for place in range(world.width[location])]
        if isinstance(a, SectorContent) and isinstance(b, SectorContent):
            pairs = [*zip(a.cells, b.cells, strict=True), (a.weak, b.weak)]
            if any(bit and x != y for bit, (x, y) in zip(bits, pairs, strict=True)):
                return False
        elif isinstance(a, LogContent) and isinstance(b, LogContent):
            same = a.newest == b.newest and a.locked == b.locked
            if bits[0] and not (same and a.used <= b.used and a.older <= b.older):
                return False
        elif bits[0] and a != b:
            return False
    return True


@pytest.mark.parametrize("cells", [1, 2, 31, 70])
def test_packed_states_agree_where_plain_ones_do(cells: int) -> None:
    """A sector's lane is as wide as its cells need; states that an exploration really meets, and bits at random."""
    ground = ground_for(Procedure.EXCHANGE_FIXED, 1, 1)
    sectors = tuple(replace(sector, cells=cells if n % 2 else 1) for n, sector in enumerate(ground.sectors))
    ground = replace(ground, sectors=sectors)
    procedure = Exchange(ground)
    world = World(ground, procedure, Level(1))
    rng = random.Random(cells)
    state = list(world.start(procedure))
    sector_numbers = {}
    for location in range(world.sector_count):
        held = world.values[state[location]]
        assert isinstance(held, SectorContent)
        other = SectorContent(tuple(rng.choice((cell, 0, 1)) for cell in held.cells), True)
        found = (state[location], world.blank[location], world.torn_erase(state[location]), world.intern(other))
        sector_numbers[location] = found
    logs = [
        world.intern(LogContent(newest, frozenset(older), used))
        for newest in ((None,), (("kept",),), (("kept",), ("trial",)))
        for older in ((), (("trial",),))
        for used in (False, True)
    ]
    agreed = 0
    for _ in range(400):
        left, right = list(state), list(state)
        for side in (left, right):
            for location in rng.sample(range(world.count), 3):
                if location < world.sector_count:
                    side[location] = rng.choice(sector_numbers[location])
                elif location < world.settings_location:
                    side[location] = rng.choice(logs)
        live = sum(mask & rng.getrandbits(mask.bit_length()) for mask in rng.sample(world.mask, 5))
        packed = world.pack(left), world.pack(right)
        assert world.unpack(packed[0]) == tuple(left)
        assert (packed[0] == packed[1]) == (left == right)
        said = world.agrees(*packed, live)
        assert said == plain_agrees(world, tuple(left), tuple(right), live)
        agreed += said
    assert 0 < agreed < 400


def test_the_lanes_of_bits_hold_the_numbers_of_their_locations() -> None:
    ground = ground_for(Procedure.EXCHANGE_FIXED, 1, 2)
    procedure = Exchange(ground)
    world = World(ground, procedure, Level(2))
    state = world.start(procedure)
    for location in range(world.count):
        lanes = world.lanes(1 << world.shift[location] + world.width[location] - 1)
        assert world.pack(state) & lanes == state[location] << world.shift[location]


@pytest.mark.slow
def test_the_same_exploration_has_the_same_states_every_time() -> None:
    """What grows in one wave was followed in the order of addresses in memory, and the number of states wandered."""
    it = next(each for each in TORN if each.name == "never flips, locked, guards True")
    level = Level(1, True, it.attackers, it.protect, 2)
    held = []
    found = set()
    for count in range(12):
        held.append([object() for _ in range(count * 37 % 101)])  # moves what is allocated next
        closure = Explorer(it.make(it.ground), it.ground, level, earliest_cut=True).explore()
        found.add((closure.states, closure.edges))
    assert len(found) == 1
