"""Ranges of addresses: merging them, asking what lies inside, and the fewest runs that cover what must be covered."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Addresses from `start` up to but not including `end`."""

    start: int
    end: int

    @property
    def size(self) -> int:
        """Bytes in the span."""
        return self.end - self.start


def merged(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return the same addresses as disjoint spans that do not touch, in order.

    Example:
        >>> merged([Span(8, 12), Span(0, 4), Span(4, 6)])
        (Span(start=0, end=6), Span(start=8, end=12))
    """
    found: list[Span] = []
    for span in sorted(spans):
        if span.start >= span.end:
            continue
        if found and span.start <= found[-1].end:
            found[-1] = Span(found[-1].start, max(found[-1].end, span.end))
        else:
            found.append(span)
    return tuple(found)


def without(spans: Iterable[Span], taken: Iterable[Span]) -> tuple[Span, ...]:
    """Return the addresses of `spans` that are in none of `taken`."""
    left = list(merged(spans))
    for hole in merged(taken):
        cut: list[Span] = []
        for span in left:
            cut.append(Span(span.start, min(span.end, hole.start)))
            cut.append(Span(max(span.start, hole.end), span.end))
        left = [span for span in cut if span.start < span.end]
    return tuple(left)


class Spans:
    """A set of addresses that answers quickly whether it meets a range or holds all of it."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = merged(spans)
        self._starts = [span.start for span in self.spans]

    def meets(self, start: int, end: int) -> bool:
        """Return whether any address of the range is in the set."""
        at = bisect_right(self._starts, end - 1) - 1
        return at >= 0 and self.spans[at].end > start

    def holds(self, start: int, end: int) -> bool:
        """Return whether every address of the range is in the set."""
        at = bisect_right(self._starts, start) - 1
        return at >= 0 and self.spans[at].end >= end


def widened(span: Span, granule: int, base: int = 0) -> Span:
    """Return the smallest span of whole granules, counted from `base`, that holds `span`."""
    low = (span.start - base) // granule * granule + base
    high = -(-(span.end - base) // granule) * granule + base
    return Span(low, high)


def widened_to(span: Span, edges: Sequence[int]) -> Span:
    """Return the smallest span between two of `edges`, in rising order, that holds `span`.

    >>> widened_to(Span(3, 5), (0, 2, 4, 8))
    Span(start=2, end=8)
    """
    return Span(max(e for e in edges if e <= span.start), min(e for e in edges if e >= span.end))


def fewest_runs(must: Iterable[Span], may: Iterable[Span]) -> tuple[Span, ...]:
    """Return the fewest disjoint runs that hold all of `must` and nothing outside `must` and `may`.

    Two neighbouring pieces of `must` share a run exactly if all between them may be covered; each run then begins and
    ends with something that must be covered, so no address is covered without need.
    """
    pieces = merged(must)
    allowed = Spans([*pieces, *may])
    runs: list[Span] = []
    for piece in pieces:
        if runs and allowed.holds(runs[-1].start, piece.end):
            runs[-1] = Span(runs[-1].start, piece.end)
        else:
            runs.append(piece)
    return tuple(runs)
