"""Writing a release so that a crash at any moment leaves a record that tells the truth.

The record of what was released stands beside the files. It first says that a sequence number is begun and with which
bytes, then the files are written, then it says that they are all there. A run that was cut may be repeated with the
same bytes; other bytes under a number that is begun are refused, since devices may have seen the first ones.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rootwright.errors import ReleaseRefused
from rootwright.release.build import Release
from rootwright.suit.identifiers import uuid_text
from rootwright.writing import make_folder, write_file

RECORD_NAME = "release-record.json"
BEGUN, COMPLETE = "begun", "complete"


def write_release(folder: Path, release: Release) -> None:
    """Write a release's files and its record; every file appears whole or not at all.

    Raises:
        ReleaseRefused: The sequence number is not above the last of this folder, the folder belongs to another
            product, or its record is damaged or missing.
        OSError: The folder cannot be written.
    """
    make_folder(folder)
    with _locked(folder):
        before = _require_next(folder, release)
        _write_record(folder, release, before, BEGUN)
        for name, content in release.files:
            write_file(folder / name, content)
        _write_record(folder, release, before, COMPLETE)


def _require_next(folder: Path, release: Release) -> list[dict[str, Any]]:
    """Return the entries of earlier releases, after the new one was held against them."""
    where = str(folder / RECORD_NAME)
    identity, entries = _read_record(folder)
    if identity is None:
        if any(folder.glob("release-*.suit")):
            raise ReleaseRefused(
                "the folder holds releases and no record of their sequence numbers",
                where=where,
                next_step="bring the record back from a copy, or release into an empty folder",
            )
        return []
    if identity != _identity(release):
        raise ReleaseRefused(
            "the folder holds releases of another product", where=where, next_step="give each product its own folder"
        )
    if not entries or release.sequence > entries[-1]["sequence"]:
        return entries
    last = entries[-1]
    if release.sequence == last["sequence"] and last["state"] == BEGUN:
        if last["files"] == release.file_list:
            return entries[:-1]
        raise ReleaseRefused(
            f"sequence number {release.sequence} was begun with other bytes, which devices may have seen",
            where=where,
            next_step="raise `sequence` under [update]",
        )
    raise ReleaseRefused(
        f"sequence number {release.sequence} is not above the last one, {last['sequence']}",
        where=where,
        next_step="raise `sequence` under [update]; a device takes no number twice",
    )


def _read_record(folder: Path) -> tuple[dict[str, str] | None, list[dict[str, Any]]]:
    path = folder / RECORD_NAME
    try:
        data = json.loads(path.read_bytes())
        identity = {"vendor": data["vendor"], "class": data["class"]}
        entries: list[dict[str, Any]] = data["releases"]
        numbers = [entry["sequence"] for entry in entries]
        whole = all(
            type(number) is int and entry["state"] in (BEGUN, COMPLETE) and isinstance(entry["files"], list)
            for number, entry in zip(numbers, entries, strict=True)
        )
        if not whole or numbers != sorted(set(numbers)):
            raise ValueError
    except FileNotFoundError:
        return None, []
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ReleaseRefused(
            "the record of earlier releases is damaged, so the last sequence number is not known",
            where=str(path),
            next_step="bring the record back from a copy",
        ) from None
    return identity, entries


def _identity(release: Release) -> dict[str, str]:
    return {"vendor": uuid_text(release.vendor), "class": uuid_text(release.class_id)}


def _write_record(folder: Path, release: Release, before: list[dict[str, Any]], state: str) -> None:
    entry = {"sequence": release.sequence, "state": state, "files": release.file_list}
    text = json.dumps({**_identity(release), "releases": [*before, entry]}, indent=2, sort_keys=True)
    write_file(folder / RECORD_NAME, text.encode() + b"\n")


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ReleaseRefused(
                "another release is being written here", where=str(folder), next_step="wait for it to end"
            ) from None
        yield
    finally:
        os.close(descriptor)
