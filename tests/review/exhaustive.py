"""A second opinion on attack paths: every subset of a small catalogue is tried. Written apart from the package.

Tables: ISO/IEC 18045, annex B.4, typed in a second time here, from memory, as differences and word lists.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations
from random import Random

from rootwright.describe.attack import (
    Asset,
    AttackStep,
    Effort,
    Equipment,
    Expertise,
    Fact,
    Gain,
    Knowledge,
    Raise,
    Range,
    StepKind,
)

PROTECTIONS = (Fact.BOOT_LOCKED, Fact.DEBUG_LOCK, Fact.TAMPER_INPUT, Fact.DOUBLE_CHECKS)
GAINS = (Gain.ON_THE_LINK, Gain.OWN_DEVICE, Gain.OPEN_BOARD, Gain.KNOWN_FLAW, Gain.APPLICATION_CODE)
GOAL = Asset.BOOT_CODE


def points(efforts: Iterable[Effort]) -> tuple[int, int, int, int, int]:
    """Add up as the standard says, in the plainest way."""
    efforts = list(efforts)
    days = sum(e.days for e in efforts)
    time = 0
    for limit, more in ((1, 1), (7, 1), (14, 2), (30, 3), (60, 3), (90, 3), (120, 2), (150, 2), (180, 2)):
        if days > limit:
            time += more
    experts = {e.field for e in efforts if e.expertise == "expert"}
    if len(experts) >= 2:
        expertise = 8
    elif experts:
        expertise = 6
    else:
        expertise = 3 if any(e.expertise == "proficient" for e in efforts) else 0
    knowledge = 0
    for word, value in (("restricted", 3), ("sensitive", 7), ("critical", 11)):
        if any(e.knowledge == word for e in efforts):
            knowledge = value
    hours, samples = sum(e.access_hours for e in efforts), sum(e.samples for e in efforts)
    if hours >= 720 or samples >= 100:
        window = 10
    elif hours >= 24 or samples >= 10:
        window = 4
    else:
        window = 1 if hours or samples else 0
    bespoke = {e.rig for e in efforts if e.equipment == "bespoke"}
    special = {e.rig for e in efforts if e.equipment == "specialised"}
    if len(bespoke) >= 2:
        equipment = 9
    elif bespoke or len(special) >= 2:
        equipment = 7
    else:
        equipment = 4 if special else 0
    return time, expertise, knowledge, window, equipment


def reaches(steps: Iterable[AttackStep], prize: str) -> bool:
    """Say whether steps, in whatever order, lead to a prize."""
    left, had = list(steps), set[str]()
    while True:
        ready = [s for s in left if set(s.needs) <= had]
        if not ready:
            return prize in had
        left = [s for s in left if s not in ready]
        had.update(gain for s in ready for gain in s.gives)


def all_costs(
    steps: tuple[AttackStep, ...], held: frozenset[Fact], prize: str
) -> Iterator[tuple[tuple[AttackStep, ...], tuple[int, ...], tuple[int, ...], int, int]]:
    """Yield every set of open steps that reaches a prize: points at low and high, totals at each further device."""
    open_steps = [s for s in steps if not held & set(s.blocked_by)]
    for count in range(len(open_steps) + 1):
        for chosen in combinations(open_steps, count):
            if reaches(chosen, prize):
                ends: list[list[Effort]] = [[], [], [], []]
                for step in chosen:
                    more = [raised.more for raised in step.raised_by if raised.by in held]
                    parts = [(step.first, step.again), *((m, m if step.again != Range() else Range()) for m in more)]
                    for first, again in parts:
                        for end, effort in zip(ends, (first.low, first.high, again.low, again.high), strict=True):
                            end.append(effort)
                low, high, again_low, again_high = map(points, ends)
                yield chosen, low, high, sum(again_low), sum(again_high)


def pareto(keys: Iterable[tuple[int, ...]]) -> set[tuple[int, ...]]:
    """Keep what nothing else beats."""
    keys = set(keys)
    return {k for k in keys if not any(o != k and all(a <= b for a, b in zip(o, k, strict=True)) for o in keys)}


def catalogue(random: Random, count: int) -> tuple[AttackStep, ...]:
    """Make a catalogue at random: with cycles, shared steps, dead ends, several gains of one step."""
    steps = []
    for number in range(count):
        needs = tuple(random.sample(GAINS, random.choice((0, 0, 1, 1, 2))))
        prizes = [g for g in (*GAINS, GOAL, GOAL) if g not in needs]
        gives = tuple(dict.fromkeys(random.sample(prizes, random.choice((1, 1, 2)))))
        first = _range(random)
        again = random.choice((first, Range(), _range(random)))
        blocked = tuple(random.sample(PROTECTIONS, random.choice((0, 0, 0, 1, 2))))
        raised = tuple(
            Raise(fact, _range(random), "-") for fact in random.sample(PROTECTIONS, random.choice((0, 0, 1)))
        )
        steps.append(
            AttackStep(f"s{number}", "-", StepKind.CODE, needs, gives, (), blocked, raised, first, again, (), "-", "-")
        )
    return tuple(steps)


def _range(random: Random) -> Range:
    days = sorted(random.choices((0.0, 0.5, 1.0, 3.5, 7.0, 14.0, 29.5, 45.0, 90.0, 200.0), k=2))
    skill = sorted(random.choices((0, 1, 2), k=2))
    secret = sorted(random.choices((0, 0, 1, 2, 3), k=2))
    hours = sorted(random.choices((0.0, 0.0, 5.0, 12.0, 23.5, 400.0), k=2))
    samples = sorted(random.choices((0, 0, 1, 5, 60), k=2))
    tools = sorted(random.choices((0, 0, 1, 2), k=2))
    field, rig = random.choice("ab"), random.choice("xy")
    ends = []
    for end in (0, 1):
        expertise, equipment = list(Expertise)[skill[end]], list(Equipment)[tools[end]]
        ends.append(
            Effort(
                days[end],
                expertise,
                field if expertise is Expertise.EXPERT else "",
                list(Knowledge)[secret[end]],
                hours[end],
                samples[end],
                equipment,
                rig if equipment is not Equipment.STANDARD else "",
            )
        )
    return Range(*ends)
