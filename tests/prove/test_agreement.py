"""The explorer and the concrete oracle, written apart, say the same on hundreds of tiny configurations.

The one merges states by what may still be read, the other tries every concrete state breadth first. What a cut leaves
and who acts is written down twice, after docs/model.md; they share the procedures and the numbers of the cells. Each
configuration is a test of its own, so that all cores take part.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from configurations import PROTECTED, SOUND, Configuration, configurations

from rootwright.describe.chip import BlankRead, Reprogram
from rootwright.describe.product import Attacker
from rootwright.prove.broken import BROKEN
from rootwright.prove.counterexample import require_replay
from rootwright.prove.explorer import Explorer
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely

CONFIGURATIONS = configurations()


def parameters() -> Iterator[object]:
    """Yield every configuration; sound procedures are explored to the end, which takes the oracle longer."""
    broken = {each.name for each in BROKEN}
    for configuration in CONFIGURATIONS:
        name = configuration.name.partition(" ")[0]
        is_long = name not in broken or configuration.cells > 2 or name.startswith("one-half")
        yield pytest.param(configuration, id=configuration.name, marks=pytest.mark.slow if is_long else ())


@pytest.mark.parametrize("configuration", list(parameters()))
def test_both_say_the_same(configuration: Configuration) -> None:
    """Verdict, the fewest cuts and then moves, how far it was seen, and the failure itself, once more."""
    it = configuration
    procedure = it.make(it.ground)
    level = Level(it.cells, it.restless, it.attackers, it.protect, it.max_cuts)
    explorer = Explorer(procedure, it.ground, level)
    symbolic = explorer.explore()
    oracle_level = OracleLevel(it.restless, it.attackers, it.protect, it.max_cuts)
    concrete = explore_concretely(it.make(it.ground), it.ground, oracle_level)
    assert symbolic.holds == concrete.holds
    if symbolic.holds:
        assert concrete.closed == (it.max_cuts is None)
        assert symbolic.closed >= concrete.closed  # where states are merged, nothing new may come sooner
        return
    assert symbolic.failure is not None
    assert concrete.failure is not None
    assert symbolic.failure.cost[:2] == (concrete.failure.cuts, concrete.failure.moves)
    assert symbolic.failure.claim in concrete.ties
    again = require_replay(symbolic.failure, procedure, it.ground, level, explorer.world)
    assert again.cuts == concrete.failure.cuts


def test_there_are_hundreds_of_configurations_and_they_differ() -> None:
    """A configuration that quietly falls out of the list would weaken every verdict."""
    assert len(CONFIGURATIONS) >= 200
    assert len({configuration.name for configuration in CONFIGURATIONS}) == len(CONFIGURATIONS)
    names = {configuration.name.partition(" ")[0] for configuration in CONFIGURATIONS}
    assert names == {procedure.value for procedure in SOUND} | {each.name for each in BROKEN} | {"tried-again"}
    assert len(SOUND) == 7
    assert len(BROKEN) == 21
    assert {configuration.restless for configuration in CONFIGURATIONS} == {True, False}
    attackers = {attacker for configuration in CONFIGURATIONS for attacker in configuration.attackers}
    assert attackers == {Attacker.EXPLOITED_APPLICATION, Attacker.EXTERNAL_BUS}
    exploited = [it for it in CONFIGURATIONS if Attacker.EXPLOITED_APPLICATION in it.attackers]
    assert {block for it in exploited for block in PROTECTED - it.protect} == PROTECTED
    sectors = {sector for configuration in CONFIGURATIONS for sector in configuration.ground.sectors}
    assert {sector.reprogram for sector in sectors} == {Reprogram.NEVER, Reprogram.BITS, Reprogram.ZEROS_ONLY}
    assert BlankRead.UNDEFINED in {sector.blank_read for sector in sectors}
    assert {sector.external for sector in sectors} == {True, False}
