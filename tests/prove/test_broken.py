"""Every broken procedure is caught, with the fewest cuts, on tiny grounds and on the demo product's real map."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from configurations import PROTECTED, SOUND, ground_for

from rootwright.describe.loading import load_product
from rootwright.device.ground import Ground, ground_from_map, tiny_ground
from rootwright.device.port import Claim
from rootwright.pipeline import plan_product
from rootwright.prove import proof
from rootwright.prove.broken import BROKEN, Broken
from rootwright.prove.counterexample import require_replay
from rootwright.prove.explorer import Explorer
from rootwright.prove.level import Level
from rootwright.prove.teeth import check_broken, find_killing_sentence, find_obstacle

NAMES = [pytest.param(broken, id=broken.name) for broken in BROKEN]


def tiny(broken: Broken, sectors: int = 2) -> Ground:
    return ground_for(broken.base, sectors, 1, external=broken.external_staging)


@pytest.mark.parametrize("earliest_cut", [False, True], ids=["fewest moves", "earliest cut"])
@pytest.mark.parametrize("broken", NAMES)
def test_it_fails_with_the_cuts_that_its_entry_states(broken: Broken, earliest_cut: bool) -> None:
    ground = tiny(broken)
    procedure = broken.make(ground)
    level = Level(1, attackers=broken.needs, protect=PROTECTED)
    explorer = Explorer(procedure, ground, level, earliest_cut=earliest_cut)
    closure = explorer.explore()
    assert not closure.holds
    assert closure.failure is not None
    assert closure.failure.claim in broken.claims
    assert closure.failure.cost[0] == broken.cuts
    assert require_replay(closure.failure, procedure, ground, level, explorer.world).claim is closure.failure.claim


@pytest.mark.parametrize("broken", [each for each in NAMES if each.values[0].cuts])  # type: ignore[union-attr]
def test_with_one_cut_less_nothing_is_found(broken: Broken) -> None:
    """The number is the fewest: with the power cut once less often every claim holds."""
    ground = tiny(broken)
    level = Level(1, attackers=broken.needs, protect=PROTECTED, max_cuts=broken.cuts - 1)
    closure = Explorer(broken.make(ground), ground, level).explore()
    assert closure.holds
    assert not closure.closed


@pytest.mark.slow
@pytest.mark.parametrize("broken", NAMES)
def test_the_procedure_that_it_changes_keeps_those_claims_on_the_same_ground(broken: Broken) -> None:
    """What is caught is the mistake: without it the very claims that it breaks hold, whatever else may fail.

    Whoever writes to external staging at will can always take a device's only image there away.
    """
    ground = tiny(broken)
    level = Level(1, attackers=broken.needs, protect=PROTECTED)
    procedure: Any = SOUND[broken.base](ground)
    if broken.external_staging:
        procedure.claims = broken.claims
    closure = Explorer(procedure, ground, level).explore()
    assert closure.failure is None
    assert closure.closed


def test_without_its_attacker_or_place_a_mistake_does_not_show() -> None:
    """An entry that asks for an attacker, or for staging outside, asks for no more than it needs."""
    asking = [broken for broken in BROKEN if broken.needs or broken.external_staging]
    assert asking
    for broken in asking:
        ground = tiny(broken)
        assert Explorer(broken.make(ground), ground, Level(1, protect=PROTECTED)).explore().holds
    for broken in asking:
        if broken.external_staging:
            inside = ground_for(broken.base, 2, 1)
            level = Level(1, attackers=broken.needs, protect=PROTECTED)
            assert Explorer(broken.make(inside), inside, level).explore().holds


def test_entries_are_told_apart() -> None:
    assert len({broken.name for broken in BROKEN}) == len(BROKEN) >= 21
    assert len({broken.title for broken in BROKEN}) == len(BROKEN)
    assert {broken.base for broken in BROKEN} >= set(SOUND) - {"recovery-image", "exchange-rotating"}
    claimed = {claim for make in SOUND.values() for claim in make(tiny_ground(1, 1)).claims}
    assert {claim for broken in BROKEN for claim in broken.claims} >= claimed - {Claim.BOOTS_OR_WAITS}
    assert all(broken.why.endswith(".") for broken in BROKEN)


# On the demo product's own map


class Demo:
    """The demo product's planned grounds, two cells a piece, by the name of the procedure."""

    def __init__(self, repository: Path) -> None:
        file = repository / "demo" / "river-gauge" / "product.toml"
        product = load_product(file)
        plan = plan_product(product, file.parent)
        self.grounds = {
            each.demand.traits.name: ground_from_map(product.chip, each.map, cells=2)
            for each in plan.plans
            if each.map is not None
        }

    def ground_of(self, base: str) -> Ground | None:
        return self.grounds.get(base)


@pytest.fixture(scope="module")
def demo(repository: Path) -> Demo:
    return Demo(repository)


DEMO_LEVEL = Level(cells=2, max_cuts=2)
NOT_ON_THE_DEMO = {
    "checked-before-copy-only": "staging does not lie in external memory",
    "no-digest-after-exchange": "staging does not lie in external memory",
    "flipped-before-noted": "",  # bank-flip has no map on this part
}


@pytest.mark.slow
@pytest.mark.parametrize("broken", [each for each in NAMES if each.id not in NOT_ON_THE_DEMO])
def test_it_is_caught_on_the_demo_s_map(demo: Demo, monkeypatch: pytest.MonkeyPatch, broken: Broken) -> None:
    replayed: list[Any] = []

    def replay(*arguments: Any) -> Any:
        replayed.append(require_replay(*arguments))
        return replayed[-1]

    monkeypatch.setattr(proof, "require_replay", replay)
    counted: list[tuple[str, int]] = []
    results = check_broken(demo.ground_of, DEMO_LEVEL, (broken.name,), progress=lambda *told: counted.append(told))
    (result,) = results
    assert result.caught
    assert result.claim in {claim.value for claim in broken.claims}
    assert result.cuts == broken.cuts
    assert len(replayed) == 1
    assert (replayed[0].claim.value, replayed[0].cuts) == (result.claim, result.cuts)
    assert ("power fails" in result.sentence) == (broken.cuts > 0)
    assert result.as_data()["caught"]
    assert {name for name, _ in counted} <= {broken.name}


def test_what_can_not_show_on_the_demo_says_why(demo: Demo) -> None:
    """At least fourteen mistakes must be looked at there; the others have a reason."""
    reasons = {}
    for broken in BROKEN:
        ground = demo.ground_of(broken.base.value)
        reason = "" if ground is None else find_obstacle(broken, ground)
        if ground is None or reason:
            reasons[broken.name] = reason
    assert reasons == NOT_ON_THE_DEMO
    assert len(BROKEN) - len(reasons) >= 14
    assert check_broken(demo.ground_of, DEMO_LEVEL, tuple(NOT_ON_THE_DEMO)) == ()


def test_a_keep_area_is_needed_for_the_mistake_that_spoils_it() -> None:
    (broken,) = (each for each in BROKEN if each.claim is Claim.KEEPS)
    ground = tiny_ground(1, 1, lift=1)
    bare = Ground(ground.sectors[:-1], ground.areas, ground.chunks)
    assert find_obstacle(broken, ground) == ""
    assert find_obstacle(broken, bare) == "the product has no keep-area"
    assert check_broken(lambda _: bare, Level(cells=1), (broken.name,)) == ()


def test_a_mistake_that_is_let_pass_is_told() -> None:
    """What is not found within the bound counts as not caught, with nothing to tell."""
    (result,) = check_broken(lambda _: tiny_ground(2, 1), Level(cells=1, max_cuts=0), ("request-closed-first",))
    assert not result.caught
    assert (result.claim, result.what, result.sentence) == ("", "", "")
    assert find_killing_sentence(()) == ""
