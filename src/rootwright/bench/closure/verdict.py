"""The verdict of power cuts on the real code: the closure where it can be had, else the exploration of contents.

`explore_start` follows any number of cuts over what the program reads; `rootwright.bench.cuts` follows a bounded number
over whole flash contents. The second was written on its own, and the tests hold the first against it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from rootwright.bench import cuts
from rootwright.bench.closure.exploration import Explored, explore_start
from rootwright.bench.closure.port import CUT_EACH, THEN_ONE_IN
from rootwright.bench.subject import Start, Subject
from rootwright.errors import BenchError

MOST_STATES = 4000

LEVEL = (
    "the real code, each start from power-up in an emulator; hooked digests and checks are computed by the bench",
    "flash in cells: the first 128 bytes of a sector, the rest of its first half, its second half. A cut erase leaves "
    "each cell old, blank, all programmed or unreadable; a cut program its unit old, new or unreadable",
    "steady cells: what a cut left is decided at its first read and stays; a record may read otherwise at each start",
    "records of the declared logs count by their number; one log at a time runs full, or holds the remains of a record "
    "written again",
    "a cut clears RAM; a reset in the middle of an operation that keeps RAM is not tried",
)


@dataclass(frozen=True, slots=True)
class ClosureResult:
    """What any number of cuts does to a start."""

    start: Start
    explored: Explored

    @property
    def holds(self) -> bool:
        """Whether nothing went wrong."""
        return self.explored.broken is None

    @property
    def closed(self) -> bool:
        """Whether everything that can be reached was looked at."""
        return self.explored.closed

    @property
    def states(self) -> int:
        """States that were looked at."""
        return self.explored.states

    @property
    def words(self) -> str:
        """The verdict's reach."""
        e = self.explored
        if e.broken is not None:
            return f"broken by {_cuts(e.broken.cuts)}"
        return "closed" if e.closed else f"bounded at {_cuts(e.cuts)} ({e.reason})"

    @property
    def level(self) -> tuple[str, ...]:
        """What the verdict rests on."""
        e = self.explored
        offers = "updates are offered between starts (newer, older, altered), images report themselves good or crash"
        actors = f"actors: power; {offers}" if e.acts else "actors: power alone"
        twins = (
            f"{e.twins:,} of {e.starts:,} starts were repeats with RAM filled otherwise, with other places, numbers, "
            "older and half-written records in the logs: they did the same"
        )
        thinned = f"of a start's units in one cell the first {CUT_EACH} are each cut, then one in {THEN_ONE_IN}"
        return (
            *LEVEL,
            *([thinned] if e.thinned else []),
            actors,
            *([twins] if e.broken is None and not e.reason else []),
        )

    def data(self) -> dict[str, Any]:
        """Return the result as JSON data."""
        e, broken = self.explored, self.explored.broken
        found = []
        if broken is not None:
            path = [[event.what, event.place] for event in broken.path]
            row = {"verdict": broken.verdict, "why": broken.why, "place": broken.place, "cuts": broken.cuts}
            found.append({**row, "path": path})
        return {
            "start": self.start.run.name,
            "reach": self.words,
            "states": e.states,
            "starts": e.starts,
            "erases": e.erases,
            "holds": self.holds,
            "findings": found,
            "assumed": list(self.level),
        }

    def text(self) -> list[str]:
        """Return the result as printed lines."""
        e, broken = self.explored, self.explored.broken
        reach = f"{self.words} under any number of cuts" if e.closed else self.words
        states = f"{e.states:,} state{'' if e.states == 1 else 's'}"
        lines = [f"{self.start.run.name}: {states}, {e.starts:,} starts in the emulator; {reach}"]
        if broken is not None:
            where = f"the cut that kills is at {broken.place}" if broken.cuts else "without any cut"
            lines.append(f"  FAILS: {broken.verdict}; {where}")
            lines.append(f"    {broken.why}")
            lines += [f"    - {event.what}" for event in broken.path]
        else:
            sectors = f"{e.erases} sector{'' if e.erases == 1 else 's'}"
            lines.append(f"  nothing went wrong; one start erases at most {sectors}")
        return [*lines, "  level:", *(f"    - {text}" for text in self.level), ""]


@dataclass(frozen=True, slots=True)
class BoundedResult:
    """What some cuts do to a start, where any number of them could not be followed, and why it could not."""

    why: str
    result: cuts.CutResult

    @property
    def holds(self) -> bool:
        """Whether nothing went wrong."""
        return self.result.holds

    @property
    def states(self) -> int:
        """Flash contents that were looked at."""
        return self.result.states

    @property
    def words(self) -> str:
        """The verdict's reach."""
        return self.result.words

    def data(self) -> dict[str, Any]:
        """Return the result as JSON data."""
        return {**self.result.data(), "not_closed": self.why}

    def text(self) -> list[str]:
        """Return the result as printed lines."""
        first, *rest = self.result.text()
        return [
            first,
            f"  whole flash contents, some cuts in a row; any number of cuts was not followed: {self.why}",
            *rest,
        ]


def _cuts(count: int) -> str:
    return f"{count} cut{'' if count == 1 else 's'}"


def try_each(
    subject: Subject,
    starts: Iterable[Start],
    *,
    depth: int | None = None,
    most_states: int = MOST_STATES,
    progress: Callable[[str, int], None] | None = None,
) -> list[ClosureResult | BoundedResult]:
    """Return what power cuts do to each run, cold or warm: behind a cut every start is cold."""
    once = {start.run.name: start for start in starts}.values()
    return [try_cuts(subject, start, depth=depth, most_states=most_states, progress=progress) for start in once]


def try_cuts(
    subject: Subject,
    start: Start,
    *,
    depth: int | None = None,
    most_states: int = MOST_STATES,
    progress: Callable[[str, int], None] | None = None,
) -> ClosureResult | BoundedResult:
    """Return what power cuts do to a start: any number of them, or `depth` in a row.

    Args:
        depth: Most cuts; None for any number. Where that cannot be followed, one.
        most_states: States after which the exploration stops.
    """
    try:
        found = explore_start(subject, start, most_cuts=depth, most_states=most_states, progress=progress)
        if found.broken is not None or not found.unlike:
            return ClosureResult(start, found)
        why = found.reason
    except BenchError as error:
        why = error.found
    bounded = cuts.explore(subject, start, depth=depth or 1, most_states=most_states, progress=progress)
    return BoundedResult(why, bounded)
