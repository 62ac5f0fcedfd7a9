"""Fixtures shared by all tests."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples on every run and every machine; no limit on time, which says nothing on a loaded one.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """The checkout's top folder."""
    return REPOSITORY


@pytest.fixture(scope="session")
def published_vectors() -> Path:
    """The folder of published test vectors; skips where this machine has none.

    It is `$ROOTWRIGHT_VECTORS` or `shared/vectors` beside the checkout, with an `INDEX.json` naming each source.
    """
    named = os.environ.get("ROOTWRIGHT_VECTORS")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "vectors"
    if not (folder / "INDEX.json").is_file():
        pytest.skip(f"no published vectors at {folder}; set ROOTWRIGHT_VECTORS to run these tests")
    json.loads((folder / "INDEX.json").read_text())
    return folder
