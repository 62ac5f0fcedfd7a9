"""`rootwright plan` on the demo product: what it prints, its exit codes, its files."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET

import pytest
from click.testing import CliRunner

from rootwright.cli.plan import command, size_text
from rootwright.describe.loading import load_product
from rootwright.errors import PlanError
from rootwright.pipeline import plan_product
from rootwright.plan.check import RULES


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
