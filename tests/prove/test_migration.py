"""Migration of a keep-area: the reference holds under power cuts, broken variants are caught, two explorers agree."""

from __future__ import annotations

import json
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from rootwright.cli.prove import command
from rootwright.describe.loading import load_product
from rootwright.describe.product import Attacker, Procedure
from rootwright.device.content import FOREIGN, Kind, content_cell
from rootwright.device.ground import DATA_AREAS, Ground, GroundSector, ground_from_map, tiny_ground, with_data
from rootwright.device.port import BLANK, FAULT, Claim, UpdateProcedure, Version
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.migration import converted, migrating
from rootwright.device.procedures.one_slot import InPlace, RecoveryImage
from rootwright.device.settings import SettingsModel
from rootwright.layout.map import Map
from rootwright.pipeline import plan_product, prove_migrations
from rootwright.prove.broken_migration import BROKEN_MIGRATIONS, BrokenMigration
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level

sys.path.insert(0, str(Path(__file__).parent))
from configurations import require_agreement

MAKERS: dict[Procedure, Callable[[Ground], UpdateProcedure]] = {
    Procedure.IN_PLACE: InPlace,
    Procedure.RECOVERY_IMAGE: RecoveryImage,
    Procedure.COPY_OVER: CopyOver,
    Procedure.EXCHANGE_FIXED: Exchange,
    Procedure.EITHER_SLOT: EitherSlot,
    Procedure.BANK_FLIP: BankFlip,
}
SMALL = (Procedure.IN_PLACE, Procedure.COPY_OVER)
ALL = frozenset({"boot", "run:application", "second:application", "stage:application", "journal", "floor", "requests"})


def ground_for(procedure: Procedure, sectors: int = 1, cells: int = 1) -> Ground:
    two = procedure in (Procedure.EITHER_SLOT, Procedure.BANK_FLIP)
    one = procedure in (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE)
    ground = tiny_ground(1, 1, stage=not two and not one, second=two, lift=int(procedure is Procedure.EXCHANGE_FIXED))
    if procedure is Procedure.RECOVERY_IMAGE:
        count = len(ground.sectors)
        sector = GroundSector("recovery", "flash", 0x1000 * count, 0x1000, 1, 0)
        ground = replace(
            ground, sectors=(*ground.sectors, sector), areas=(*ground.areas, ("recovery", count, count + 1))
        )
    return with_data(ground, sectors, cells)


def explored(make: Callable[[Ground], UpdateProcedure], ground: Ground, level: Level) -> Verdict:
    return check_level(make, ground, level)[0]


# -- the reference


@pytest.mark.parametrize("restless", [False, True])
@pytest.mark.parametrize("procedure", MAKERS)
def test_the_reference_holds_around_every_procedure(procedure: Procedure, restless: bool) -> None:
    ground = ground_for(procedure, 2, 2)
    verdict = explored(migrating(MAKERS[procedure]), ground, Level(2, restless))
    assert verdict.holds, verdict.what
    assert verdict.closed
    assert Claim.DATA in migrating(MAKERS[procedure])(ground).claims


def test_it_holds_with_an_exploited_application_and_write_protection() -> None:
    level = Level(1, False, frozenset({Attacker.EXPLOITED_APPLICATION}), ALL)
    assert explored(migrating(EitherSlot), ground_for(Procedure.EITHER_SLOT), level).holds


def test_it_holds_where_the_settings_area_is_modelled_too() -> None:
    ground = replace(ground_for(Procedure.BANK_FLIP, 2, 1), settings=SettingsModel())
    assert explored(migrating(BankFlip), ground, Level(1)).holds


def test_it_holds_in_a_memory_without_erase() -> None:
    ground = ground_for(Procedure.COPY_OVER, 2, 1)
    ground = replace(ground, sectors=tuple(replace(sector, erased=None) for sector in ground.sectors))
    assert explored(migrating(CopyOver), ground, Level(1)).holds


def test_a_procedure_that_hands_out_no_data_fails_where_data_are_claimed() -> None:
    class Forgetful(CopyOver):
        claims = CopyOver.claims | {Claim.DATA}

    verdict = explored(Forgetful, ground_for(Procedure.COPY_OVER), Level(1))
    assert (verdict.claim, verdict.cuts, verdict.moves) == (Claim.DATA, 0, 0)
    assert "without data" in verdict.what


def test_a_version_reads_the_form_before_its_own_and_no_other() -> None:
    data = {kind: content_cell(kind, 2, 5) for kind in Kind}
    assert converted(data[Kind.CURRENT], Version(1)) == data[Kind.NEXT]
    assert converted(data[Kind.OLD], Version(0)) == data[Kind.CURRENT]
    for kind, version in ((Kind.NEXT, 0), (Kind.OLD, 1), (Kind.STALE, 1), (Kind.NEXT, 1), (Kind.KEEP, 1)):
        assert converted(data[kind], Version(version)) == data[kind]
    assert [converted(cell, Version(1)) for cell in (BLANK, FAULT, FOREIGN)] == [BLANK, FAULT, FOREIGN]


# -- what is broken


@pytest.mark.parametrize("broken", BROKEN_MIGRATIONS, ids=lambda broken: broken.name)
@pytest.mark.parametrize(("sectors", "cells", "restless"), [(2, 1, False), (2, 2, False), (3, 1, False), (2, 1, True)])
def test_every_broken_migration_is_caught(broken: BrokenMigration, sectors: int, cells: int, restless: bool) -> None:
    inner = MAKERS[broken.base]
    verdict = explored(
        lambda ground: broken.make(inner(ground), ground),
        ground_for(broken.base, sectors, cells),
        Level(cells, restless),
    )
    assert not verdict.holds
    assert verdict.cuts == broken.cuts
    if not restless:
        assert verdict.claim == broken.claim


def test_the_story_names_the_conversion_in_words() -> None:
    broken = next(each for each in BROKEN_MIGRATIONS if each.name == "no-record-check")
    inner = MAKERS[broken.base]
    verdict = explored(lambda ground: broken.make(inner(ground), ground), ground_for(broken.base, 2, 1), Level(1))
    told = [happening.text for happening in verdict.story]
    assert any(text.startswith("convert (data to spare, 0)") for text in told)
    assert not any("Converting(" in text for text in told)


def test_each_mistake_is_one_change_of_a_sound_migration() -> None:
    names = [broken.name for broken in BROKEN_MIGRATIONS]
    assert len(set(names)) == len(names) >= 8
    for base in {broken.base for broken in BROKEN_MIGRATIONS}:
        assert explored(migrating(MAKERS[base]), ground_for(base, 2, 1), Level(1)).holds


def test_the_manual_lists_as_many_mistakes(repository: Path) -> None:
    page = (repository / "docs" / "procedures.md").read_text(encoding="utf-8")
    table = page.partition("| Mistake | Fewest cuts |")[2].partition("\n\n")[0]
    cuts = [int(row) for row in re.findall(r"^\| [^|]+ \| (\d) \|", table, re.MULTILINE)]
    assert cuts == [broken.cuts for broken in BROKEN_MIGRATIONS]


# -- two explorers


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration for both explorers."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    ground: Ground
    restless: bool = False
    bound: int | None = None


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    for procedure in SMALL:
        for sectors, cells in ((1, 1), (1, 2), (2, 1), (2, 2)):
            ground = ground_for(procedure, sectors, cells)
            yield Case(f"{procedure} {sectors}x{cells} restless", migrating(MAKERS[procedure]), ground, True)
        yield Case(f"{procedure} one cut", migrating(MAKERS[procedure]), ground_for(procedure, 2, 1), bound=1)
    for procedure in (Procedure.RECOVERY_IMAGE, Procedure.EITHER_SLOT):
        yield Case(f"{procedure} one cut", migrating(MAKERS[procedure]), ground_for(procedure), True, 1)
    for broken in BROKEN_MIGRATIONS:
        inner = MAKERS[broken.base]

        def make(ground: Ground, broken: BrokenMigration = broken, inner: object = inner) -> UpdateProcedure:
            return broken.make(inner(ground), ground)  # type: ignore[operator]

        for sectors, cells in ((2, 1), (2, 2)):
            yield Case(f"{broken.name} {sectors}x{cells}", make, ground_for(broken.base, sectors, cells))
            if cells == 1:
                yield Case(f"{broken.name} restless", make, ground_for(broken.base, sectors, cells), True)


CASES = list(cases())


def test_there_are_enough_configurations() -> None:
    assert len(CASES) >= 30


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, Level(1, case.restless, max_cuts=case.bound))


# -- a product that declares one


def run(*arguments: str) -> Result:
    result = CliRunner().invoke(command, arguments, standalone_mode=False)
    assert result.exception is None, result.exception
    return result


@pytest.fixture
def product_file(repository: Path, tmp_path: Path) -> Path:
    """The demo product with a calibration area that changes its form."""
    folder = tmp_path / "river-gauge"
    shutil.copytree(repository / "demo" / "river-gauge", folder, ignore=shutil.ignore_patterns("keys", "out"))
    path = folder / "product.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('name = "calibration"\n', 'name = "calibration"\nmigrate = { before = 3, after = 4 }\n', 1)
    path.write_text(text, encoding="utf-8")
    return path


def test_the_plan_gives_it_a_spare_with_the_same_sectors_and_a_log(product_file: Path) -> None:
    product = load_product(product_file)
    map_ = plan_product(product, product_file.parent).plan.map
    assert isinstance(map_, Map)
    home, spare = map_.region("keep:calibration"), map_.region("spare:calibration")
    assert (home.size, home.sectors, home.memory) == (spare.size, spare.sectors, spare.memory)
    assert map_.region("schema:calibration").sectors >= 2
    apart = ground_from_map(product.chip, map_, cells=1)
    assert not set(DATA_AREAS) & {name for name, _, _ in apart.areas}
    log = map_.region("schema:calibration").sectors
    assert apart.keep[1] - apart.keep[0] == 2 * home.sectors + log
    moving = ground_from_map(product.chip, map_, cells=1, migrates="calibration")
    assert set(DATA_AREAS) <= {name for name, _, _ in moving.areas}
    assert moving.keep[1] - moving.keep[0] == log


@pytest.mark.slow
def test_prove_shows_the_migration_as_a_row(product_file: Path) -> None:
    product = load_product(product_file)
    plan = plan_product(product, product_file.parent)
    (proof,) = prove_migrations(product, product_file.parent, plan)
    assert proof.procedure == f"{product.update.procedure}, calibration 3 to 4"
    assert (proof.migrates, proof.steady.holds, proof.steady.closed) == ("calibration", True, True)
    assert Claim.DATA.value in proof.claims
    assert [verdict.holds for _, verdict in proof.harder] == [True, True]
    arguments = [str(product_file), "--quick", "--procedure", product.update.procedure]
    shown = run(*arguments)
    assert shown.return_value == 0, shown.output
    assert f"{product.update.procedure}, calibration 3 to 4" in shown.output
    data = json.loads(run(*arguments, "--json").stdout)
    assert [entry["procedure"] for entry in data["proofs"]][-1] == proof.procedure


@pytest.mark.slow
def test_a_migration_that_fails_is_a_finding(product_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import rootwright.pipeline

    broken = next(each for each in BROKEN_MIGRATIONS if each.name == "no-way-back")
    monkeypatch.setattr(rootwright.pipeline, "migrating", lambda make: lambda ground: broken.make(make(ground), ground))
    shown = run(str(product_file), "--quick", "--procedure", "exchange-rotating")
    assert shown.return_value == 1, shown.output
    assert "a version is given data that are not in its form" in shown.output
    assert "whichever version runs finds data in its form" in shown.output


def test_a_product_without_migration_has_no_such_row(repository: Path) -> None:
    folder = repository / "demo" / "river-gauge"
    product = load_product(folder / "product.toml")
    assert prove_migrations(product, folder, plan_product(product, folder)) == ()
