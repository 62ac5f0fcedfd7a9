"""Writes files so that after a crash there are the earlier ones or the new ones, never a part of one."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from glob import escape
from pathlib import Path


def write_whole(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, which is made where it is not there; each appears whole or not at all.

    All contents are on disk before the first earlier file is replaced.

    Raises:
        OSError: The folder cannot be made or written; earlier files stay. The error names the file.
    """
    make_folder(folder)
    waiting = {folder / f".{name}.{os.getpid()}.new": folder / name for name in files}
    try:
        for (temporary, path), content in zip(waiting.items(), files.values(), strict=True):
            with _named(path):
                # A link or what a killed run left in a temporary file's place is taken out, never written through.
                for remnant in folder.glob(f".{escape(path.name)}.*.new"):
                    remnant.unlink(missing_ok=True)
                with temporary.open("xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
        for temporary, path in waiting.items():
            with _named(path):
                os.replace(temporary, path)
    finally:
        for temporary in waiting:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    flush_folder(folder)


def write_file(path: Path, content: bytes) -> None:
    """Write one file; it appears whole or not at all. Its folder is made where it is not there.

    Raises:
        OSError: It cannot be written; an earlier file stays.
    """
    write_whole(path.parent, {path.name: content})


def make_folder(folder: Path) -> None:
    """Make a folder that outlives a crash, and those above it.

    Raises:
        OSError: It cannot be made, or something else has its name.
    """
    if folder.is_dir():
        return
    if not folder.parent.is_dir():
        make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    flush_folder(folder.parent)


def flush_folder(folder: Path) -> None:
    """Make the names in a folder last."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with _named(folder):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    """Let an error say which file it is about: a full disk alone does not."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from None
