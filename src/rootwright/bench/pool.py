"""Campaigns on all cores or on a cluster: parts for workers, each finished part kept, killed workers replaced."""

from __future__ import annotations

import gc
import hashlib
import json
import multiprocessing
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from rootwright import __version__
from rootwright.bench.campaign import Hit, Plan, Tally, run_part
from rootwright.bench.faults import Fault, Model
from rootwright.bench.golden import Golden
from rootwright.bench.judge import Verdict
from rootwright.bench.subject import Subject
from rootwright.errors import BenchError
from rootwright.writing import write_file

PARTS_EACH = 12
"""Parts for each worker and golden run: small enough that little is lost, large enough that walking costs little."""

MOST_LOSSES = 3


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a campaign: which golden run, from which instruction to which."""

    run: int
    first: int
    end: int


def split(plan: Plan, run: int, count: int) -> list[Part]:
    """Return a golden run's parts, of about equal cost: an early fault has the longer tail."""
    if plan.length == 0:
        return []
    bounds = [0]
    overhead = _overhead(plan)
    total = sum(plan.length - at + overhead for at in range(0, plan.length, max(1, plan.length // 4096)))
    share, spent = total / count, 0
    step = max(1, plan.length // 4096)
    for at in range(0, plan.length, step):
        spent += plan.length - at + overhead
        if spent >= share * len(bounds) and at + step > bounds[-1]:
            bounds.append(min(at + step, plan.length))
    if bounds[-1] != plan.length:
        bounds.append(plan.length)
    return [Part(run, first, end) for first, end in pairwise(bounds) if end > first]


def _overhead(plan: Plan) -> int:
    """Return what a run costs besides its tail, in instructions: few tails go to the golden run's end; measured."""
    return 30_000 + plan.length // 2


def campaign_key(subject: Subject, golden: Golden, plan: Plan) -> str:
    """Return a name for a golden run's campaign that changes with anything its results depend on."""
    digest = hashlib.sha256(subject.firmware.data)
    digest.update(repr((__version__, subject.chip, subject.bench, golden.start, plan)).encode())
    digest.update(golden.pcs.tobytes())
    for name, state in sorted(golden.before.items()):
        digest.update(name.encode() + state.data + state.units)
    for image in subject.approved:
        digest.update(repr((image.name, image.sequence)).encode())
        for segment in image.image.segments:
            digest.update(segment.data)
    for module in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(module.read_bytes())
    for plugin in subject.bench.plugins:
        path = subject.folder / (plugin.python.partition(":")[0].replace(".", "/") + ".py")
        digest.update(path.read_bytes() if path.is_file() else b"")
    return digest.hexdigest()[:24]


def tally_data(tally: Tally) -> dict[str, Any]:
    """Return a tally as JSON data."""
    return {
        "counts": [[*key, n] for key, n in sorted(tally.counts.items())],
        "by_place": [[*key, n] for key, n in sorted(tally.by_place.items())],
        "hits": [
            [h.start, h.fault.index, h.fault.model.value, h.fault.how, h.pc, h.verdict.value, h.why] for h in tally.hits
        ],
    }


def tally_of(data: dict[str, Any]) -> Tally:
    """Return the tally that `tally_data` wrote."""
    tally = Tally()
    for model, verdict, n in data["counts"]:
        tally.counts[(model, verdict)] = n
    for pc, verdict, n in data["by_place"]:
        tally.by_place[(pc, verdict)] = n
    for start, index, model, how, pc, verdict, why in data["hits"]:
        tally.hits.append(Hit(start, Fault(index, Model(model), how), pc, Verdict(verdict), why))
    return tally


class Kept:
    """The work folder: one JSON file for each finished part, written whole or not at all."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)

    def find(self, key: str, part: Part) -> Tally | None:
        """Return a part's result from an earlier run, or None; a damaged file counts as none."""
        if self.folder is None:
            return None
        try:
            return tally_of(json.loads(self._path(key, part).read_text(encoding="utf-8")))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def write(self, key: str, part: Part, tally: Tally) -> None:
        """Keep a part's result."""
        if self.folder is None:
            return
        write_file(self._path(key, part), json.dumps(tally_data(tally)).encode())

    def _path(self, key: str, part: Part) -> Path:
        assert self.folder is not None
        return self.folder / f"faults-{key}-{part.first}-{part.end}.json"


_shared: tuple[Subject, Sequence[Golden], Sequence[Plan]] | None = None


def _begin(subject: Subject, goldens: Sequence[Golden], plans: Sequence[Plan]) -> None:
    global _shared
    _shared = subject, goldens, plans
    # What is there now stays: the collector need not look at it again and again, nor touch its pages.
    gc.freeze()
    # A terminal's Ctrl-C reaches all processes; the one that started them decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(part: Part) -> dict[str, Any]:
    assert _shared is not None
    subject, goldens, plans = _shared
    return tally_data(run_part(subject, goldens[part.run], plans[part.run], part.first, part.end))


Progress = Callable[[float, int], None]
"""Called with the share of the work that is done, and how many faults were tried."""


def run_campaign(
    subject: Subject,
    goldens: Sequence[Golden],
    plans: Sequence[Plan],
    *,
    workers: int = 1,
    cluster: str = "",
    folder: Path | None = None,
    progress: Progress | None = None,
) -> list[Tally]:
    """Return one tally for each golden run.

    Args:
        workers: Processes; 1 works in this one.
        cluster: Address of a cluster's scheduler, whose workers do it in place of processes here.
        folder: Where finished parts are kept and found again, so that a stopped campaign goes on.

    Raises:
        BenchError: Workers were lost three times with nothing finished between, or the cluster cannot be used.
    """
    kept = Kept(folder)
    keys = [campaign_key(subject, golden, plan) for golden, plan in zip(goldens, plans, strict=True)]
    results: dict[Part, Tally] = {}
    todo: list[Part] = []
    for run, plan in enumerate(plans):
        # The parts must not depend on the number of workers, or a work folder would not fit another machine.
        for part in split(plan, run, PARTS_EACH * 4):
            found = kept.find(keys[run], part)
            if found is not None:
                results[part] = found
            else:
                todo.append(part)
    total = sum(_cost(plans[p.run], p) for p in [*results, *todo]) or 1
    done = sum(_cost(plans[p.run], p) for p in results)

    def finished(part: Part, tally: Tally) -> None:
        nonlocal done
        results[part] = tally
        kept.write(keys[part.run], part, tally)
        done += _cost(plans[part.run], part)
        if progress is not None:
            progress(done / total, sum(t.runs for t in results.values()))

    if cluster:
        from rootwright.bench.cluster import run_on_cluster

        if todo:
            run_on_cluster(subject, goldens, plans, todo, cluster, finished)
    elif workers <= 1:
        for part in todo:
            finished(part, run_part(subject, goldens[part.run], plans[part.run], part.first, part.end))
    else:
        _in_processes(subject, goldens, plans, todo, workers, finished)
    merged = [Tally() for _ in plans]
    for part in sorted(results, key=lambda p: (p.run, p.first)):
        merged[part.run].add(results[part])
    return merged


def _cost(plan: Plan, part: Part) -> float:
    middle = (part.first + part.end) / 2
    return (part.end - part.first) * (plan.length - middle + _overhead(plan))


def _in_processes(
    subject: Subject,
    goldens: Sequence[Golden],
    plans: Sequence[Plan],
    todo: Sequence[Part],
    workers: int,
    finished: Callable[[Part, Tally], None],
) -> None:
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("fork" if "fork" in methods else None)
    left = list(todo)
    losses = 0
    while left:
        before = len(left)
        others = set(multiprocessing.active_children())
        pool = ProcessPoolExecutor(workers, context, initializer=_begin, initargs=(subject, goldens, plans))
        waiting: dict[Future[dict[str, Any]], Part] = {}
        try:
            waiting = {pool.submit(_work, part): part for part in left}
            while waiting:
                ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    part = waiting.pop(future)
                    finished(part, tally_of(future.result()))
                    left.remove(part)
            pool.shutdown()
        except BrokenProcessPool:
            pool.shutdown(wait=False, cancel_futures=True)
            losses = losses + 1 if len(left) == before else 0
            if losses >= MOST_LOSSES:
                raise BenchError(
                    "worker processes were killed again and again",
                    where="campaign",
                    next_step="too little memory? try fewer workers; finished parts are kept in the work folder",
                ) from None
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            # What they work on is not kept; waiting for its end would make Ctrl-C take as long as a part.
            for process in set(multiprocessing.active_children()) - others:
                process.terminate()
            raise
