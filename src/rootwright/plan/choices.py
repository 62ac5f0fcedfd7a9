"""Every way to decide what tied blocks share: the largest sector, what covers it, a size, a sector pattern."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product as combinations
from typing import TYPE_CHECKING

from rootwright.layout.demand import Tie, TieKind
from rootwright.plan.sizes import CandidateSizes, SizeGroup, Starts
from rootwright.plan.windows import ListedWindows, Segment, Shape, Space

if TYPE_CHECKING:
    from rootwright.plan.solver import Homes, Sizes, Solver


class Choices:
    """The choices that one demand on one part leaves open, none of them worse than another in all respects."""

    def __init__(self, solver: Solver) -> None:
        self.solver = solver
        self._starts: dict[tuple[int, Shape, tuple[Segment, ...]], Starts] = {}
        self._sizes: dict[object, CandidateSizes] = {}

    def shapes(self, least: Sizes, homes: Homes, count: int, *, exact: bool) -> Iterator[list[Shape]]:
        """Yield every way to decide sizes and sectors of tied blocks that is not worse than another."""
        base = [self.solver.shape(i, least[i]) for i in range(count)]
        if any(s.exact is not None and s.exact < s.need for s in base):
            return
        choices = self._exact_sectors if exact else self._sector_choices
        for capped in choices(base, homes, count):
            yield from self._size_choices(capped, homes, count)

    def _sector_choices(self, base: list[Shape], homes: Homes, count: int) -> Iterator[list[Shape]]:
        """Yield the shapes for each choice of the largest sector that ties ask for; smaller sectors pass too."""
        multiples = [m for t, m in self._tied_by_sectors(count) if t.kind is TieKind.COMMON_MULTIPLE]
        lifts = [m for t, m in self._tied_by_sectors(count) if t.kind is TieKind.AT_LEAST_LARGEST_SECTOR]
        sizes = [self._sizes_of(members, homes) for members in multiples]
        for chosen in combinations(*sizes):
            shapes = list(base)
            for members, size in zip(multiples, chosen, strict=True):
                for i in members:
                    shapes[i] = _capped(shapes[i], size, steps=(size,))
            yield from self._lift_choices(shapes, lifts, homes, list(zip(multiples, chosen, strict=True)))

    def _lift_choices(
        self, shapes: list[Shape], lifts: list[list[int]], homes: Homes, cuts: list[tuple[list[int], int]]
    ) -> Iterator[list[Shape]]:
        """Yield the shapes for each useful size of blocks that must hold the largest sector of others."""
        if not lifts:
            yield shapes
            return
        (first, *watched), *rest = lifts
        # Larger than any sector that the others may cover helps nobody. Smaller than what tied ones among them are cut
        # at is covered by another choice of that.
        least = max((size for members, size in cuts if set(members) <= set(watched)), default=0)
        caps = [(i, shapes[i].cap) for i in watched]
        sizes = {s for i, cap in caps for s in self._sizes_of([i], homes) if cap is None or s <= cap}
        for size in sorted(s for s in sizes if s >= least):
            exact = shapes[first].exact
            if exact is not None and exact < size:
                continue
            decided = list(shapes)
            decided[first] = replace(decided[first], need=max(decided[first].need, size))
            for i in watched:
                decided[i] = _capped(decided[i], size)
            yield from self._lift_choices(decided, rest, homes, cuts)

    def _sizes_of(self, members: Sequence[int], homes: Homes) -> list[int]:
        return sorted({s for i in members for name in homes[i] for s in self.solver.spaces[name].sizes})

    def _tied_by_sectors(self, count: int) -> list[tuple[Tie, list[int]]]:
        ties: list[tuple[Tie, list[int]]] = []
        for tie in self.solver.sector_ties:
            members = [self.solver.number[n] for n in tie.blocks if self.solver.number[n] < count]
            if len(members) > 1 and (
                tie.kind is TieKind.COMMON_MULTIPLE or members[0] == self.solver.number[tie.blocks[0]]
            ):
                ties.append((tie, members))
        return ties

    def _exact_sectors(self, base: list[Shape], homes: Homes, count: int) -> Iterator[list[Shape]]:
        """Yield the shapes for each choice of the largest sector, and of the block that covers one."""
        ties = self._tied_by_sectors(count)
        choices: list[list[tuple[int, int | None]]] = []
        for tie, members in ties:
            watched = members if tie.kind is TieKind.COMMON_MULTIPLE else members[1:]
            sizes = self._sizes_of(watched, homes)
            found: list[tuple[int, int | None]] = []
            for size in sizes:
                if tie.kind is TieKind.AT_LEAST_LARGEST_SECTOR:
                    found.append((size, None))
                    continue
                certain = [i for i in members if all(self.solver.spaces[n].sizes == [size] for n in homes[i])]
                reachers = certain[:1] or [
                    i for i in members if any(size in self.solver.spaces[n].sizes for n in homes[i])
                ]
                found.extend((size, i) for i in reachers)
            choices.append(found)
        for chosen in combinations(*choices):
            shapes = list(base)
            sound = True
            for (tie, members), (size, reacher) in zip(ties, chosen, strict=True):
                if tie.kind is TieKind.COMMON_MULTIPLE:
                    for i in members:
                        reach = size if i == reacher else 0
                        sound &= reach == 0 or shapes[i].reach in (0, reach)
                        shapes[i] = _capped(shapes[i], size, reach=reach, steps=(size,))
                else:
                    first = members[0]
                    shapes[first] = replace(shapes[first], need=max(shapes[first].need, size))
                    exact = shapes[first].exact
                    sound &= exact is None or exact >= size
                    for i in members[1:]:
                        shapes[i] = _capped(shapes[i], size)
            if sound:
                yield shapes

    def _size_choices(self, shapes: list[Shape], homes: Homes, count: int) -> Iterator[list[Shape]]:
        """Yield the shapes for each size, and sector pattern, that tied blocks can share."""
        per_group: list[list[list[tuple[int, Shape]]]] = []
        for group in self.solver.groups:
            members = tuple(i for i in group.members if i < count)
            if len(members) < 2:
                continue
            options = self._group_options(group, members, shapes, homes, count)
            if not options:
                return
            per_group.append(options)
        for chosen in combinations(*per_group):
            decided = list(shapes)
            for option in chosen:
                for i, shape in option:
                    decided[i] = shape
            yield decided

    def _group_options(
        self, group: SizeGroup, members: tuple[int, ...], shapes: list[Shape], homes: Homes, count: int
    ) -> list[list[tuple[int, Shape]]]:
        fields = {
            i: [(self.solver.spaces[n], self.solver.field(i, self.solver.spaces[n])) for n in homes[i]] for i in members
        }
        options: list[list[tuple[int, Shape]]] = []
        paired = {i for pair in self.solver.pairs.items() for i in pair}
        movable = [
            not group.patterns and i not in paired and self.solver.blocks[i].name not in self.solver.pins
            for i in members
        ]
        for size in self._candidates(members, shapes, fields, movable, homes).up_to(self._room(members, shapes, homes)):
            fixed = {i: replace(shapes[i], exact=size) for i in members}
            pattern_choices: list[list[tuple[tuple[int, ...], tuple[tuple[int, int], ...]]]] = []
            for same in group.patterns:
                inside = tuple(i for i in same if i < count)
                if len(inside) < 2:
                    continue
                shared: set[tuple[tuple[int, int], ...]] | None = None
                for i in inside:
                    mine = {p for space, field in fields[i] for p in _patterns(space, fixed[i], field)}
                    shared = mine if shared is None else shared & mine
                pattern_choices.append([(inside, pattern) for pattern in sorted(shared or ())])
            for patterns in combinations(*pattern_choices):
                decided = dict(fixed)
                for inside, pattern in patterns:
                    for i in inside:
                        decided[i] = replace(decided[i], pattern=pattern)
                options.append(list(decided.items()))
        return options

    def _candidates(
        self,
        members: tuple[int, ...],
        shapes: list[Shape],
        fields: dict[int, list[tuple[Space, tuple[Segment, ...]]]],
        movable: list[bool],
        homes: Homes,
    ) -> CandidateSizes:
        """Return the sizes worth trying; growing and shrinking one group asks for those of the others again."""
        question = tuple((i, shapes[i], homes[i]) for i in members)
        if question not in self._sizes:
            asked = [(shapes[i], fields[i]) for i in members]
            self._sizes[question] = CandidateSizes(asked, movable=movable, starts_of=self._starts_of)
        return self._sizes[question]

    def _room(self, members: tuple[int, ...], shapes: list[Shape], homes: Homes) -> int:
        """Return the most bytes that each of the members can have beside what the other blocks need at least."""
        within = {name for i in members for name in homes[i]}
        room = sum(self.solver.spaces[name].memory.size for name in within)
        others = (i for i in range(len(shapes)) if i not in members and within.issuperset(homes[i]))
        return (room - sum(shapes[i].exact or shapes[i].need for i in others)) // len(members)

    def _starts_of(self, space: Space, shape: Shape, segments: tuple[Segment, ...]) -> Starts:
        key = (space.shift, shape, segments)
        if key not in self._starts:
            self._starts[key] = Starts(space, shape, segments)
        return self._starts[key]


def _capped(shape: Shape, size: int, *, reach: int = 0, steps: tuple[int, ...] = ()) -> Shape:
    cap = size if shape.cap is None else min(size, shape.cap)
    return replace(shape, cap=cap, reach=shape.reach or reach, steps=tuple(sorted({*shape.steps, *steps})))


def _patterns(space: Space, shape: Shape, field: tuple[Segment, ...]) -> set[tuple[tuple[int, int], ...]]:
    """Return the sector patterns of all windows of one size in a memory."""
    windows = space.windows(shape, field, every_start=True)
    if isinstance(windows, ListedWindows):
        return {space.pattern(a, z) for a, z in zip(windows.starts, windows.ends, strict=True)}
    if windows is None or space.even is None or shape.exact is None:
        return set()
    return {((shape.exact // space.even, space.even),)}
