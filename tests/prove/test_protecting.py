"""The fewest blocks that stop an exploited application: the search against trying every set of blocks."""

from __future__ import annotations

from itertools import chain, combinations

import pytest
from configurations import APPLICATION, PROTECTED, SOUND, ground_for

from rootwright.describe.product import Procedure
from rootwright.device.ground import Ground
from rootwright.prove.broken import BROKEN
from rootwright.prove.explorer import explore
from rootwright.prove.level import Level
from rootwright.prove.proof import Proof, check_level, prove
from rootwright.prove.protecting import Closable, Remedy, find_remedy

OPEN = Level(1, attackers=APPLICATION)


def blocks_of(ground: Ground) -> tuple[str, ...]:
    """Return every block of a tiny ground that could be closed."""
    sectors = dict.fromkeys(sector.block for sector in ground.sectors if not sector.block.startswith("keep"))
    return ("boot", *sectors, "journal", "requests", "floor")


def anything(_: tuple[str, ...]) -> bool:
    return True


def remedy_for(procedure: Procedure, closable: Closable | None = None, level: Level = OPEN) -> Remedy | None:
    ground = ground_for(procedure, 1, 1)
    _, closure = check_level(SOUND[procedure], ground, level)
    assert closure.failure is not None
    return find_remedy(
        closure.failure, SOUND[procedure], ground, level, closable or Closable(blocks_of(ground), anything)
    )


def holds_with(procedure: Procedure, ground: Ground, chosen: tuple[str, ...]) -> bool:
    level = Level(1, attackers=APPLICATION, protect=frozenset(chosen))
    return explore(SOUND[procedure](ground), ground, level).holds


def smallest_that_hold(procedure: Procedure) -> set[frozenset[str]]:
    """Return all smallest sets of blocks under whose protection the claims hold, by trying every set."""
    ground = ground_for(procedure, 1, 1)
    blocks = blocks_of(ground)
    for count in range(len(blocks) + 1):
        found = {frozenset(c) for c in combinations(blocks, count) if holds_with(procedure, ground, c)}
        if found:
            return found
    raise AssertionError("no set holds")


@pytest.mark.slow
@pytest.mark.parametrize("procedure", list(SOUND))
def test_the_set_is_a_smallest_one_of_all(procedure: Procedure) -> None:
    found = remedy_for(procedure)
    assert found is not None
    assert found.helps
    assert frozenset(found.blocks) in smallest_that_hold(procedure)
    assert found.sentence.startswith(f"add to lock.write_protect: {', '.join(found.blocks)}.")


def test_what_is_closed_already_is_not_named_again() -> None:
    level = Level(1, attackers=APPLICATION, protect=frozenset({"boot", "floor"}))
    found = remedy_for(Procedure.COPY_OVER, level=level)
    assert found is not None
    assert set(found.blocks) == {"run:application", "journal"}


def test_without_a_block_that_is_needed_nothing_helps() -> None:
    """A part that can not close the boot stage: whatever else is closed, the boot stage is written over."""
    blocks = tuple(block for block in blocks_of(ground_for(Procedure.COPY_OVER, 1, 1)) if block != "boot")
    found = remedy_for(Procedure.COPY_OVER, Closable(blocks, anything))
    assert found is not None
    assert (found.helps, found.blocks) == (False, ())
    assert found.sentence == "no write protection of this part helps: choose another procedure, or another part"
    assert found.as_data() == {"helps": False, "write_protect_also": []}


def test_a_part_that_closes_nothing_is_not_searched() -> None:
    assert remedy_for(Procedure.COPY_OVER, Closable((), anything)) == Remedy(False, (), 0)


def test_blocks_that_can_not_be_closed_together_are_not_named_together() -> None:
    """The part has one region of write protection: it closes the boot stage or anything else."""
    ground = ground_for(Procedure.COPY_OVER, 1, 1)
    found = remedy_for(Procedure.COPY_OVER, Closable(blocks_of(ground), lambda blocks: len(blocks) < 2))
    assert found is not None
    assert not found.helps


def test_a_failure_without_an_exploit_has_no_such_remedy() -> None:
    broken = next(each for each in BROKEN if each.name == "request-closed-first")
    ground = ground_for(broken.base, 2, 1)
    level = Level(1, attackers=APPLICATION, protect=PROTECTED)
    _, closure = check_level(broken.make, ground, level)
    assert closure.failure is not None
    closable = Closable(("keys",), anything)
    assert find_remedy(closure.failure, broken.make, ground, level, closable) is None


def test_a_mistake_that_needs_no_exploit_is_not_mended_by_closing_blocks() -> None:
    """With everything open the exploit fails it first; with the fewest blocks closed its own mistake remains."""
    broken = next(each for each in BROKEN if each.name == "no-floor-check")
    ground = ground_for(broken.base, 1, 1)
    _, closure = check_level(broken.make, ground, OPEN)
    assert closure.failure is not None
    found = find_remedy(closure.failure, broken.make, ground, OPEN, Closable(blocks_of(ground), anything))
    assert found is None or not found.helps


def proof_with(closable: Closable | None) -> Proof:
    return prove("copy-over", SOUND[Procedure.COPY_OVER], lambda cells: ground_for(Procedure.COPY_OVER, 1, cells), OPEN,
                 closable=closable)  # fmt: skip


def test_a_proof_carries_the_remedy_only_where_the_part_is_known() -> None:
    assert proof_with(None).as_data()["remedy"] is None
    told = proof_with(Closable(blocks_of(ground_for(Procedure.COPY_OVER, 1, 1)), anything)).as_data()["remedy"]
    assert told["helps"]
    assert set(told["write_protect_also"]) == {"boot", "run:application", "journal", "floor"}


@pytest.mark.slow
def test_more_protection_never_makes_a_verdict_worse() -> None:
    """What the search relies on: a set that holds still holds with one block more."""
    ground = ground_for(Procedure.COPY_OVER, 1, 1)
    blocks = blocks_of(ground)
    sets = list(chain.from_iterable(combinations(blocks, count) for count in range(len(blocks) + 1)))
    holds = {frozenset(chosen): holds_with(Procedure.COPY_OVER, ground, chosen) for chosen in sets}
    assert {True, False} == set(holds.values())
    for chosen, held in holds.items():
        if held:
            assert all(holds[chosen | {block}] for block in blocks)
