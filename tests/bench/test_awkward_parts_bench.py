"""Three deliberately awkward parts on the bench: a boot program on each, from its golden runs to faults and cuts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from awkward import AWKWARD, make

from rootwright.bench.golden import probe, run_golden
from rootwright.bench.subject import Subject

pytestmark = [pytest.mark.slow, pytest.mark.firmware]


@pytest.fixture
def subject(request: pytest.FixtureRequest, tmp_path: Path) -> Subject:
    return make(request.param, tmp_path)


@pytest.mark.parametrize("subject", AWKWARD, indirect=True)
def test_golden_runs_come_to_what_the_product_says(subject: Subject) -> None:
    for start in subject.starts():
        golden = run_golden(subject, start)
        assert not golden.fails, (start.name, golden.fails)
        assert not probe(subject, start)
