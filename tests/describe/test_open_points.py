"""TODO comment lines of chip and product files: found with their lines, in both files, and never in a value."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rootwright.cli import main
from rootwright.describe.loading import profile_text
from rootwright.describe.open_points import find_open_points, open_points_of

TEXT = """\
# TODO first: the name
name = "# TODO not this"  # TODO nor this, which stands behind a value
  #TODO second
# TODOS are no mark, and neither is todo
# A line about TODO
"""


def test_only_whole_comment_lines_count() -> None:
    assert [(p.line, p.text) for p in find_open_points(TEXT, name="p")] == [(1, "first: the name"), (3, "second")]
    assert find_open_points(TEXT.replace("\n", "\r\n"), name="p")[1].line == 3
    assert find_open_points("", name="p") == ()


def test_the_part_s_file_is_looked_at_as_well(tmp_path: Path) -> None:
    (tmp_path / "part.toml").write_text("\ufeff# TODO the part\n" + profile_text("rv32-pmp"), encoding="utf-8")
    (tmp_path / "product.toml").write_text('# TODO the product\n[product]\nchip = "part.toml"\n')
    assert [(Path(p.file).name, p.line, p.text) for p in open_points_of(tmp_path / "product.toml")] == [
        ("product.toml", 1, "the product"),
        ("part.toml", 1, "the part"),
    ]
    (tmp_path / "product.toml").write_text('[product]\nchip = "rv32-pmp"\n')
    assert open_points_of(tmp_path / "product.toml") == ()


def test_check_lists_them_and_leaves_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "part.toml"
    path.write_text(profile_text("secure-split"), encoding="utf-8")

    def check(*more: str) -> tuple[object, str]:
        with pytest.raises(SystemExit) as left:
            main(["check", str(path), *more])
        return left.value.code, capsys.readouterr().out

    assert check()[0] == 0
    path.write_text("# TODO data sheet: the clock\n" + profile_text("secure-split"), encoding="utf-8")
    code, printed = check()
    assert code == 1
    assert f"to fill in: {path}:1: data sheet: the clock" in printed
    assert printed.endswith("1 point to fill in\n")
    code, printed = check("--json")
    assert code == 1
    assert json.loads(printed)["open_points"] == [{"file": str(path), "line": 1, "text": "data sheet: the clock"}]
