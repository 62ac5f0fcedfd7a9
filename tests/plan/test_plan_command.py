"""`rootwright plan` on the demo product: what it prints, its exit codes, its files."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from click.testing import CliRunner

from rootwright.cli.plan import command, size_text
from rootwright.describe.loading import load_product
from rootwright.describe.overrides import read_override
from rootwright.describe.product import Pin
from rootwright.device.procedures import demands
from rootwright.errors import PlanError
from rootwright.layout.map import Map
from rootwright.pipeline import plan_product
from rootwright.plan.check import RULES, check_map
from rootwright.plan.search import find_map


@pytest.fixture
def demo(repository, tmp_path):
    """A copy of the demo product's folder that a test may change."""
    shutil.copytree(repository / "demo" / "river-gauge", tmp_path / "demo", ignore=shutil.ignore_patterns("*.c", "*.h"))
    return tmp_path / "demo" / "product.toml"


def run(*arguments):
    # standalone_mode off: the command returns its exit code, and errors come through as they are.
    result = CliRunner().invoke(command, [str(a) for a in arguments], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


@pytest.mark.slow
def test_the_demo_fits_and_the_report_fits_the_terminal(demo):
    status, text = run(demo)
    assert status == 0
    assert max(map(len, text.splitlines())) <= 120
    assert "0x00018000  0x00037FFF  128 KiB" in text  # pinned in the product file, linked so in the ELF file
    assert text.rstrip().endswith("nothing breaks a limit")


@pytest.mark.slow
def test_json_tells_the_same_as_the_python_api(demo):
    status, text = run(demo, "--json", "--procedure", "copy-over")
    result = plan_product(load_product(demo), demo.parent, procedure="copy-over")
    assert status == 0
    assert json.loads(text) == json.loads(json.dumps(result.as_data()))
    assert json.loads(text)["chosen"] == "copy-over"


@pytest.mark.slow
def test_every_key_of_the_json_form_is_in_the_manual(demo, repository):
    def keys_of(data, path=()):
        if isinstance(data, dict):
            for key, value in data.items():
                if path != ("image_sizes",):  # its keys are the product's own images
                    yield key
                yield from keys_of(value, (key,))
        elif isinstance(data, list):
            for value in data:
                yield from keys_of(value, path)

    page = (repository / "docs" / "plan.md").read_text(encoding="utf-8")
    section = page[page.index("## For a machine") : page.index("## From Python")]
    changes = ("--set", "update.procedure=bank-flip", "--set", "fleet.updates_per_year=4")
    planned = json.loads(run(demo, *changes, "--json")[1])
    judged = json.loads(run(demo, "--check", "--set", "pin.journal.at=3", "--json")[1])
    assert planned["version"] == judged["version"] == 1
    assert planned["findings"]  # which the demo as it is has not
    assert planned["difference"]["new"]
    assert judged["violations"]
    assert {*keys_of(planned), *keys_of(judged)} == set(re.findall(r"`([a-z_0-9]+)`", section))


def test_every_rule_is_in_the_manual(repository):
    page = (repository / "docs" / "plan.md").read_text(encoding="utf-8")
    source = repository / "src" / "rootwright"
    files = [*(source / "plan").glob("*.py"), source / "pipeline.py"]
    findings = {name for file in files for name in re.findall(r'"(plan\.[a-z-]+)"', file.read_text(encoding="utf-8"))}
    assert len(findings) >= 9
    assert findings == set(re.findall(r"^\| `(plan\.[a-z-]+)` \|", page, flags=re.MULTILINE))
    assert list(RULES) == re.findall(r"^\| `(map\.[a-z-]+)` \|", page, flags=re.MULTILINE)


@pytest.mark.slow
def test_the_picture_is_written(demo, tmp_path):
    run(demo, "--svg", tmp_path / "map.svg")
    assert ET.parse(tmp_path / "map.svg").getroot().tag.endswith("svg")


@pytest.mark.slow
def test_a_procedure_without_a_map_is_a_finding_and_draws_nothing(demo, tmp_path):
    status, text = run(demo, "--procedure", "bank-flip", "--svg", tmp_path / "map.svg")
    assert status == 1
    assert "finding: plan.fit" in text
    assert not (tmp_path / "map.svg").exists()


@pytest.mark.slow
def test_a_slot_elsewhere_than_its_file_is_linked_is_a_finding(demo):
    text = demo.read_text()
    demo.write_text(
        text.replace('block = "run:radio"\nat = 0x0003_8000', 'block = "run:radio"\nat = 0x0007_0000').replace(
            'block = "stage:radio"\nat = 0x0006_8000', 'block = "stage:radio"\nat = 0x0003_8000'
        )
    )
    status, report = run(demo)
    assert status == 1
    assert "plan.link" in report
    assert "pin run:radio at 0x38000" in report


@pytest.mark.slow
def test_an_impatient_watchdog_is_a_finding(demo):
    demo.write_text(demo.read_text().replace('watchdog = "8 s"', 'watchdog = "20 ms"'))
    status, report = run(demo)
    assert status == 1
    assert "plan.watchdog" in report


def test_an_unknown_procedure_is_bad_input(demo):
    with pytest.raises(PlanError, match="no update procedure 'sideways'"):
        run(demo, "--procedure", "sideways")


def test_sizes_are_exact():
    assert [size_text(n) for n in (0, 1000, 2048, 1 << 20, -512)] == ["0 B", "1000 B", "2 KiB", "1 MiB", "-512 B"]


@pytest.mark.slow
@pytest.mark.parametrize("chip", ["gx-512.toml", "two-banks-settings-area"])
def test_every_block_of_every_procedure_can_be_pinned(demo, chip):
    """By address, by size, or by both, to where the plan put it: the map has the block there, and keeps the rules."""
    sets = ("pin=[]", f"chip={chip}", 'lock.write_protect=["boot", "keys"]')
    product = load_product(demo, overrides=[read_override(text) for text in sets])
    pinned = set()
    planned = plan_product(product, demo.parent)
    sizes = dict(planned.image_sizes)
    for plan in planned.plans:
        if plan.map is None:
            continue
        for region in plan.map.regions:
            for pin in (
                Pin(region.block, at=region.address),
                Pin(region.block, size=region.size),
                Pin(region.block, at=region.address, size=region.size),
            ):
                changed = replace(product, pins=(pin,))
                wanted = next(d for d in demands(changed, sizes) if d.traits.name == plan.row.procedure)
                found = find_map(wanted, product.chip, grow=False)
                assert isinstance(found, Map), (plan.row.procedure, pin)
                assert check_map(found, wanted, product.chip) == ()
                assert pin.at in (None, found.region(region.block).address)
                assert pin.size in (None, found.region(region.block).size)
                pinned.add(region.block.split(":")[0])
    assert pinned >= {
        "boot",
        "recovery",
        "journal",
        "requests",
        "floor",
        "keys",
        "lift",
        "run",
        "stage",
        "second",
        "keep",
    }


def test_a_pin_of_an_unknown_block_lists_what_the_procedure_has(repository):
    file = repository / "demo" / "own-procedure" / "product.toml"
    product = load_product(file, overrides=[read_override("pin.fridge.size=4 KiB")])
    result = plan_product(product, file.parent)
    (note,) = [finding for finding in result.findings if finding.rule == "plan.pin"]
    assert note.note
    assert note.found == "a pin names 'fridge', which no procedure has"
    blocks = ", ".join(sorted(block.name for block in result.plan.demand.blocks))
    assert note.next_step == f"take the pin out; {product.update.procedure} has: {blocks}"
