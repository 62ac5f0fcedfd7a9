"""The manual's procedure of one's own holds its claims, and each line that a power cut calls for is needed."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rootwright.describe.loading import load_product
from rootwright.describe.product import Attacker
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import Claim
from rootwright.device.procedures import TRAITS
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace, RecoveryImage
from rootwright.layout.map import Map
from rootwright.plan.check import check_map
from rootwright.plan.search import find_map
from rootwright.prove.explorer import Closure, explore
from rootwright.prove.level import Level


def load(repository: Path, change: Callable[[str], str] = str) -> Any:
    """Return the example's class, after `change` to its source."""
    text = (repository / "demo" / "own-procedure" / "two_slots.py").read_text(encoding="utf-8")
    changed = change(text)
    assert (changed != text) == (change is not str)
    scope: dict[str, Any] = {"__name__": "two_slots"}
    exec(compile(changed, "two_slots.py", "exec"), scope)
    return scope["TwoSlots"]


def ground(sectors: int = 2) -> Ground:
    return tiny_ground(sectors, 2, stage=False, second=True)


def explored(procedure: Any, level: Level) -> Closure:
    return explore(procedure(ground()), ground(), level)


@pytest.mark.parametrize("restless", [False, True])
@pytest.mark.parametrize("sectors", [1, 2, 3])
def test_it_holds_under_any_number_of_cuts(repository: Path, restless: bool, sectors: int) -> None:
    place = ground(sectors)
    closure = explore(load(repository)(place), place, Level(restless=restless))
    assert closure.failure is None
    assert closure.holds
    assert closure.closed
    # Without a trial run a bad image stays: the procedure does not claim otherwise.
    assert any(Claim.RETURNS.value in text for text in closure.not_claimed)


def test_the_record_written_again_at_power_up_is_needed(repository: Path) -> None:
    procedure = load(repository, lambda code: code.replace('port.log("selector").append((word, slot))', "pass"))
    failure = explored(procedure, Level(restless=True)).failure
    assert failure is not None
    assert (failure.claim, failure.cost[0]) == (Claim.BOOTS, 1)


def test_the_floor_must_rise_before_the_image_is_kept(repository: Path) -> None:
    def later(code: str) -> str:
        floor = 'port.log("floor").append(("floor", digest.version))'
        keep = 'port.log("selector").append(("runs", slot))\n'
        assert (code.count(floor), code.count(keep)) == (1, 1)
        indent = " " * 12
        return (
            code.replace(floor, "raised = digest.version")
            .replace(
                keep,
                f"{keep}{indent}if slot == asked:\n{indent}    " + floor.replace("digest.version", "raised") + "\n",
            )
            .replace("            digest =", "            asked = slot\n            digest =")
        )

    failure = explored(load(repository, later), Level()).failure
    assert failure is not None
    assert (failure.claim, failure.cost[0]) == (Claim.FLOOR, 1)


def test_an_exploited_application_breaks_it_as_the_page_says(repository: Path) -> None:
    protect = frozenset({"boot", "keys", "floor"})
    level = Level(attackers=frozenset({Attacker.EXPLOITED_APPLICATION}), protect=protect)
    closure = explored(load(repository), level)
    assert closure.failure is not None
    assert closure.failure.claim is Claim.BOOTS
    assert closure.failure.cost[0] == 0


def test_it_finds_its_place_on_a_part(repository: Path) -> None:
    product = load_product(repository / "demo" / "own-procedure" / "product.toml")
    demand = load(repository).demand(product, {"boot": 16384, "application": 98304})
    found = find_map(demand, product.chip)
    assert isinstance(found, Map)
    assert check_map(found, demand, product.chip) == ()
    assert {"selector", "floor", "run:application", "second:application"} <= {b.name for b in demand.blocks}
    assert "journal" not in {b.name for b in demand.blocks}


def test_the_page_s_table_has_the_properties_of_every_procedure(repository: Path) -> None:
    page = (repository / "docs" / "procedures.md").read_text(encoding="utf-8")
    for traits in TRAITS.values():
        values = dataclasses.asdict(traits)
        cells = [values[name] for name in ("images_kept", "copies")] + ["yes" if traits.way_back else "no"]
        row = " | ".join([f"| `{traits.name}`", *cells, traits.runs_from, traits.downtime])
        assert f"{row} |\n" in page


def test_the_page_s_table_has_the_claims_of_every_procedure(repository: Path) -> None:
    page = (repository / "docs" / "procedures.md").read_text(encoding="utf-8")
    made = [InPlace, RecoveryImage, CopyOver, Exchange, EitherSlot, BankFlip]
    for claim in Claim:
        if claim is Claim.BOOTS_OR_WAITS:
            continue  # said in the row of `BOOTS`
        cells = ["yes" if claim in procedure.claims else "" for procedure in made]
        if claim is Claim.BOOTS:
            cells = [cell or "or waits for the loader" for cell in cells]
            assert Claim.BOOTS_OR_WAITS in InPlace.claims
        row = f"| {claim.value} | {' | '.join(cells)} |".replace("|  ", "| ")
        assert f"{row}\n" in page
