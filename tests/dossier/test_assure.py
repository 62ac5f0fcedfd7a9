"""`rootwright assure` from end to end: both demo products, exit codes, the same bytes again, earlier results kept."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from rootwright.cli import main
from rootwright.dossier.page import make_page
from rootwright.errors import ImageError
from rootwright.pipeline_assure import assure_product

PAGE = "dossier.html"


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["assure", *arguments])
    assert isinstance(left.value.code, int)
    return left.value.code


@pytest.fixture
def demo(repository: Path, tmp_path: Path) -> Path:
    """A copy of the demo, which may be altered."""
    ignored = shutil.ignore_patterns("keys", "__pycache__", "*.c", "*.h")
    shutil.copytree(repository / "demo", tmp_path / "demo", ignore=ignored)
    return tmp_path / "demo"


@pytest.fixture
def own(demo: Path) -> Path:
    """The product file that is explored quickly."""
    return demo / "own-procedure" / "product.toml"


def without_tags(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page.partition("<body>")[2]))


@pytest.mark.slow
def test_the_demo_product(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert run(str(demo / "river-gauge" / "product.toml"), "--out", str(out), "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["falls_short"] is False
    assert data["findings"] == []
    assert {row["outcome"] for row in data["verdicts"]} == {"holds", "holds within limits", "not tested"}
    assert sorted(p.name for p in out.iterdir()) == [PAGE, "measurements.json"]
    text = without_tags((out / PAGE).read_text(encoding="utf-8"))
    assert "Nothing fell short in what was tested" in text
    assert "How it fails" not in text
    for wanted in ("River-level gauge RL-2", "hardware revision C", "GX-512", "release-12.suit", "exchange-rotating"):
        assert wanted in text
    for threat in ("THREAT.IMG.EXPIRED", "THREAT.MFST.TOCTOU"):
        assert threat in text
    # The digests are those of the files, and every built file of the firmware is among them.
    listed = {file["name"]: file["sha256"] for file in data["files"]}
    for name, digest in listed.items():
        if (demo / "river-gauge" / name).is_file():
            assert hashlib.sha256((demo / "river-gauge" / name).read_bytes()).hexdigest() == digest
            assert digest in text
    built = {f"firmware/built/{path.name}" for path in (demo / "river-gauge" / "firmware" / "built").iterdir()}
    assert built | {"product.toml", "gx-512.toml", "release-12.suit"} <= set(listed)
    assert {row["procedure"] for row in data["proofs"]} >= {"exchange-rotating", "either-slot", "in-place"}
    seconds = json.loads((out / "measurements.json").read_text())["seconds"]
    assert {"check", "plan", "release", "prove exchange-rotating", "trials", "page"} <= set(seconds)
    assert str(tmp_path) not in (out / PAGE).read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_product_made_wrong_on_purpose(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert run(str(demo / "river-gauge-flawed" / "product.toml"), "--out", str(out)) == 1
    printed = capsys.readouterr().out
    text = without_tags((out / PAGE).read_text(encoding="utf-8"))
    assert "✗ FALLS SHORT" in text
    # What its file marks as WRONG and a machine can see.
    for rule in ("describe.need (lock.write_protect)", "describe.need (update.watchdog)", "plan.link", "prove.fails"):
        assert rule in printed
        assert rule in text
    assert "unapproved code runs as the boot stage" in text
    assert "How it fails" in text
    assert "no release: image &#39;radio&#39; is linked for" in text or "no release: image 'radio'" in text
    assert "✓ passed" not in text


@pytest.mark.slow
def test_the_same_files_give_the_same_page_anywhere(own: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "else where"
    shutil.copytree(own.parent, elsewhere)
    pages = []
    for number, product in enumerate((own, elsewhere / own.name)):
        assert run(str(product), "--out", str(tmp_path / str(number))) == 1
        pages.append((tmp_path / str(number) / PAGE).read_bytes())
    assert pages[0] == pages[1]


def test_bad_input_leaves_the_earlier_page(own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / PAGE).write_text("earlier")
    own.write_text(own.read_text().replace('"SG-1"', "1", 1))
    assert run(str(own), "--out", str(out)) == 2
    assert "model" in capsys.readouterr().err
    assert [(p.name, p.read_text()) for p in out.iterdir()] == [(PAGE, "earlier")]


def test_a_missing_product_file_is_bad_input(tmp_path: Path) -> None:
    assert run(str(tmp_path / "none.toml"), "--out", str(tmp_path / "out")) == 2
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_file_that_changes_meanwhile_is_refused(own: Path) -> None:
    def change(stage: str) -> None:
        if stage == "trials":
            own.write_text(own.read_text() + "\n# changed\n")

    with pytest.raises(ImageError, match="changed while it was tested"):
        assure_product(own, on_stage=change)


@pytest.mark.slow
def test_answers_and_hostile_names_come_from_the_product_file(own: Path) -> None:
    hostile = "<b onclick=x>&'"
    answers = '[[assumption]]\nid = "torn-erase"\nowner = "O<i>wner"\npage = "p. 81"\n[[assumption]]\nid = "other"\n'
    own.write_text(own.read_text().replace('name = "Sluice gate drive"', f'name = "{hostile}"') + "\n" + answers)
    evidence = assure_product(own)
    page = make_page(evidence)
    assert "<b onclick" not in page
    assert "&lt;b onclick=x&gt;" in page
    assert "O&lt;i&gt;wner" in page
    assert "assumption.unknown" in page


@pytest.mark.slow
def test_no_secret_is_in_the_evidence(demo: Path, tmp_path: Path) -> None:
    product = demo / "own-procedure" / "product.toml"
    keys = product.parent / "keys"
    evidence = assure_product(product)
    told: list[Any] = [file.name for file in evidence.files]
    assert not [name for name in told if "keys/" in name]
    assert not keys.exists()  # no release, so no demonstration key was made either


@pytest.mark.slow
def test_a_procedure_that_raises_is_named_with_its_line(own: Path, tmp_path: Path, capsys: Any) -> None:
    code = own.with_name("two_slots.py")
    text = code.read_text().replace(
        "        word, slot = port.log", '        {}["gone"]\n        word, slot = port.log', 1
    )
    code.write_text(text)
    line = text[: text.index('{}["gone"]')].count("\n") + 1
    assert run(str(own), "--out", str(tmp_path / "out")) == 2
    assert f"two_slots.py, line {line}: KeyError: 'gone'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_page_s_parts_are_in_the_wheel(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import zipfile

    from hatchling.build import build_wheel

    monkeypatch.chdir(repository)
    names = zipfile.ZipFile(tmp_path / build_wheel(str(tmp_path))).namelist()
    assert {"rootwright/dossier/page.html.jinja", "rootwright/dossier/page.css"} <= set(names)
