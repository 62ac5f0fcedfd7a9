"""The same campaign on a cluster: a real scheduler and workers, as processes on the loopback interface."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from rootwright.bench import cluster, pool
from rootwright.bench.campaign import Mode, Plan, golden_for, make_plan
from rootwright.bench.faults import Model
from rootwright.bench.golden import Golden
from rootwright.bench.report import BenchReport
from rootwright.bench.subject import Subject
from rootwright.cli.bench import command
from rootwright.errors import BenchError

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
pytestmark = pytest.mark.slow


class Cluster:
    """A scheduler and workers that end with the test."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        at = folder / "scheduler.json"
        self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show", at=at)
        deadline = time.monotonic() + 60
        while not at.exists() or not at.read_text().strip():
            assert self.processes[0].poll() is None, (folder / "0.log").read_text()
            assert time.monotonic() < deadline
            time.sleep(0.05)
        self.address: str = json.loads(at.read_text())["address"]

    def _start(self, module: str, *arguments: str, at: Path, environment: dict[str, str] | None = None) -> int:
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments, "--scheduler-file", str(at)]
        with (self.folder / f"{len(self.processes)}.log").open("wb") as log:
            self.processes.append(
                subprocess.Popen(
                    command, cwd=self.folder, stdout=log, stderr=log, env={**os.environ, **(environment or {})}
                )
            )
        return self.processes[-1].pid

    def add_worker(self, **environment: str) -> int:
        """Start a worker without a nurse, so that one killed stays dead; return its process."""
        options = ["--host", "127.0.0.1", "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        local = ["--local-directory", str(self.folder / f"local-{len(self.processes)}")]
        return self._start("dask_worker", *options, *local, at=self.folder / "scheduler.json", environment=environment)

    def wait_for_workers(self, count: int) -> None:
        """Return when so many workers have joined."""
        from distributed import Client

        with Client(self.address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def stop(self) -> None:
        """End all that was started here."""
        for process in self.processes:
            process.kill()
        for process in self.processes:
            process.wait()


@contextmanager
def running(folder: Path, workers: int) -> Iterator[Cluster]:
    cluster.this_release.cache_clear()  # sources that change while tests run are read by both sides at the same time
    started = Cluster(folder)
    try:
        for _ in range(workers):
            started.add_worker()
        if workers:
            started.wait_for_workers(workers)
        yield started
    finally:
        started.stop()


def small(subject: Subject, mode: Mode = Mode.SAMPLED) -> tuple[list[Golden], list[Plan]]:
    """Two golden runs; digests and signatures run, so the product's register plugin goes along to the workers."""
    starts = [s for s in subject.starts() if s.run.name == "header-flag"]
    goldens = [golden_for(subject, start, mode) for start in starts]
    return goldens, [make_plan(golden, [Model.BRANCH], mode) for golden in goldens]


def report_bytes(subject: Subject, goldens: list[Golden], tallies: list[pool.Tally]) -> bytes:
    report = BenchReport(subject, Mode.SAMPLED, tuple(goldens), tuple(tallies))
    return json.dumps(report.data(), indent=2, ensure_ascii=False).encode()


def test_a_cluster_comes_to_the_same_bytes_though_a_worker_is_killed(
    subject_of: Callable[..., Subject], tmp_path: Path
) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    expected = report_bytes(subject, goldens, pool.run_campaign(subject, goldens, plans, workers=2))
    with running(tmp_path, 2) as there:
        victim = there.processes[1]

        def kill(share: float, _: int) -> None:
            if share > 0.3 and victim.poll() is None:
                os.kill(victim.pid, signal.SIGKILL)
                victim.wait()

        found = pool.run_campaign(subject, goldens, plans, cluster=there.address, progress=kill)
        assert victim.returncode == -signal.SIGKILL
        assert report_bytes(subject, goldens, found) == expected
        again = pool.run_campaign(subject, goldens, plans, cluster=there.address)
        assert report_bytes(subject, goldens, again) == expected
    assert json.loads(expected)["findings"]


def test_a_stopped_campaign_goes_on_from_the_work_folder(subject_of: Callable[..., Subject], tmp_path: Path) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    expected = report_bytes(subject, goldens, pool.run_campaign(subject, goldens, plans))
    work = tmp_path / "work"

    def stop(share: float, _: int) -> None:
        if share > 0.3:
            raise KeyboardInterrupt

    with running(tmp_path, 1) as there:
        with pytest.raises(KeyboardInterrupt):
            pool.run_campaign(subject, goldens, plans, cluster=there.address, folder=work, progress=stop)
        kept = len(list(work.iterdir()))
        assert 3 < kept < sum(len(pool.split(plan, 0, pool.PARTS)) for plan in plans)
        # The rest without the cluster: neither knows who did the first parts.
        here = pool.run_campaign(subject, goldens, plans, folder=work)
        assert report_bytes(subject, goldens, here) == expected
    # Nothing is left to do, so nobody is asked.
    done = pool.run_campaign(subject, goldens, plans, folder=work, cluster="tcp://127.0.0.1:1")
    assert report_bytes(subject, goldens, done) == expected


def test_a_worker_of_another_release_is_named(subject_of: Callable[..., Subject], tmp_path: Path) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    other = tmp_path / "other"
    package = Path(cluster.__file__).parents[1]
    shutil.copytree(package, other / "rootwright", ignore=shutil.ignore_patterns("__pycache__"))
    with (other / "rootwright" / "bench" / "judge.py").open("a") as file:
        file.write("\n# another release\n")
    with running(tmp_path, 0) as there:
        with pytest.raises(BenchError, match="has no worker"):
            pool.run_campaign(subject, goldens, plans, cluster=there.address)
        there.add_worker(PYTHONPATH=str(other))
        there.wait_for_workers(1)
        with pytest.raises(BenchError, match="same release"):
            pool.run_campaign(subject, goldens, plans, cluster=there.address)


def test_one_that_joins_later_is_refused_too() -> None:
    with pytest.raises(BenchError, match="joined later"):
        cluster.work(b"", 0, 1, "rootwright 0.0 (0)")


def test_an_address_that_nobody_answers(subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    monkeypatch.setattr(cluster, "REACH_S", 1.0)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    for address in (f"tcp://127.0.0.1:{port}", "nonsense://x", "127.0.0.1"):
        with pytest.raises(BenchError, match="no scheduler answers"):
            pool.run_campaign(subject, goldens, plans, cluster=address)


def test_without_the_extra(subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    real = cluster.importlib.util.find_spec
    monkeypatch.setattr(cluster.importlib.util, "find_spec", lambda name: None if name == "distributed" else real(name))
    with pytest.raises(BenchError, match="not installed") as caught:
        pool.run_campaign(subject, goldens, plans, cluster="tcp://127.0.0.1:1")
    assert "rootwright[bench,cluster]" in caught.value.next_step


@pytest.mark.parametrize("other", [["--cuts"], ["--hostile"], ["--probe"], ["--trace"], ["--replay", "x"]])
def test_what_a_cluster_does_not_do(other: list[str], demo_folder: Path) -> None:
    done = CliRunner().invoke(command, [str(demo_folder / "product.toml"), "--cluster", "tcp://127.0.0.1:1", *other])
    assert isinstance(done.exception, BenchError)
    assert other[0] in str(done.exception)
