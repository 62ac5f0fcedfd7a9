"""Campaigns on all cores or on a cluster: parts for workers, each finished part kept, killed workers replaced."""

from __future__ import annotations

import contextlib
import gc
import hashlib
import json
import multiprocessing
import multiprocessing.connection
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from rootwright import __version__
from rootwright.bench.campaign import Hit, Plan, Tally, forget_walk, run_part
from rootwright.bench.faults import Fault, Model
from rootwright.bench.golden import Golden
from rootwright.bench.judge import Verdict
from rootwright.bench.subject import Subject
from rootwright.errors import BenchError
from rootwright.writing import write_file

PARTS = 64
"""Parts of a golden run: small enough that little is lost, large enough that walking costs little."""

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
        for part in split(plan, run, PARTS):
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

    forget_walk()
    if cluster:
        from rootwright.bench.cluster import run_on_cluster

        if todo:
            run_on_cluster(subject, goldens, plans, todo, cluster, finished)
    elif workers <= 1:
        gc.freeze()
        try:
            for part in todo:
                finished(part, run_part(subject, goldens[part.run], plans[part.run], part.first, part.end))
        finally:
            gc.unfreeze()
            forget_walk()
    else:
        _in_processes(subject, goldens, plans, todo, workers, finished)
    merged = [Tally() for _ in plans]
    for part in sorted(results, key=lambda p: (p.run, p.first)):
        merged[part.run].add(results[part])
    return merged


def _cost(plan: Plan, part: Part) -> float:
    middle = (part.first + part.end) / 2
    return (part.end - part.first) * (plan.length - middle + _overhead(plan))


class _Free:
    """The parts that nobody works on yet: a worker goes on where it was, since what it learned there helps it on."""

    def __init__(self, parts: Sequence[Part], workers: int) -> None:
        self._free: dict[int, Part] = dict(enumerate(parts))
        self._next = [len(parts) * worker // workers for worker in range(workers)]

    def __bool__(self) -> bool:
        return bool(self._free)

    def take(self, worker: int) -> tuple[int, Part]:
        """Return the part behind this worker's last one; else one in the middle of the longest stretch that is free."""
        number = self._next[worker]
        if number not in self._free:
            number = self._middle()
        self._next[worker] = number + 1
        return number, self._free.pop(number)

    def give_back(self, number: int, part: Part) -> None:
        """Make a part free again whose worker was killed."""
        self._free[number] = part

    def _middle(self) -> int:
        best: list[int] = []
        stretch: list[int] = []
        for number in sorted(self._free):
            stretch = [*stretch, number] if stretch and number == stretch[-1] + 1 else [number]
            if len(stretch) > len(best):
                best = stretch
        # Somebody else is likely to come to its beginning.
        return best[len(best) // 2]


class _Worker:
    """One process that runs part after part; made anew where it was killed."""

    def __init__(self, context: Any, shared: tuple[Subject, Sequence[Golden], Sequence[Plan]]) -> None:
        self._context, self._shared = context, shared
        self.at_work: tuple[int, Part] | None = None
        self.start()

    def start(self) -> None:
        """Start the process; the parent has no threads, so that it can be forked at any time."""
        self.line, theirs = self._context.Pipe()
        self.process = self._context.Process(target=_serve, args=(theirs, *self._shared), daemon=True)
        self.process.start()
        theirs.close()

    def send(self, number: int, part: Part) -> None:
        """Let it run a part."""
        self.at_work = number, part
        # A process that is gone shows when its answer is waited for.
        with contextlib.suppress(OSError):
            self.line.send(part)

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.terminate()
        self.process.join()
        self.line.close()


def _serve(line: Any, subject: Subject, goldens: Sequence[Golden], plans: Sequence[Plan]) -> None:
    _begin(subject, goldens, plans)
    while True:
        try:
            part = line.recv()
        except (EOFError, OSError):
            return
        try:
            answer: dict[str, Any] | Exception = _work(part)
        except Exception as error:  # of whatever class: the parent raises it
            answer = error
        line.send(answer)


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
    count = min(workers, len(todo))
    free = _Free(todo, count)
    at_work = [_Worker(context, (subject, goldens, plans)) for _ in range(count)]
    losses = 0
    try:
        while free or any(worker.at_work for worker in at_work):
            for number, worker in enumerate(at_work):
                if free and worker.at_work is None:
                    worker.send(*free.take(number))
            lines = {worker.line: worker for worker in at_work if worker.at_work}
            for line in multiprocessing.connection.wait(list(lines)):
                worker = lines[line]
                assert worker.at_work is not None
                place, part = worker.at_work
                worker.at_work = None
                try:
                    answer = worker.line.recv()
                except (EOFError, OSError):
                    losses += 1
                    _require_few(losses)
                    free.give_back(place, part)
                    worker.end()
                    worker.start()
                    continue
                if isinstance(answer, Exception):
                    raise answer
                losses = 0
                finished(part, tally_of(answer))
    finally:
        # After an error or Ctrl-C, what they work on is not kept; waiting for its end would take as long as a part.
        for worker in at_work:
            worker.end()


def _require_few(losses: int) -> None:
    if losses >= MOST_LOSSES:
        raise BenchError(
            "worker processes were killed again and again",
            where="campaign",
            next_step="too little memory? try fewer workers; finished parts are kept in the work folder",
        )
