"""`rootwright prove` as a user meets it: options, exit codes, JSON, and protections that a verdict hangs on."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import bincopy
import pytest

from rootwright.cli import main

QUICK = ("--quick", "--procedure", "exchange-rotating")
CLAIM_OF = {
    "boot": "no unapproved code runs",
    "floor": "no version below the floor runs",
    "journal": "an uncut boot reaches an authentic image",
    "stage:application": "an uncut boot reaches an authentic image",
    "stage:radio": "an uncut boot reaches an authentic image",
    "run:application": "an uncut boot reaches an authentic image",
}


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["prove", *(str(argument) for argument in arguments)])
    told = capsys.readouterr()
    assert isinstance(left.value.code, int)
    assert "Traceback" not in told.err
    return left.value.code, told.out, told.err


def proofs(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, list[dict[str, Any]]]:
    code, out, _ = run(capsys, *arguments, "--json")
    return code, json.loads(out)["proofs"]


@pytest.fixture
def demo(repository: Path, tmp_path: Path) -> Path:
    """A copy of the demo product that a test may change."""
    shutil.copytree(repository / "demo" / "river-gauge", tmp_path / "demo", ignore=shutil.ignore_patterns("keys"))
    return tmp_path / "demo" / "product.toml"


@pytest.fixture
def flawed(repository: Path) -> Path:
    return repository / "demo" / "river-gauge-flawed" / "product.toml"


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert text.count(old) == 1
    file.write_text(text.replace(old, new), encoding="utf-8")


# Verdicts


@pytest.mark.slow
def test_the_demo_product_holds(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    code, out, err = run(capsys, demo, *QUICK)
    assert code == 0
    assert re.search(r"^ {2}exchange-rotating\* +holds, closed +[\d,]+ +\d+$", out, re.MULTILINE)
    assert "next:" not in out
    assert "actors: power, updates, bad images, exploited application" in out
    assert "not about your boot code" in out
    assert err.startswith("time: exchange-rotating ")


@pytest.mark.slow
@pytest.mark.parametrize("block", list(CLAIM_OF))
def test_each_write_protection_of_the_demo_holds_up_a_verdict(
    capsys: pytest.CaptureFixture[str], demo: Path, block: str
) -> None:
    """With one block less under write protection a claim fails, and the next step names just that block."""
    change(demo, f'"{block}", ', "")
    code, (proof,) = proofs(capsys, demo, *QUICK)
    assert (code, proof["verdict"], proof["closed"]) == (1, "fails", False)
    assert proof["counterexample"]["claim"] == CLAIM_OF[block]
    assert proof["counterexample"]["cuts"] == 0
    assert proof["remedy"] == {"helps": True, "write_protect_also": [block]}


@pytest.mark.slow
def test_a_failure_is_told_as_a_story_with_a_next_step(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    change(demo, '"boot", ', "")
    code, out, _ = run(capsys, demo, *QUICK)
    assert code == 1
    assert "exchange-rotating, steady level: fails with 0 power cuts\n   1. power-up\n" in out
    assert "the exploited application writes foreign content into boot" in out
    assert "Broken claim: no unapproved code runs.\n" in out
    assert "      logs at that moment: journal: " in out
    assert "      next: add to lock.write_protect: boot. At this level the claims then hold.\n" in out


@pytest.mark.slow
def test_what_the_next_step_names_makes_the_flawed_product_hold(
    capsys: pytest.CaptureFixture[str], flawed: Path, tmp_path: Path
) -> None:
    arguments = ("--quick", "--procedure", "copy-over")
    code, (proof,) = proofs(capsys, flawed, *arguments)
    assert code == 1
    named = proof["remedy"]["write_protect_also"]
    assert proof["remedy"]["helps"]
    shutil.copytree(flawed.parent.parent / "river-gauge", tmp_path / "river-gauge")
    mended = tmp_path / "mended" / "product.toml"
    mended.parent.mkdir()
    shutil.copy(flawed, mended)
    change(mended, "write_protect = []", f"write_protect = {json.dumps(named)}")
    code, (proof,) = proofs(capsys, mended, *arguments)
    assert (code, proof["verdict"], proof["closed"], proof["remedy"]) == (0, "holds", True, None)


@pytest.mark.slow
def test_a_part_that_can_close_nothing_is_told(
    capsys: pytest.CaptureFixture[str], flawed: Path, tmp_path: Path
) -> None:
    shutil.copytree(flawed.parent.parent / "river-gauge", tmp_path / "river-gauge")
    bare = tmp_path / "bare" / "product.toml"
    bare.parent.mkdir()
    shutil.copy(flawed, bare)
    part = tmp_path / "river-gauge" / "gx-512.toml"
    text = part.read_text(encoding="utf-8")
    for lock in ("until reset", "permanent"):
        text, count = re.subn(rf'(kind = "write protection"[^\[]*\[[^\[]*lock = )"{lock}"', r'\1"none"', text)
        assert count
    part.write_text(re.sub(r"(?ms)^\[\[lock_field\]\].*?(?=^\[|\Z)", "", text), encoding="utf-8")
    code, out, _ = run(capsys, bare, "--quick", "--procedure", "in-place")
    assert code == 1
    assert "      next: no write protection of this part helps: choose another procedure, or another part.\n" in out


# Options


@pytest.mark.slow
def test_json_has_the_agreed_fields(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    code, (in_place, copy_over) = proofs(capsys, demo, "--procedure", "in-place", "--procedure", "copy-over")
    assert code == 0
    assert [in_place["procedure"], copy_over["procedure"]] == ["in-place", "copy-over"]
    for proof in (in_place, copy_over):
        assert {
            "procedure", "verdict", "level", "closed", "states", "counterexample", "harder", "not_claimed"
        } <= set(proof)  # fmt: skip
        assert proof["verdict"] == "holds"
        assert proof["counterexample"] is None
        assert {"3 cells", "restless cells"} == set(proof["harder"])
        for beside in proof["harder"].values():
            assert {"verdict", "level", "closed", "states", "counterexample"} <= set(beside)
    assert "a failed trial returns to the version before" in " ".join(copy_over["not_claimed"])


@pytest.mark.slow
def test_quick_leaves_the_harder_levels_out(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    _, (proof,) = proofs(capsys, demo, "--quick", "--procedure", "in-place")
    assert proof["harder"] == {}
    _, out, _ = run(capsys, demo, "--procedure", "in-place")
    assert "3 cells" in out
    assert "restless cells" in out


@pytest.mark.slow
def test_svg_draws_each_failure(capsys: pytest.CaptureFixture[str], flawed: Path, tmp_path: Path) -> None:
    code, _, _ = run(capsys, flawed, "--quick", "--procedure", "copy-over", "--svg", tmp_path / "a" / "b")
    assert code == 1
    (picture,) = (tmp_path / "a" / "b").iterdir()
    assert picture.name == "copy-over-steady.svg"
    assert ElementTree.parse(picture).getroot().tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.slow
def test_export_state_writes_the_product_s_real_bytes(
    capsys: pytest.CaptureFixture[str], demo: Path, tmp_path: Path
) -> None:
    """Read again by a HEX reader of others: the current application lies where it is linked to run."""
    change(demo, '"journal", ', "")
    assert run(capsys, demo, *QUICK, "--export-state", tmp_path / "out")[0] == 1
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "exchange-rotating-steady.hex",
        "exchange-rotating-steady.txt",
    }
    flash = bincopy.BinFile()
    flash.add_ihex_file(str(tmp_path / "out" / "exchange-rotating-steady.hex"))
    text = (tmp_path / "out" / "exchange-rotating-steady.txt").read_text(encoding="utf-8")
    assert "Do this on equipment that you own" in text
    application = bincopy.BinFile()
    application.add_elf_file(str(demo.parent / "firmware" / "built" / "application-1.4.0-first.elf"))
    assert application.minimum_address == 0x18000
    end = application.maximum_address
    assert bytes(flash[0x18000:end]) == bytes(application[0x18000:end])
    assert set(flash[0x47000:0x48000]) == {0x5A}  # a forged move copied this from staging
    assert "foreign content is written as bytes 0x5a" in text
    calibration = bincopy.BinFile(str(demo.parent / "firmware" / "built" / "calibration.hex"))
    start = calibration.minimum_address
    assert bytes(flash[start : calibration.maximum_address]) == bytes(calibration[start : calibration.maximum_address])


def test_nothing_is_written_where_all_holds(capsys: pytest.CaptureFixture[str], demo: Path, tmp_path: Path) -> None:
    arguments = ("--quick", "--procedure", "in-place", "--svg", tmp_path / "svg", "--export-state", tmp_path / "hex")
    assert run(capsys, demo, *arguments)[0] == 0
    assert [path for name in ("svg", "hex") for path in (tmp_path / name).glob("*")] == []


# Exit codes


@pytest.mark.parametrize("name", ["no-such", "bank-flip"])
def test_a_procedure_that_does_not_fit_is_bad_input(capsys: pytest.CaptureFixture[str], demo: Path, name: str) -> None:
    code, out, err = run(capsys, demo, "--procedure", name)
    assert code == 2
    assert not out
    assert f"the procedure '{name}' is unknown or does not fit" in err
    assert "exchange-rotating" in err


@pytest.mark.parametrize("arguments", [(), ("/no/such/product.toml",), ("--bounded",)])
def test_wrong_calls_are_bad_input(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    code, out, err = run(capsys, *arguments)
    assert code == 2
    assert not out
    assert err


def test_a_product_without_a_map_is_a_finding(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    change(demo, 'procedure = "exchange-rotating"', 'procedure = "bank-flip"')
    code, out, _ = run(capsys, demo, "--quick", "--procedure", "in-place")
    assert code == 0  # what was asked for holds
    assert "the product's own procedure bank-flip has no map" in out


@pytest.mark.slow
def test_the_own_procedure_decides_the_exit_code(capsys: pytest.CaptureFixture[str], demo: Path) -> None:
    """All that fit are looked at; the product's own has none, so that the whole is a finding."""
    change(demo, 'procedure = "exchange-rotating"', 'procedure = "bank-flip"')
    code, out, _ = run(capsys, demo, "--quick")
    assert code == 1
    assert out.count("holds, closed") >= 5


def test_a_fault_in_one_s_own_procedure_names_its_line(
    capsys: pytest.CaptureFixture[str], repository: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "own-procedure"
    shutil.copytree(repository / "demo" / "own-procedure", folder)
    source = (folder / "two_slots.py").read_text(encoding="utf-8")
    lines = source.splitlines()
    number = next(n for n, line in enumerate(lines, 1) if "def decide" in line) + 2
    lines.insert(number - 1, "        slot = int(word)")
    (folder / "two_slots.py").write_text("\n".join(lines), encoding="utf-8")
    code, out, err = run(capsys, folder / "product.toml", "--procedure", "two_slots:TwoSlots")
    assert code == 2
    assert not out
    assert f"two_slots.py, line {number}" in err
    assert "ValueError" in err


def new_product(folder: Path, part: str) -> Path:
    with pytest.raises(SystemExit):
        main(["new", str(folder), "--chip", part])
    return folder / "product.toml"


def test_a_lock_that_outlives_a_reset_does_not_close_what_the_boot_stage_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = new_product(tmp_path, "two-banks-settings-area")
    capsys.readouterr()
    code, text, _ = run(capsys, "--quick", "--procedure", "in-place", path)
    assert code == 1
    assert "no lock of this part closes, though write_protect names it: floor (in-place)" in text
    assert "write-protected while an application runs: boot, keys\n" in text


def test_what_a_secure_side_holds_is_closed_to_the_application(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = new_product(tmp_path, "secure-split")
    capsys.readouterr()
    proof = json.loads(run(capsys, "--quick", "--procedure", "in-place", path, "--json")[1])["proofs"][0]
    assert {"boot", "floor", "journal"} <= set(proof["write_protected"])
    assert proof["left_open"] == []


def test_every_key_of_the_json_form_is_in_the_manual(capsys: pytest.CaptureFixture[str], repository: Path) -> None:
    flawed = repository / "demo" / "river-gauge-flawed" / "product.toml"
    data = json.loads(run(capsys, flawed, "--procedure", "copy-over", "--json")[1])
    sound = repository / "demo" / "own-procedure" / "product.toml"
    proof = json.loads(run(capsys, sound, "--json")[1])["proofs"][0]
    keys = {"proofs", *data["proofs"][0], *data["proofs"][0]["counterexample"], *data["proofs"][0]["remedy"]}
    keys |= set(data["proofs"][0]["counterexample"]["story"][0]) | set(next(iter(proof["harder"].values())))
    page = (repository / "docs" / "prove.md").read_text(encoding="utf-8")
    section = page[page.index("## For a machine") :]
    assert keys == set(re.findall(r"`\{?\"?([a-z_]+)", section)) - {"holds", "fails"}
