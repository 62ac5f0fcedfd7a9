"""Work beside this process: its result comes home, or the work is done here; never anything else."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable

import pytest

from rootwright.watch.aside import begin_aside

here = os.getpid


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(threading, "active_count", lambda: 1)


def test_the_work_is_done_elsewhere_and_its_result_comes_home(two_cores: None) -> None:
    wait = begin_aside(lambda: (here(), ["a result", {1: None}], b"x" * 300_000))
    done_by, told, many = wait()
    assert done_by != here()
    assert told == ["a result", {1: None}]
    assert many == b"x" * 300_000  # more than a pipe holds at once


@pytest.mark.parametrize(
    "mishap",
    [
        lambda: os.kill(here(), signal.SIGKILL),
        lambda: os._exit(3),
        lambda: 1 / 0,
        lambda: lambda: None,  # a result that cannot be sent
    ],
    ids=["killed", "left", "failed", "not sendable"],
)
def test_what_does_not_come_home_is_done_here(two_cores: None, mishap: Callable[[], object]) -> None:
    parent = here()

    def work() -> object:
        return parent if here() == parent else mishap()

    assert begin_aside(work)() == parent


def test_an_error_is_raised_here(two_cores: None) -> None:
    def work() -> None:
        raise ValueError("as ever")

    wait = begin_aside(work)
    with pytest.raises(ValueError, match="as ever"):
        wait()


def test_one_core_or_other_threads_mean_no_second_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fork", lambda: pytest.fail("this process was split"))
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert begin_aside(here)() == here()
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(threading, "active_count", lambda: 2)
    assert begin_aside(here)() == here()
    monkeypatch.setattr(threading, "active_count", lambda: 1)
    monkeypatch.delattr(os, "fork")
    assert begin_aside(here)() == here()
