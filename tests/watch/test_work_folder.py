"""The work folder: the right result or none, whole or not at all, nothing that depends on what the key leaves out."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import pytest

from rootwright import work_folder
from rootwright.describe.product import Attacker
from rootwright.work_folder import WorkFolder, as_plain, digest_of, package_digest, stage_key, watched_reading


@dataclass(frozen=True)
class Point:
    x: int
    name: str = "p"


def test_what_is_kept_is_found_again(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path / "new" / "work")
    key = stage_key("plan", Point(1), {})
    assert work.find(key) is None
    work.keep(key, {"state": "fine", "lines": ["ü"]})
    assert work.find(key) == {"state": "fine", "lines": ["ü"]}
    assert not list(work.path.glob(".*"))  # nothing half-written stays


def test_every_part_of_the_key_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    def key(stage: str = "a", inputs: object = None, files: dict[str, str] | None = None) -> str:
        return stage_key(stage, inputs, files or {})

    keys = {key(), key("b"), key(inputs=Point(1)), key(inputs=Point(2)), key(files={"f": "1"}), key(files={"f": "2"})}
    assert len(keys) == 6
    assert key(inputs=Point(1)) == key(inputs=replace(Point(2), x=1))
    before = key()
    monkeypatch.setattr(work_folder, "package_digest", lambda: "another version")
    assert key() != before


def test_package_digest_covers_code_and_data() -> None:
    # Made apart from the module: any other content of any file that decides a result gives another digest.
    import hashlib

    root = Path(work_folder.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.is_file() and p.suffix in {".py", ".toml", ".css", ".jinja"}):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    assert package_digest.__wrapped__() == digest.hexdigest()  # not what was kept from the start of the run
    others = {p.suffix for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    assert others <= {".py", ".toml", ".css", ".jinja"}, "a new kind of file must count"


def test_plain_data_tells_values_of_different_kinds_apart() -> None:
    @dataclass(frozen=True)
    class Other:
        x: int
        name: str = "p"

    assert as_plain(Point(1)) != as_plain(Other(1))
    assert as_plain({Attacker.GLITCH: PurePosixPath("a/b")}) == {"glitch": "a/b"}
    assert as_plain(frozenset({"b", "a"})) == ["a", "b"]
    assert as_plain(b"\x01") == "01"
    with pytest.raises(TypeError):
        as_plain(object())


@pytest.mark.parametrize(
    "damage", [b"", b"{", b"[]", b"null", b'{"key": "other", "result": {}}', b'{"key": 3}', b"\xff\xfe"]
)
def test_damaged_entries_count_as_missing(damage: bytes, tmp_path: Path) -> None:
    work = WorkFolder(tmp_path)
    key = stage_key("plan", 1, {})
    work.keep(key, {"state": "fine"})
    (tmp_path / f"{key}.json").write_bytes(damage)
    assert work.find(key) is None
    work.keep(key, {"state": "again"})
    assert work.find(key) == {"state": "again"}


def test_an_entry_under_another_s_name_is_not_believed(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path)
    one, two = stage_key("plan", 1, {}), stage_key("plan", 2, {})
    work.keep(one, {"state": "fine"})
    os.rename(tmp_path / f"{one}.json", tmp_path / f"{two}.json")
    assert work.find(two) is None


def test_a_crash_while_keeping_leaves_the_old_entry(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work, key = WorkFolder(tmp_path), stage_key("plan", 1, {})
    work.keep(key, {"state": "old"})

    def full(self: Path, data: bytes) -> int:
        with open(self, "wb") as file:
            file.write(data[: len(data) // 2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    work.keep(key, {"state": "new"})
    assert work.find(key) == {"state": "old"}
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_cannot_be_written_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    work = WorkFolder(tmp_path / "file")
    work.keep("k", {"state": "fine"})
    assert work.find("k") is None


def keep_many(folder: str, number: int) -> None:
    work = WorkFolder(Path(folder))
    for _ in range(50):
        work.keep("shared", {"state": "fine", "text": str(number) * 20_000})


@pytest.mark.slow
def test_many_writers_never_leave_a_torn_entry(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=keep_many, args=(str(tmp_path), n)) for n in range(3)]
    for writer in writers:
        writer.start()
    work, seen = WorkFolder(tmp_path), 0
    while any(writer.is_alive() for writer in writers):
        path = tmp_path / "shared.json"
        if path.exists():
            seen += 1
            text = json.loads(path.read_bytes())["result"]["text"]
            assert text == text[0] * 20_000
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    assert seen
    assert work.find("shared") is not None


def test_what_was_not_used_for_long_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work_folder, "MOST_KEPT", 3)
    work = WorkFolder(tmp_path)
    for number, key in enumerate("abc"):
        work.keep(key, {"n": number})
        os.utime(tmp_path / f"{key}.json", ns=(number, number))
    assert work.find("a") is not None  # used, so it is the newest now
    work.keep("d", {"n": 3})
    assert [key for key in "abcd" if work.find(key) is not None] == ["a", "c", "d"]


def test_reading_and_starting_is_noted(tmp_path: Path) -> None:
    mine, other = tmp_path / "mine", tmp_path / "other"
    mine.write_text("x")
    other.write_text("y")
    with watched_reading() as reading:
        mine.read_text()
        (tmp_path / "written").write_text("z")
        import json as _  # noqa: F401
    assert reading.strangers([mine]) == []
    assert not reading.started
    with watched_reading() as reading:
        other.read_bytes()
        os.close(os.open(mine, os.O_RDONLY))
    assert reading.strangers([mine]) == [other]
    with watched_reading() as reading:
        subprocess.run([sys.executable, "-c", ""], check=True)
    assert reading.started
    other.read_text()
    assert reading.strangers([]) == [] or other not in reading.files


def test_digest_of_a_missing_file(tmp_path: Path) -> None:
    assert digest_of(tmp_path / "no") == digest_of(tmp_path) == "not there"
