"""The ways to each asset: all sets of steps that reach it and lose that with any step less, and what they cost.

A step needs all of its gains (AND); a gain can come from several steps (OR). What a set of steps costs is not the sum
over a tree: a step that serves two needs is taken once, experts of two fields together are more than either. So the
search keeps whole sets, and drops a set only where a part of it does the same: nothing cheaper can be lost that way,
because no step makes an attack cheaper.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product as choices

from rootwright.describe.attack import AttackStep, Fact, Range
from rootwright.errors import PlanError
from rootwright.review.factors import Band, Cost, ReadEffort, band_of, combine_read, read_effort

_Ends = tuple[ReadEffort, ReadEffort, ReadEffort, ReadEffort]
"""First device low and high, each further device low and high."""

MOST_WAYS = 5_000
MOST_TRIED = 500_000
"""Ways to one gain, and combinations tried, beyond which a catalogue is refused: an answer would take minutes. The
packaged catalogue with everything possible and nothing protected has 1,400 and 15,000."""


@dataclass(frozen=True, slots=True)
class Rating:
    """Points of the cheapest attack, as an interval between the raters' low and high guesses."""

    low: int
    high: int

    @property
    def bands(self) -> tuple[Band, Band]:
        """The attack potential at both ends."""
        return band_of(self.low), band_of(self.high)

    @property
    def words(self) -> str:
        """The interval in words.

        Example:
            >>> Rating(9, 15).words
            'basic to moderate (9 to 15 points)'
        """
        first, last = self.bands
        bands = str(first) if first is last else f"{first} to {last}"
        points = f"{self.low}" if self.low == self.high else f"{self.low} to {self.high}"
        return f"{bands} ({points} point{'' if points == '1' else 's'})"


@dataclass(frozen=True, slots=True)
class Path:
    """One way to an asset.

    Attributes:
        steps: Ids of its steps, each behind those that it needs.
        low, high: What it costs at the first device, from the low and from the high guesses.
        again_low, again_high: What it costs at each further device.
    """

    steps: tuple[str, ...]
    low: Cost
    high: Cost
    again_low: Cost
    again_high: Cost

    @property
    def first(self) -> Rating:
        """Its rating at the first device."""
        return Rating(self.low.total, self.high.total)

    @property
    def further(self) -> Rating:
        """Its rating at each further device."""
        return Rating(self.again_low.total, self.again_high.total)


class Ways:
    """All ways to every prize for one catalogue and one set of protections, also those that up to two losses open."""

    def __init__(self, steps: Iterable[AttackStep], protections: Iterable[Fact], *, losses: int = 0) -> None:
        self.steps = tuple(steps)
        self.protections = tuple(sorted(set(protections)))
        self.losses = losses
        self._bit = {fact: 1 << i for i, fact in enumerate(self.protections)}
        self._blocks = [self._mask(step.blocked_by) for step in self.steps]
        self._raises = [self._mask(raised.by for raised in step.raised_by) for step in self.steps]
        self._costs: dict[tuple[int, int], tuple[Cost, Cost]] = {}
        self._touched: dict[int, int] = {}
        self._efforts: dict[tuple[int, int], tuple[_Ends, ...]] = {}
        self._ways = self._find_ways()

    def _mask(self, facts: Iterable[Fact]) -> int:
        mask = 0
        for fact in facts:
            mask |= self._bit.get(fact, 0)
        return mask

    def _find_ways(self) -> dict[str, dict[int, int]]:
        """Return for each prize its ways: step sets, each with the protections that stop it.

        Round by round; a step is only tried again with ways of which at least one was new in the round before.
        """
        ways: dict[str, dict[int, int]] = {}
        seen: dict[str, set[int]] = {}
        new: dict[str, dict[int, int]] = {}
        rounds = tried = 0
        while not rounds or new:
            grown: dict[str, dict[int, int]] = {}
            for index, step in enumerate(self.steps):
                for steps, blocks in self._uses(index, ways, new, is_first=not rounds):
                    tried += 1
                    if tried > MOST_TRIED:
                        raise _too_many(f"more than {MOST_TRIED:,} combinations of steps lead to {step.gives[0]!s}")
                    for prize in step.gives:
                        if steps not in seen.setdefault(prize, set()):
                            seen[prize].add(steps)
                            grown.setdefault(prize, {})[steps] = blocks
            new = {}
            for won, found in grown.items():
                kept = ways.setdefault(won, {})
                if len(found) > 2 * MOST_WAYS:
                    raise _too_many(f"more than {MOST_WAYS:,} ways lead to {won!s}")
                new[won] = _merge(kept, found)
                if len(kept) > MOST_WAYS:
                    raise _too_many(f"more than {MOST_WAYS:,} ways lead to {won!s}")
            new = {won: found for won, found in new.items() if found}
            rounds += 1
        return ways

    def _uses(
        self, index: int, ways: Mapping[str, dict[int, int]], new: Mapping[str, dict[int, int]], *, is_first: bool
    ) -> Iterator[tuple[int, int]]:
        """Yield the step sets that end with one step, with what stops each; none with more than the losses allowed."""
        needs = self.steps[index].needs
        own = self._blocks[index]
        if own.bit_count() > self.losses or any(need not in ways for need in needs):
            return
        if not needs:
            if is_first:
                yield 1 << index, own
            return
        for fresh, need in enumerate(needs):
            if need not in new:
                continue
            # Needs before the fresh one take only older ways, so that no choice comes twice.
            columns = [
                [(s, b) for s, b in ways[other].items() if s not in new.get(other, {})]
                if place < fresh
                else list((new if place == fresh else ways)[other].items())
                for place, other in enumerate(needs)
            ]
            for chosen in choices(*columns):
                steps, blocks = 1 << index, own
                for more, stops in chosen:
                    steps |= more
                    blocks |= stops
                if blocks.bit_count() <= self.losses:
                    yield steps, blocks

    def find(self, prize: str, *, lost: Iterable[Fact] = (), allowed: int = -1) -> list[int]:
        """Return the ways to a prize that are open: sets of steps as bit masks.

        Args:
            lost: Protections that are gone.
            allowed: Only ways within this set of steps.
        """
        gone = self._mask(lost)
        return [
            steps for steps, blocks in self._ways.get(prize, {}).items() if not blocks & ~gone and not steps & ~allowed
        ]

    def entries(self, prize: str) -> list[tuple[int, int, int]]:
        """Return all ways to a prize as bit masks: steps, protections that stop it, protections that make it dearer."""
        return [(steps, blocks, self._touching(steps)) for steps, blocks in self._ways.get(prize, {}).items()]

    def _touching(self, steps: int) -> int:
        if steps not in self._touched:
            mask = 0
            for index in bits(steps):
                mask |= self._raises[index]
            self._touched[steps] = mask
        return self._touched[steps]

    def first(self, steps: int, *, lost: Iterable[Fact] = ()) -> tuple[Cost, Cost]:
        """Return what a set of steps costs at the first device, from the low and from the high guesses."""
        return self.first_under(steps, ~self._mask(lost))

    def first_under(self, steps: int, protections: int) -> tuple[Cost, Cost]:
        """Return the same where of the protections only those of a bit mask are left."""
        active = self._touching(steps) & protections
        key = (steps, active)
        if key not in self._costs:
            efforts = [effort for index in bits(steps) for effort in self._efforts_of(index, active)]
            self._costs[key] = combine_read([e[0] for e in efforts]), combine_read([e[1] for e in efforts])
        return self._costs[key]

    def again(self, steps: int, *, lost: Iterable[Fact] = ()) -> tuple[Cost, Cost]:
        """Return what a set of steps costs at each further device, from the low and from the high guesses."""
        active = self._touching(steps) & ~self._mask(lost)
        efforts = [effort for index in bits(steps) for effort in self._efforts_of(index, active)]
        return combine_read([e[2] for e in efforts]), combine_read([e[3] for e in efforts])

    def first_with(self, steps: int, index: int, guess: Range) -> tuple[int, int]:
        """Return the points at the first device, low and high, with another guess for one of the steps."""
        efforts = [effort for other in bits(steps) for effort in self._efforts_of(other, -1)[other == index :]]
        low = combine_read([read_effort(guess.low), *(effort[0] for effort in efforts)])
        high = combine_read([read_effort(guess.high), *(effort[1] for effort in efforts)])
        return low.total, high.total

    def _efforts_of(self, index: int, active: int) -> tuple[_Ends, ...]:
        """Return the efforts of one step: its own and, behind it, what active protections add."""
        active &= self._raises[index]
        key = (index, active)
        if key not in self._efforts:
            step = self.steps[index]
            nothing = step.again == Range()
            more = [r.more for r in step.raised_by if self._bit.get(r.by, 0) & active]
            found = [(step.first, step.again), *((m, Range() if nothing else m) for m in more)]
            self._efforts[key] = tuple(
                (read_effort(f.low), read_effort(f.high), read_effort(a.low), read_effort(a.high)) for f, a in found
            )
        return self._efforts[key]

    def path(self, steps: int, *, lost: Iterable[Fact] = ()) -> Path:
        """Return a set of steps as a path, its steps in an order in which they can be taken."""
        return Path(
            tuple(self.steps[index].id for index in self._in_order(steps)),
            *self.first(steps, lost=lost),
            *self.again(steps, lost=lost),
        )

    def _in_order(self, steps: int) -> list[int]:
        left, had, order = list(bits(steps)), set[str](), list[int]()
        while left:
            ready = [index for index in left if set(self.steps[index].needs) <= had]
            order += ready
            for index in ready:
                had.update(self.steps[index].gives)
            left = [index for index in left if index not in ready]
        return order

    def mask_of(self, ids: Iterable[str]) -> int:
        """Return the bit mask of steps by id."""
        wanted = set(ids)
        return sum(1 << index for index, step in enumerate(self.steps) if step.id in wanted)

    def front(self, prize: str, *, allowed: int = -1) -> tuple[Path, ...]:
        """Return the open ways that no other one beats: nowhere cheaper, in no factor, at low and at high guesses.

        Of several with the same points the one with the fewest steps stands for all. Cheapest first.
        """
        found: dict[tuple[int, ...], tuple[int, int]] = {}
        for steps in self.find(prize, allowed=allowed):
            low, high = self.first(steps)
            key: tuple[int, ...] = (*low.points, *high.points)
            rank = (steps.bit_count(), steps)
            if key not in found or rank < found[key]:
                found[key] = rank
        kept: list[tuple[int, ...]] = []
        for key in sorted(found, key=lambda k: (sum(k), k)):  # whatever beats a key comes before it
            if not any(all(a <= b for a, b in zip(other, key, strict=True)) for other in kept):
                kept.append(key)
        paths = [self.path(found[key][1]) for key in kept]
        return tuple(sorted(paths, key=lambda p: (p.first.low, p.first.high, len(p.steps), p.steps)))

    def rate(self, prize: str, *, lost: Iterable[Fact] = (), allowed: int = -1) -> Rating | None:
        """Return the rating of the cheapest way at the first device, None where no way is open."""
        lost = tuple(lost)
        costs = [self.first(steps, lost=lost) for steps in self.find(prize, lost=lost, allowed=allowed)]
        if not costs:
            return None
        return Rating(min(c[0].total for c in costs), min(c[1].total for c in costs))

    def rate_further(self, prize: str, *, allowed: int = -1) -> tuple[Rating, Path] | None:
        """Return the rating of the way that is cheapest at each further device, and that way; None where none is open.

        Of equal ones the one that is cheapest at the first device.
        """
        ways = self.find(prize, allowed=allowed)
        if not ways:
            return None
        costs = {steps: self.again(steps) for steps in ways}
        rating = Rating(min(c[0].total for c in costs.values()), min(c[1].total for c in costs.values()))
        best = min(
            ways,
            key=lambda s: (costs[s][0].total, costs[s][1].total, self.first(s)[0].total, s.bit_count(), s),
        )
        return rating, self.path(best)


def _too_many(found: str) -> PlanError:
    return PlanError(found, where="review.steps", next_step="take out steps of your own that differ in little")


def _merge(kept: dict[int, int], found: dict[int, int]) -> dict[int, int]:
    """Add step sets unless a part of one is there, take out those that one is a part of; return those that came in."""
    came: dict[int, int] = {}
    for steps, blocks in sorted(found.items(), key=lambda entry: entry[0].bit_count()):
        for other in kept:  # a loop, because this is where the time goes
            if other & steps == other:
                break
        else:
            for other in [other for other in kept if steps & other == steps]:
                del kept[other]
            kept[steps] = came[steps] = blocks
    return came


def bits(mask: int) -> Iterator[int]:
    """Yield the places of the bits that are set, lowest first."""
    while mask:
        lowest = mask & -mask
        yield lowest.bit_length() - 1
        mask ^= lowest
