"""Campaigns on an existing cluster: the one module that speaks to dask.distributed, a general engine for Python work.

Each part of a campaign is one task. What a part needs (program, golden run, plan, the product's register plugins) is
one more task for each golden run, so a lost worker's copy is made again. A worker takes part only with the same
Rootwright, byte for byte, and the same emulator; otherwise its results might differ from the local ones.

Workers run the code that they are sent, and whoever reaches a scheduler can send some.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import importlib.util
import pickle
import threading
import zlib
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from rootwright import __version__
from rootwright.bench.campaign import Plan, Tally, run_part
from rootwright.bench.golden import Golden
from rootwright.bench.pool import MOST_LOSSES, Part, tally_data, tally_of
from rootwright.bench.subject import Subject
from rootwright.errors import BenchError

if TYPE_CHECKING:
    from distributed import Client

REACH_S = 10.0
"""How long to wait for the scheduler to answer."""

WORKERLESS_S = 120.0
"""How long a campaign waits while no worker is left."""

_LOOK_S = 2.0


@cache
def this_release() -> str:
    """Return version, digest of our modules and the emulator's version: what machines must have in common."""
    digest = hashlib.sha256()
    top = Path(__file__).resolve().parent.parent
    for module in sorted(top.rglob("*.py")):
        digest.update(module.relative_to(top).as_posix().encode() + b"\0" + module.read_bytes())
    if importlib.util.find_spec("unicorn") is None:
        return f"rootwright {__version__} ({digest.hexdigest()[:12]}), no emulator"
    return f"rootwright {__version__} ({digest.hexdigest()[:12]}), emulator {importlib.metadata.version('unicorn')}"


def run_on_cluster(
    subject: Subject,
    goldens: Sequence[Golden],
    plans: Sequence[Plan],
    todo: Sequence[Part],
    address: str,
    finished: Callable[[Part, Tally], None],
) -> None:
    """Run parts on the workers of a cluster and hand over each part's result as it comes.

    Args:
        address: The scheduler's, such as tcp://192.0.2.7:8786.
        finished: Called in this thread, in the order in which parts end.

    Raises:
        BenchError: The extra is not installed, the scheduler does not answer within 10 seconds, a worker has another
            release, a part killed its worker again and again, or no worker was left for two minutes.
    """
    distributed = _require_engine()
    with _connected(distributed, address) as client, client.as_current():
        _require_workers(client, address)
        packed: dict[int, Any] = {}
        waiting: dict[Any, Part] = {}
        try:
            for part in todo:
                if part.run not in packed:
                    blob = _pack(subject, goldens[part.run], plans[part.run])
                    packed[part.run] = client.submit(_hand_over, blob, key=f"rootwright-{_digest(blob)}")
                key = f"rootwright-{packed[part.run].key[11:]}-{part.first}-{part.end}"
                future = client.submit(
                    work, packed[part.run], part.first, part.end, this_release(), key=key, retries=0, pure=True
                )
                waiting[future] = part
            _collect(distributed, client, waiting, finished)
        except BaseException:
            with contextlib.suppress(Exception):
                client.cancel(list(waiting))
            raise


def _require_engine() -> Any:
    if importlib.util.find_spec("distributed") is None:
        raise BenchError(
            "--cluster needs the Python package distributed, which is not installed",
            next_step='install the extra here and on the workers: pip install "rootwright[bench,cluster]"',
        )
    import distributed

    return distributed


@contextlib.contextmanager
def _connected(distributed: Any, address: str) -> Any:
    try:
        client = distributed.Client(address, timeout=REACH_S, set_as_default=False)
    except (OSError, ValueError, TypeError, ImportError) as error:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise BenchError(
            f"no scheduler answers within {REACH_S:.0f} seconds ({said})",
            where=f"--cluster {address}",
            next_step="give the address that the scheduler printed at its start, such as tcp://192.0.2.7:8786",
        ) from None
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=5)


def _require_workers(client: Client, address: str) -> None:
    """Raise BenchError unless there are workers, all of this release."""
    # Futures of what cannot even be loaded there come back as exceptions.
    answers = client.run(this_release, on_error="return")
    if not answers:
        raise BenchError(
            "the scheduler has no worker",
            where=f"--cluster {address}",
            next_step=f"start some on machines of your own: dask worker {address} --nthreads 1",
        )
    for worker, answer in sorted(answers.items()):
        _require_same(answer if isinstance(answer, str) else f"no usable rootwright ({answer})", worker)


def _require_same(theirs: str, worker: str) -> None:
    if theirs != this_release():
        raise BenchError(
            f"has {theirs}; here it is {this_release()}",
            where=f"worker {worker}",
            next_step="install the same release, with the extras bench and cluster, on every machine; or stop that one",
        )


def _collect(
    distributed: Any, client: Client, waiting: dict[Any, Part], finished: Callable[[Part, Tally], None]
) -> None:
    idle_s = 0.0
    while waiting:
        try:
            ready = distributed.wait(list(waiting), timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            idle_s = 0.0 if client.scheduler_info()["workers"] else idle_s + _LOOK_S
            if client.status == "closed" or idle_s >= WORKERLESS_S:
                raise BenchError(
                    f"no worker was left for {WORKERLESS_S:.0f} seconds",
                    where="campaign",
                    next_step="start workers and call again; finished parts are kept in the folder of --work",
                ) from None
            continue
        except distributed.CancelledError:
            ready = [future for future in waiting if future.status == "cancelled"]
        idle_s = 0.0
        for future in ready:
            part = waiting.pop(future)
            finished(part, tally_of(_result(distributed, future)))


def _result(distributed: Any, future: Any) -> dict[str, Any]:
    again = "finished parts are kept in the folder of --work"
    try:
        data: dict[str, Any] = future.result(timeout=60)
    except BenchError:
        raise
    except distributed.KilledWorker:
        raise BenchError(
            f"a part lost its worker more than {MOST_LOSSES} times",
            where="campaign",
            next_step=f"too little memory? give each worker more; {again}",
        ) from None
    except (distributed.CancelledError, TimeoutError, OSError):
        raise BenchError("the scheduler went away", where="campaign", next_step=f"start it anew; {again}") from None
    except Exception as error:
        raise BenchError(
            f"a worker could not run its part: {type(error).__name__}: {error}",
            where="campaign",
            next_step=f"has every worker the same release, with the extra bench? {again}",
        ) from None
    return data


# What runs on the workers


def _pack(subject: Subject, golden: Golden, plan: Plan) -> bytes:
    """Return all that a golden run's parts need, small: its millions of addresses are loops for the most part."""
    plugins = {}
    for plugin in subject.bench.plugins:
        name = plugin.python.partition(":")[0].replace(".", "/") + ".py"
        plugins[name] = (subject.folder / name).read_bytes()
    return zlib.compress(pickle.dumps((subject, golden, plan, plugins)), 6)


def _digest(blob: bytes) -> str:
    return hashlib.sha256(blob + this_release().encode()).hexdigest()[:24]


def _hand_over(blob: bytes) -> bytes:
    return blob


_lock = threading.Lock()
_present: tuple[str, Any, Subject, Golden, Plan] | None = None


def work(blob: bytes, first: int, end: int, release: str) -> dict[str, Any]:
    """Return what the faults of one part come to, on a worker; one part at a time in a process.

    Raises:
        BenchError: This worker has another release than the one that asks.
    """
    if release != this_release():
        raise BenchError(
            f"a worker that joined later has {this_release()}; it must be {release}",
            where="campaign",
            next_step="install the same release on every machine, or stop that worker",
        )
    with _lock:
        subject, golden, plan = _unpacked(blob)
        return tally_data(run_part(subject, golden, plan, first, end))


def _unpacked(blob: bytes) -> tuple[Subject, Golden, Plan]:
    """Return what `_pack` packed; plugins become files in a folder that goes with this process."""
    global _present
    key = _digest(blob)
    if _present is None or _present[0] != key:
        subject, golden, plan, plugins = pickle.loads(zlib.decompress(blob))  # noqa: S301 - from our own campaign
        folder = TemporaryDirectory(prefix="rootwright-bench-")
        for name, data in plugins.items():
            place = Path(folder.name) / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        subject.folder = Path(folder.name)
        _present = key, folder, subject, golden, plan
    return _present[2:]
