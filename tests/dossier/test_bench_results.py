"""What the bench printed becomes rows of the dossier, and only where it is about the product's own program."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from rootwright.cli import main
from rootwright.dossier.bench import Tried, bench_findings, read_bench_result
from rootwright.errors import FormatError

ABOUT = {"boot": "boot.elf", "boot_sha256": "00" * 32}
CUT = {"verdict": "no image left", "why": "", "place": "log.c:9 (append)", "path": []}
CUTS = {
    "kind": "cuts",
    **ABOUT,
    "cuts": [
        {"start": "install", "reach": "bounded at 1 cut", "states": 12, "holds": False, "findings": [CUT, CUT]},
        {"start": "boot", "reach": "closed", "states": 1200, "holds": True, "findings": []},
    ],
}
HOSTILE = {
    "kind": "hostile",
    **ABOUT,
    "run": "install",
    "holds": True,
    "offered": {"lengths": 1976, "mutations": 240},
    "edges": 174,
    "findings": [],
}
FAULTS = {
    "kind": "faults",
    **ABOUT,
    "mode": "hooked",
    "holds": False,
    "runs": [{"counts": [["skip", "no effect", 90], ["skip", "unapproved code ran", 2]], "fails": [], "why": ""}],
    "findings": [
        {
            "file": "boot.c",
            "line": 64,
            "function": "check",
            "hits": 2,
            "counts": [["skip", "unapproved code ran", 2]],
        }
    ],
}


def test_each_kind_is_read() -> None:
    cuts = read_bench_result(json.dumps(CUTS))
    assert (cuts.tried, cuts.holds) == (Tried.CUTS, False)
    assert cuts.words == "2 runs, 1,212 flash states; 1 place broke."
    assert cuts.level == "bounded at 1 cut; closed; runs: install, boot"
    assert cuts.findings == ("no image left: the cut that kills is at log.c:9 (append)",)
    hostile = read_bench_result(json.dumps(HOSTILE))
    assert (hostile.holds, hostile.words) == (True, "1,976 lengths, 240 mutations; nothing broke.")
    faults = read_bench_result(json.dumps(FAULTS))
    assert faults.words == "92 faults in 1 run; 1 place broke."
    assert faults.findings == ("unapproved code ran: boot.c:64 (check), 2 of the faults",)


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "other"},
        {"holds": 1},
        {"holds": True},  # beside a finding
        {"boot_sha256": "00"},
        {"boot_sha256": None},
        {"findings": None},
        {"runs": [{}]},
        {"mode": None, "runs": 7},
    ],
)
def test_anything_else_is_bad_input(change: dict[str, Any]) -> None:
    with pytest.raises(FormatError, match="not what `rootwright bench --json` prints"):
        read_bench_result(json.dumps({**FAULTS, **change}))


@pytest.mark.parametrize("text", ["", "[]", "7", "{}", "[" * 100_000, '{"kind": []}'])
def test_no_text_makes_it_fall_over(text: str) -> None:
    with pytest.raises(FormatError):
        read_bench_result(text)


def test_what_was_not_asked_is_left_open() -> None:
    runs = tuple(read_bench_result(json.dumps(data)) for data in (CUTS, HOSTILE))
    found = bench_findings(runs)
    assert [(f.rule, f.note) for f in found] == [("bench.breaks", False), ("boot-stage.not-tested", True)]
    assert found[1].found == "the boot stage's own code was not run: not under faults"
    assert [f.rule for f in bench_findings((*runs, read_bench_result(json.dumps(FAULTS))))] == ["bench.breaks"] * 2


@pytest.mark.slow
def test_a_result_about_the_product_s_program_stands_in_the_dossier_and_another_is_refused(
    repository: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(repository / "demo" / "river-gauge", tmp_path / "product")
    product = tmp_path / "product" / "product.toml"
    boot = tmp_path / "product" / "firmware" / "built" / "boot.elf"
    result = tmp_path / "cuts.json"
    result.write_text(json.dumps({**CUTS, "boot_sha256": hashlib.sha256(boot.read_bytes()).hexdigest()}))
    with pytest.raises(SystemExit) as left:
        main(["assure", str(product), "--out", str(tmp_path / "out"), "--bench", str(result)])
    assert left.value.code == 1
    assert "bench.breaks" in capsys.readouterr().out
    page = (tmp_path / "out" / "dossier.html").read_text(encoding="utf-8")
    assert "the cut that kills is at log.c:9 (append)" in page
    result.write_text(json.dumps(CUTS))
    with pytest.raises(SystemExit) as left:
        main(["assure", str(product), "--out", str(tmp_path / "out"), "--bench", str(result)])
    assert left.value.code == 2
    assert "another build of boot.elf" in capsys.readouterr().err
    assert (tmp_path / "out" / "dossier.html").read_text(encoding="utf-8") == page
