"""The form of attack steps and of a product's `[review]` table, and how they become values."""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field

from rootwright.describe.attack import (
    Again,
    Asset,
    AttackStep,
    Effort,
    Equipment,
    Expertise,
    Fact,
    Gain,
    Knowledge,
    Measure,
    Raise,
    Range,
    Resist,
    Review,
    StepKind,
)
from rootwright.describe.fields import Name, Reader, Remark, Text, choice
from rootwright.describe.forms import Form, UnreadableField
from rootwright.describe.problems import Fault, KeyPath, Slip, did_you_mean, listed, shown

THREAT_PATTERN = r"^THREAT(\.[A-Z_]+)+$"
MOST_STEPS = 200
"""More steps of its own than any product has; keeps a hostile file from costing time."""


def _span(smallest: float, largest: float, *, is_whole: bool = False) -> Reader:
    """Return the reader of a guess: one number, or the two ends of an interval in brackets."""
    what = "whole number" if is_whole else "number"
    expected = f"a {what} from {smallest:g} to {largest:g}, or two such ends in brackets, the lower first"

    def read(value: object) -> tuple[float, float]:
        ends: list[Any] = value if isinstance(value, list) else [value, value]
        kinds = int if is_whole else (int, float)
        if len(ends) != 2 or any(isinstance(e, bool) or not isinstance(e, kinds) for e in ends):
            raise Slip(expected)
        low, high = ends
        if not smallest <= low <= largest or not smallest <= high <= largest:
            raise Slip(expected)
        if low > high:
            raise Slip(expected, suggestion=f"did you mean [{high}, {low}]?")
        return low, high

    number = {"type": "integer" if is_whole else "number", "minimum": smallest, "maximum": largest}
    schema = {"anyOf": [number, {"type": "array", "items": number, "minItems": 2, "maxItems": 2}]}
    return Reader(read, schema, f"{what} or `[low, high]`")


def _level(kind: type[StrEnum]) -> Reader:
    """Return the reader of a guessed level: one word, or the two ends of an interval in brackets."""
    words = [member.value for member in kind]
    expected = f"one of {listed(words)}, or two of them in brackets, the lower first"

    def read(value: object) -> tuple[StrEnum, StrEnum]:
        ends: list[Any] = value if isinstance(value, list) else [value, value]
        if len(ends) != 2 or any(not isinstance(end, str) or end not in words for end in ends):
            wrong = next((e for e in ends if isinstance(e, str) and e not in words), None)
            raise Slip(expected, suggestion=did_you_mean(wrong, words) if wrong else "")
        low, high = ends
        if words.index(low) > words.index(high):
            raise Slip(expected, suggestion=f'did you mean ["{high}", "{low}"]?')
        return kind(low), kind(high)

    word = {"type": "string", "enum": words}
    schema = {"anyOf": [word, {"type": "array", "items": word, "minItems": 2, "maxItems": 2}]}
    return Reader(read, schema, ", ".join(f'`"{w}"`' for w in words) + " or `[low, high]`")


def _prize(value: object) -> Gain | Asset:
    words = [*(gain.value for gain in Gain), *(asset.value for asset in Asset)]
    if value in [asset.value for asset in Asset]:
        return Asset(str(value))
    if value in [gain.value for gain in Gain]:
        return Gain(str(value))
    raise Slip(f"one of {listed(words)}", suggestion=did_you_mean(value, words) if isinstance(value, str) else "")


def _threat(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(THREAT_PATTERN, value):
        raise Slip('an identifier of RFC 9124 such as "THREAT.KEY.EXPOSURE"')
    return value


_PRIZE_SCHEMA: dict[str, Any] = {"type": "string", "enum": [*map(str, Gain), *map(str, Asset)]}
Days = Annotated[tuple[float, float], _span(0, 10_000)]
Hours = Annotated[tuple[float, float], _span(0, 100_000)]
Count = Annotated[tuple[int, int], _span(0, 10_000, is_whole=True)]
ExpertiseLevel = Annotated[tuple[Expertise, Expertise], _level(Expertise)]
KnowledgeLevel = Annotated[tuple[Knowledge, Knowledge], _level(Knowledge)]
EquipmentLevel = Annotated[tuple[Equipment, Equipment], _level(Equipment)]
Prize = Annotated[Gain | Asset, Reader(_prize, _PRIZE_SCHEMA, "a gain or an asset of [review.md](review.md)")]
Threat = Annotated[
    str, Reader(_threat, {"type": "string", "pattern": THREAT_PATTERN}, 'threat: `"THREAT.KEY.EXPOSURE"`')
]
GainWord = Annotated[Gain, Reader(choice(Gain).read, choice(Gain).schema, "a gain of [review.md](review.md)")]
FactWord = Annotated[Fact, Reader(choice(Fact).read, choice(Fact).schema, "a fact of [review.md](review.md)")]


class EffortForm(Form):
    """The factors of an attack's cost, each as one guess or as the two ends of an interval."""

    days: Days = Field(default=0, validate_default=True, description="Elapsed time in days.")
    expertise: ExpertiseLevel = Field(
        default="layman", validate_default=True, description="What the people must be able to do."
    )
    field: Remark = Field(
        default="", description='The expert\'s field, such as "firmware"; experts of two make several.'
    )
    knowledge: KnowledgeLevel = Field(
        default="public", validate_default=True, description="What must be known of the product."
    )
    access_hours: Hours = Field(
        default=0,
        validate_default=True,
        description="Hours of access that somebody could notice or refuse; 0 where nobody could.",
    )
    samples: Count = Field(default=0, validate_default=True, description="Devices that are used up.")
    equipment: EquipmentLevel = Field(default="standard", validate_default=True, description="What tools it takes.")
    rig: Remark = Field(default="", description="Name of the equipment, where it is more than standard.")

    def range(self) -> Range:
        """Return the guess with its two ends."""
        ends = []
        for end in (0, 1):
            expertise, equipment = self.expertise[end], self.equipment[end]
            ends.append(
                Effort(
                    days=self.days[end],
                    expertise=expertise,
                    field=self.field if expertise is Expertise.EXPERT else "",
                    knowledge=self.knowledge[end],
                    access_hours=self.access_hours[end],
                    samples=self.samples[end],
                    equipment=equipment,
                    rig=self.rig if equipment is not Equipment.STANDARD else "",
                )
            )
        return Range(*ends)


class RaiseForm(EffortForm):
    """What a protection adds to a step that it does not stop."""

    by: FactWord = Field(description="The protection.")
    why: Text = Field(description="Why, in a line.")


class StepForm(EffortForm):
    """One attack step of your own, or in place of a packaged one with the same id."""

    id: Name = Field(description="Short name of the step.")
    title: Text = Field(description="What the attacker does, in a few words; no instructions.")
    kind: Annotated[StepKind, choice(StepKind)] = Field(description="Where the step is taken.")
    needs: list[GainWord] = Field(default=[], description="What the attacker must have first, all of it.")
    gives: list[Prize] = Field(description="What it yields.")
    when: list[FactWord] = Field(default=[], description="What must be true of the product for it to make sense.")
    blocked_by: list[FactWord] = Field(default=[], description="Protections any one of which stops it.")
    raised_by: list[RaiseForm] = Field(default=[], description="Protections that make it dearer.")
    again: Annotated[Again, choice(Again)] = Field(
        default=Again.SAME, description="What it costs at each further device, once it was done for the first."
    )
    further: EffortForm | None = Field(default=None, description="The same in figures, where it is neither.")
    threats: list[Threat] = Field(default=[], description="The threats of RFC 9124 that it stands for.")
    why: Text = Field(description="The reason for the rating, in a line.")
    source: Remark = Field(default="common practice, no source", description="Where the step is described.")
    rater: Remark = Field(default="", description="Who rated it. A step of a product must have one.")

    def step(self) -> AttackStep:
        """Return the step with both ends of every guess."""
        first = self.range()
        again = first if self.again is Again.SAME else Range()
        return AttackStep(
            id=self.id,
            title=self.title,
            kind=self.kind,
            needs=tuple(self.needs),
            gives=tuple(self.gives),
            when=tuple(self.when),
            blocked_by=tuple(self.blocked_by),
            raised_by=tuple(Raise(r.by, r.range(), r.why) for r in self.raised_by),
            first=first,
            again=again if self.further is None else self.further.range(),
            threats=tuple(self.threats),
            why=self.why,
            source=self.source,
            rater=self.rater,
        )


class CatalogueForm(Form):
    """A file of the packaged catalogue."""

    step: list[StepForm] = Field(description="One table [[step]] for each step.")


class ReviewForm(Form):
    """What the review asks, and what it cannot see by itself."""

    resist: Annotated[Resist, choice(Resist)] | None = Field(
        default=None, description="The attack potential that every asset must withstand; nothing is asked if left out."
    )
    measures: list[Annotated[Measure, choice(Measure)]] = Field(
        default=[], description="Protections that no file shows and that you answer for."
    )
    steps: list[StepForm] = Field(default=[], description="Attack steps of your own.")

    def review(self) -> Review:
        """Return what the product says of its review."""
        return Review(self.resist, tuple(self.measures), tuple(step.step() for step in self.steps))


def check_steps(path: KeyPath, steps: list[StepForm], *, needs_rater: bool) -> Iterator[Fault]:
    """Yield every contradiction in a list of steps.

    Args:
        path: Where the list stands.
        needs_rater: Whether each step must name who rated it.
    """
    if len(steps) > MOST_STEPS:
        yield Fault(path, f"{len(steps)} tables", f"at most {MOST_STEPS}")
    seen: set[str] = set()
    for index, step in enumerate(steps[:MOST_STEPS]):
        try:
            yield from _check_step((*path, index), step, seen, needs_rater=needs_rater)
        except UnreadableField:
            continue


def _check_step(path: KeyPath, step: StepForm, seen: set[str], *, needs_rater: bool) -> Iterator[Fault]:
    if step.id in seen:
        yield Fault((*path, "id"), f"{shown(step.id)} a second time", "a different id for each step")
    seen.add(step.id)
    if not step.gives:
        yield Fault((*path, "gives"), "nothing", "at least one gain or asset")
    for gain in set(step.needs) & set(step.gives):
        yield Fault((*path, "gives"), shown(gain.value), "something that the step does not need itself")
    if needs_rater and not step.rater:
        yield Fault((*path, "rater"), "nothing", "the name of whoever rated this step")
    if step.further is not None and step.again is Again.NOTHING:
        yield Fault((*path, "further"), 'a table beside again = "nothing"', "one of the two")
    parts: list[tuple[KeyPath, EffortForm]] = [(path, step)]
    parts += [((*path, "raised_by", i), raised) for i, raised in enumerate(step.raised_by)]
    if step.further is not None:
        parts.append(((*path, "further"), step.further))
    for place, effort in parts:
        if effort.expertise[1] is Expertise.EXPERT and not effort.field:
            yield Fault((*place, "field"), "nothing", 'the expert\'s field, such as "firmware"')
        if effort.equipment[1] is not Equipment.STANDARD and not effort.rig:
            yield Fault((*place, "rig"), "nothing", 'the name of the equipment, such as "glitch bench"')
