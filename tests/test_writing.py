"""Results appear whole or not at all, and earlier ones stay when anything goes wrong."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from rootwright.writing import write_whole


def test_files_appear_and_are_replaced(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    write_whole(folder, {"x": b"1", "y": b"2"})
    write_whole(folder, {"x": b"3"})
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == {"x": b"3", "y": b"2"}


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_full_disk_leaves_the_earlier_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    write_whole(tmp_path, {"x": b"old"})

    def fail(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match=r"No space.*[xy]'"):
        write_whole(tmp_path, {"x": b"new", "y": b"new"})
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"x": b"old"}


def test_a_file_in_the_folder_s_place_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"")
    with pytest.raises(OSError, match=r"exists|[Nn]ot a directory"):
        write_whole(tmp_path / "x", {"y": b""})
