"""The work folder: results kept as JSON under the digest of everything that they were made from.

A key is the SHA-256 of the stage's name, its inputs as plain data, the digests of the files it read, and the digest of
this package. Nothing is ever looked up by name or date, so nothing kept can be out of date; it can only be of no use
any more. Entries appear whole or not at all, and a damaged one counts as missing.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cache
from pathlib import Path, PurePath
from typing import Any

MOST_KEPT = 400
"""Entries that stay; of more, those go that were not used for the longest time."""

_OURS = Path(__file__).resolve().parent
_SUFFIXES = (".py", ".toml", ".css", ".jinja")


@cache
def package_digest() -> str:
    """Return the SHA-256 over all files of this package: another version keeps nothing of this one."""
    digest = hashlib.sha256()
    for path in sorted(path for path in _OURS.rglob("*") if path.suffix in _SUFFIXES):
        digest.update(path.relative_to(_OURS).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def as_plain(value: object) -> Any:
    """Return a value of dataclasses, enumerations, paths and collections as plain data for JSON.

    >>> as_plain({"a": (1, PurePath("b"))})
    {'a': [1, 'b']}
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        named = {f.name: as_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"": type(value).__name__, **named}
    if isinstance(value, Enum):
        return as_plain(value.value)
    if isinstance(value, PurePath):
        return value.as_posix()
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping):
        return {str(as_plain(key)): as_plain(item) for key, item in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((as_plain(item) for item in value), key=str)
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [as_plain(item) for item in value]
    if value is None or isinstance(value, str | int | float | bool):
        return value
    raise TypeError(f"a {type(value).__name__} cannot be part of a stage's inputs")


def stage_key(stage: str, inputs: object, files: Mapping[str, str]) -> str:
    """Return the key of a stage's result: for the same inputs, files and package the same, else another one."""
    said = {"stage": stage, "inputs": as_plain(inputs), "files": dict(files), "package": package_digest()}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file's content; a word for a file that cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "not there"


class WorkFolder:
    """A folder of kept results. It may be deleted at any time; what is lost is time."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def find(self, key: str) -> dict[str, Any] | None:
        """Return the result kept under a key; None where there is none, or it is damaged."""
        file = self._file(key)
        try:
            entry = json.loads(file.read_bytes())
            result = entry["result"]
            if entry["key"] != key or not isinstance(result, dict):
                return None
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None
        with contextlib.suppress(OSError):
            os.utime(file)  # a sign that it is in use
        return dict(result)

    def keep(self, key: str, result: Mapping[str, Any]) -> None:
        """Keep a result, whole or not at all. A folder that cannot be written keeps nothing, which is no error."""
        file = self._file(key)
        temporary = file.with_name(f".{file.name}.{os.getpid()}")
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            temporary.write_bytes(json.dumps({"key": key, "result": result}, sort_keys=True).encode() + b"\n")
            os.replace(temporary, file)
        except OSError:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            return
        self._drop_oldest()

    def _file(self, key: str) -> Path:
        return self.path / f"{key}.json"

    def _drop_oldest(self) -> None:
        with contextlib.suppress(OSError):
            kept = sorted(self.path.glob("*.json"), key=lambda path: path.stat().st_mtime_ns)
            for path in kept[:-MOST_KEPT]:
                path.unlink(missing_ok=True)


@dataclass(slots=True)
class Reading:
    """What a stage read or started while it ran, beside Python and this package.

    Attributes:
        files: Files that it opened to read.
        started: Whether it started a process or opened a connection: then nothing tells what it was made from.
    """

    files: set[Path] = field(default_factory=set)
    started: bool = False

    def strangers(self, known: Sequence[Path]) -> list[Path]:
        """Return the files that it read and that are none of those known."""
        allowed = {path.resolve() for path in known}
        return sorted(path for path in self.files if path not in allowed)


_readings: list[Reading] = []
_hooked: list[bool] = []
_PROCESSES = ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork", "socket.connect")


@contextlib.contextmanager
def watched_reading() -> Iterator[Reading]:
    """Note every file that is opened and every process that is started inside the block."""
    if not _hooked:
        sys.addaudithook(_heard)  # a hook cannot be taken back; outside of a block it does nothing
        _hooked.append(True)
    reading = Reading()
    _readings.append(reading)
    try:
        yield reading
    finally:
        _readings.remove(reading)


@cache
def _python_folders() -> tuple[str, ...]:
    import sysconfig

    names = {_OURS, *map(Path, sysconfig.get_paths().values()), Path(sys.prefix), Path(sys.base_prefix) / "lib"}
    return tuple(f"{os.path.realpath(name)}{os.sep}" for name in names)


def _heard(event: str, arguments: tuple[Any, ...]) -> None:
    if not _readings:
        return
    if event in _PROCESSES:
        for reading in _readings:
            reading.started = True
    elif event == "open" and isinstance(arguments[0], str | bytes):
        mode, flags = arguments[1], arguments[2]
        writes = (isinstance(mode, str) and set(mode) & set("wxa")) or (isinstance(flags, int) and flags & os.O_WRONLY)
        path = os.path.realpath(os.fsdecode(arguments[0]))
        if not writes and not path.startswith(_python_folders()) and not path.startswith("/dev/"):
            for reading in _readings:
                reading.files.add(Path(path))
