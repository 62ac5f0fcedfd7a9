"""Work that is done in a process of its own meanwhile, where that is possible and a second core may do it."""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def begin_aside(work: Callable[[], T]) -> Callable[[], T]:
    """Begin some work beside this process; return what waits for its result.

    Where a process cannot be split, where only one core is there or other threads run, and whenever the other process
    does not bring its result home for any reason, the work is done here, when its result is asked for: an error is then
    raised as ever. It must change nothing outside of itself.
    """
    if not hasattr(os, "fork") or (os.cpu_count() or 1) < 2 or threading.active_count() > 1:
        return work
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        done = 1
        try:
            os.close(out)
            with os.fdopen(into, "wb") as pipe:
                pipe.write(pickle.dumps(work()))
            done = 0
        finally:
            os._exit(done)  # nothing that this process would still do belongs to its copy
    os.close(into)

    def wait() -> T:
        with os.fdopen(out, "rb") as pipe:
            brought = pipe.read()
        if os.waitpid(child, 0)[1] != 0:
            return work()
        result: T = pickle.loads(brought)  # noqa: S301 - from this program's own copy
        return result

    return wait
