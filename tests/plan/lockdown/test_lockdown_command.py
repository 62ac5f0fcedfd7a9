"""`rootwright lockdown` on the demo product: what it prints, its exit codes, its picture, and its readback."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from products import PARTS, locked, starter

from rootwright.cli import main
from rootwright.plan.lockdown.state_picture import draw_states

pytestmark = pytest.mark.slow
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(["lockdown", *map(str, arguments)])
        printed = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, printed.out, printed.err

    return call


@pytest.fixture
def demo(repository: Path, tmp_path: Path) -> Path:
    shutil.copytree(repository / "demo" / "river-gauge", tmp_path / "demo", ignore=shutil.ignore_patterns("*.c", "*.h"))
    return tmp_path / "demo" / "product.toml"


def test_the_demo_can_be_locked(run: Run, demo: Path) -> None:
    code, text, _ = run(demo)
    assert code == 0
    assert max(map(len, text.splitlines())) <= 120
    # 4 KiB sectors: boot, journal, floor and keys are sectors 0 to 12; the gap to 15 is requests and calibration.
    assert "lock-0 = 0xFF0F1FFF" in text
    # A 0 protects: boot stage, sectors 0 to 7.
    assert "policy-0 = 0xFFFFFFFFFFFFFF00" in text
    assert "!!! IRREVERSIBLE." in text
    assert text.index("set-sector-lock-for-ever") < text.index("close-debug-lock") < text.index("try-what-must-fail")
    assert run("plan", demo)[1] == text


def test_json_is_the_same_plan(run: Run, demo: Path) -> None:
    code, text, _ = run(demo, "--json")
    data = json.loads(text)
    assert code == 0
    assert data["isolation"] == "write protection only"
    assert {a["id"]: a["met"] for a in data["aims"]}["root-fixed"] == "met"


def test_a_wrong_order_is_refused(run: Run, demo: Path) -> None:
    order = "load-images load-records close-debug-lock rehearse set-sector-lock-for-ever compare-settings "
    order += "try-what-must-fail"
    words = json.dumps(order.split())
    demo.write_text(demo.read_text().replace("[lock]\n", f"[lock]\norder = {words}\n"))
    code, text, _ = run(demo)
    assert code == 1
    assert "lockdown.order: REFUSED: rehearse needs the debug port, which close-debug-lock has closed" in text.replace(
        "\n  ", " "
    )
    demo.write_text(demo.read_text().replace('"rehearse", ', ""))
    code, _, error = run(demo)
    assert code == 2
    assert "it leaves out rehearse" in error


def test_sheet_and_check(run: Run, demo: Path, tmp_path: Path) -> None:
    code, text, _ = run("capture", demo, "--state", "production")
    assert code == 0
    assert re.search(r"port-word +0x1FFF0010 +32 +stored +production +boot stage\n", text)
    arguments = ("--state", "production", "--observer", "boot stage", "--unit", "0x417", "--json")
    code, text, _ = run("capture", demo, *arguments)
    sheet = json.loads(text)
    assert code == 0
    dump = tmp_path / "dump.json"
    dump.write_text(text)
    assert run("check", demo, dump)[0] == 2  # nothing is filled in
    values = {f["name"]: f["value"] for f in json.loads(run(demo, "--json")[1])["readback"]}
    for word in sheet["words"]:
        word["value"] = sum(values[name] for name in word["fields"]) or (
            0x417 if "unit-number" in word["fields"] else 0
        )
    dump.write_text(json.dumps(sheet))
    code, text, _ = run("check", demo, dump)
    assert (code, text.splitlines()[-1]) == (0, "no difference")
    assert "not shown to be effective" in text
    sheet["words"][0]["value"] ^= 1
    dump.write_text(json.dumps(sheet))
    code, text, _ = run("check", demo, dump)
    assert (code, text.splitlines()[-1]) == (1, "differs from the plan")
    assert max(map(len, text.splitlines())) <= 120
    assert run("check", demo, dump, "--unit", "0x5")[0] == 2
    outcomes = tmp_path / "outcomes.json"
    outcomes.write_text('{"unit": "0x417", "outcomes": {"attach": "worked"}}')
    code, text, _ = run("check", demo, dump, "--outcomes", outcomes, "--json")
    assert code == 1
    assert "debug-closed" in json.loads(text)["fallen"]


def test_a_raw_dump_of_one_memory(run: Run, demo: Path, tmp_path: Path) -> None:
    # policy-0, policy-1 and port-word as the demo's plan has them: sectors 0 to 7 closed for ever, the port closed.
    words = bytes.fromhex("00ffffffffffffff ffffffffffffffff a5965a3c") + b"\xff" * 492
    dump = tmp_path / "policy.bin"
    given = ("--unit", "0x417", "--silicon", "B", "--state", "production", "--observer", "boot stage")
    dump.write_bytes(words)
    code, text, _ = run("check", demo, dump, "--memory", "policy-words", *given)
    assert (code, text.splitlines()[-1]) == (0, "no difference")
    assert "bound to the unit by the operator's word" in text
    assert len(re.findall(r"^  same ", text, flags=re.MULTILINE)) == 3
    assert "not visible here  lock-0 (loaded)" in text
    for size, told in ((18, "short"), (0, "empty")):
        dump.write_bytes(words[:size])
        code, _, error = run("check", demo, dump, "--memory", "policy-words", *given)
        assert code == 2
        assert told in error
    dump.write_bytes(b"\xff" * 512)  # a blank part reads so, and so does a port that nobody answers
    code, _, error = run("check", demo, dump, "--memory", "policy-words", *given)
    assert code == 2
    assert "every word reads all ones" in error
    assert run("check", demo, dump, "--memory", "attic", *given)[0] == 2


def test_a_dump_that_compares_nothing_is_refused(run: Run, demo: Path, tmp_path: Path) -> None:
    dump = tmp_path / "empty.json"
    dump.write_text('{"unit": "0x1", "silicon": "B", "state": "production", "observer": "debug probe", "words": []}')
    code, _, error = run("check", demo, dump)
    assert code == 2
    assert "no field can be compared" in error
    outcomes = tmp_path / "outcomes.json"
    outcomes.write_text('{"unit": "0x1", "outcomes": {"attach": "refused"}}')
    assert run("check", demo, dump, "--outcomes", outcomes)[0] == 1  # the other attempts were not made


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("capture", "{}", "--json"), "give --state and --observer"),
        (("check", "{}", "missing.json"), "missing.json"),
        (("check", "{}", "{}", "--base", "somewhere"), "is no address"),
        (("nothing.toml",), "nothing.toml"),
        (("{}", "--procedure", "bank-flip"), "there is nothing to lock"),
    ],
)
def test_bad_input_is_told_without_a_traceback(run: Run, demo: Path, arguments: tuple[str, ...], text: str) -> None:
    code, _, error = run(*[str(demo) if a == "{}" else a for a in arguments])
    assert code == 2
    assert text in error.replace("\n│ ", "")
    assert "Traceback" not in error


def test_the_flawed_product_is_locked_with_findings_of_its_own(run: Run, repository: Path) -> None:
    code, text, _ = run(repository / "demo" / "river-gauge-flawed" / "product.toml")
    assert code in (0, 1)
    assert re.search(r"not met +way-back-kept", text)
    assert re.search(r"not met +root-fixed", text)


@pytest.mark.parametrize("part", PARTS)
def test_the_picture_says_all_in_words_and_stays_on_its_paper(part: str) -> None:
    plan = locked(starter(part))
    picture = draw_states(plan)
    assert picture == draw_states(plan)
    root = ET.fromstring(picture)
    space = "{http://www.w3.org/2000/svg}"
    told = root.findtext(f"{space}desc") or ""
    for transition in plan.transitions:
        assert f"{transition.origin.value} to {transition.target.value} by {transition.by}" in told
    for state in plan.states:
        for thing in (*state.allows, *state.denies):
            assert thing in told
    for text in root.iter(f"{space}text"):
        assert float(text.get("y", "0")) < 690
        # 13 px text of a plain face is at most 0.62 of its size wide; a bold name 0.68.
        width = len("".join(text.itertext()).strip()) * (7.2 if "small" in (text.get("class") or "") else 9.6)
        left = float(text.get("x", "0")) - (width / 2 if text.get("text-anchor") == "middle" else 0)
        assert left >= 0
        assert left + width <= 960
    shut = [r for r in root.iter(f"{space}rect") if r.get("class") == "shut"]
    assert len(shut) == sum(not state.reachable for state in plan.states)


def test_every_conflict_and_aim_is_in_the_manual(repository: Path) -> None:
    source = "\n".join(p.read_text() for p in (repository / "src/rootwright/plan/lockdown").glob("*.py"))
    manual = (repository / "docs/lockdown.md").read_text()
    rules = set(re.findall(r'"(lockdown\.[a-z-]+)"', source)) | {"lockdown.order"}
    assert len(rules) > 8
    assert [rule for rule in sorted(rules) if f"`{rule}`" not in manual] == []
    for aim in locked(starter("secure-split")).aims:
        assert f"`{aim.id}`" in manual
    for option in (
        "--json",
        "--svg",
        "--procedure",
        "--unit",
        "--silicon",
        "--state",
        "--observer",
        "--memory",
        "--base",
        "--outcomes",
    ):
        assert option in manual


def test_a_wish_on_the_map_is_tried_before_it_is_recommended(run: Run, tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        main(["new", str(tmp_path / "p"), "--chip", "gated-code-area"])
    file = tmp_path / "p" / "product.toml"
    # Without keys under write protection the plan has no reason to put them beside the boot stage.
    text = file.read_text().replace('write_protect = ["boot", "keys", "floor"]', 'write_protect = ["boot"]')
    file.write_text(text)
    printed = run(file)[1]
    assert "isolation rests on: write protection only" in printed
    assert "isolation then rests on: closed-until-reset or gated code area" in printed
    found = re.search(r'\[\[pin\]\] block = "keys", at = (0x[0-9A-F]+)', printed)
    assert found, printed
    pin = f'\n[[pin]]\nblock = "keys"\nat = {found[1]}\n'
    file.write_text(text + pin)
    assert "isolation rests on: closed-until-reset or gated code area" in run(file)[1]
    file.write_text(text + pin.replace('"keys"', '"journal"'))
    printed = run(file)[1]
    assert "the map cannot give way" in printed
    file.write_text(text + '\n[[pin]]\nblock = "keys"\nat = 0x0802_0000\n')
    assert "the map cannot give way: pinned blocks stand in the way" in run(file)[1]


def test_a_picture_with_more_than_fits_says_so() -> None:
    plan = locked(starter("locks-until-reset"))
    states = tuple(replace(state, denies=tuple(f"thing {n}" for n in range(20))) for state in plan.states)
    picture = draw_states(replace(plan, states=states))
    assert picture.count("the plan has it whole") == 4
    assert "thing 19" in (ET.fromstring(picture).findtext("{http://www.w3.org/2000/svg}desc") or "")
    assert "the plan has it whole" not in draw_states(plan)
