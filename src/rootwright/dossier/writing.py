"""Writes results so that after a crash there are the earlier ones or the new ones, never a part of a file."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from pathlib import Path


def write_whole(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, which is made where it is not there; each appears whole or not at all.

    All contents are on disk before the first earlier file is replaced.

    Raises:
        OSError: The folder cannot be made or written; earlier files stay.
    """
    folder.mkdir(parents=True, exist_ok=True)
    waiting = {folder / f".{name}.{os.getpid()}.new": folder / name for name in files}
    try:
        for temporary, content in zip(waiting, files.values(), strict=True):
            with temporary.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        for temporary, path in waiting.items():
            os.replace(temporary, path)
    finally:
        for temporary in waiting:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
