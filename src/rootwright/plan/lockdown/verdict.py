"""A unit against its plan: field by field, stored and loaded apart, and what was tried on it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from rootwright.describe.lock_field import LifeState, Observer
from rootwright.errors import FormatError
from rootwright.plan.lockdown.dump import Dump
from rootwright.plan.lockdown.result import Attempt, LockdownPlan, Readback
from rootwright.plan.lockdown.spans import Span


class Answer(StrEnum):
    """What a dump says of one field."""

    SAME = "same"
    DIFFERS = "differs"
    NOT_VISIBLE = "not visible here"
    DONT_CARE = "don't care"


class Tried(StrEnum):
    """What became of one attempt."""

    AS_EXPECTED = "as expected"
    OTHERWISE = "otherwise"
    NOT_TRIED = "not tried"


@dataclass(frozen=True, slots=True)
class FieldAnswer:
    """One field's answer. `expected` and `found` are the masked bits; `found` is None where it cannot be seen."""

    name: str
    address: int
    stored: bool
    answer: Answer
    expected: int
    found: int | None
    text: str
    aims: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TriedAnswer:
    """What became of one attempt, and the aims that fall with it."""

    id: str
    text: str
    expected: str
    tried: Tried
    aims: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnitVerdict:
    """One unit against the plan.

    Attributes:
        bound: By what the dump is bound to its unit.
        tried: Empty where no outcomes were given: then configured is not shown to be effective.
    """

    product: str
    chip: str
    unit: str
    bound: str
    silicon: str
    state: LifeState
    observer: Observer
    fields: tuple[FieldAnswer, ...]
    tried: tuple[TriedAnswer, ...]

    @property
    def differs(self) -> bool:
        """Whether a field differs, an attempt came out otherwise, or one of those asked for was not made."""
        return any(f.answer is Answer.DIFFERS for f in self.fields) or any(
            t.tried is not Tried.AS_EXPECTED for t in self.tried
        )

    @property
    def fallen(self) -> tuple[str, ...]:
        """Ids of the aims that a difference touches, in order of first mention."""
        aims = [a for f in self.fields if f.answer is Answer.DIFFERS for a in f.aims]
        aims += [a for t in self.tried if t.tried is Tried.OTHERWISE for a in t.aims]
        return tuple(dict.fromkeys(aims))

    def as_data(self) -> dict[str, Any]:
        """Return the verdict as plain data, ready for JSON."""
        return {"version": 1, **asdict(self), "differs": self.differs, "fallen": list(self.fallen)}


def capture_sheet(plan: LockdownPlan, *, unit: str, state: LifeState, observer: Observer) -> dict[str, Any]:
    """Return the sheet of what an observer must read in a state, ready for JSON; its `value`s are to be filled in."""
    words: dict[tuple[int, int], list[str]] = {}
    for field in plan.readback:
        if field.is_visible(state, observer):
            words.setdefault((field.address, field.width), []).append(field.name)
    return {
        "version": 1,
        "product": plan.product,
        "chip": plan.chip,
        "silicon": plan.silicon,
        "unit": unit,
        "state": state.value,
        "observer": observer.value,
        "words": [
            {"address": f"0x{address:08X}", "width": width, "fields": names, "value": None}
            for (address, width), names in sorted(words.items())
        ],
    }


def judge_unit(
    plan: LockdownPlan, dump: Dump, *, outcomes: Mapping[str, str] | None = None, within: Span | None = None
) -> UnitVerdict:
    """Return what a dump and the attempts say of one unit.

    Args:
        plan: The lock-down of its product.
        dump: What was read.
        outcomes: What became of each attempt; None where nothing was tried.
        within: The addresses that the dump is about, such as one memory; None for all. Others are not visible.

    Raises:
        FormatError: The dump is not bound to a unit, is of another product, part or silicon, says neither state nor
            observer, is short, compares nothing, or reads as all ones or all zeros, which is what a closed or unpowered
            port gives.
    """
    reading = dump.reading
    if reading.state is None or reading.observer is None:
        raise FormatError(
            "nothing says in which state, and by whom, this was read",
            where=dump.name,
            next_step="give --state and --observer, or a JSON dump that says them",
        )
    if not reading.unit:
        raise FormatError(
            "nothing says which unit this is", where=dump.name, next_step="give --unit, or a JSON dump that says it"
        )
    _require_product(plan, dump)
    _require_silicon(plan, dump)
    visible = [f for f in plan.readback if _is_here(f, within) and f.is_visible(reading.state, reading.observer)]
    _require_whole(dump, visible)
    _require_alive(dump, visible, reading.state)
    bound = _require_unit(dump, visible)
    fields = tuple(_answer(field, dump, reading.state, reading.observer, within) for field in plan.readback)
    if outcomes is None and not any(f.answer in (Answer.SAME, Answer.DIFFERS) for f in fields):
        raise FormatError(
            f"no field can be compared: nothing that the plan sets can be seen by the {reading.observer.value} in the "
            f"state {reading.state.value}",
            where=dump.name,
            next_step="let another observer read, or give --outcomes of what was tried",
        )
    tried = () if outcomes is None else tuple(_tried(attempt, outcomes) for attempt in plan.attempts)
    return UnitVerdict(
        plan.product,
        plan.chip,
        reading.unit,
        bound,
        reading.silicon or plan.silicon,
        reading.state,
        reading.observer,
        fields=_paired(fields, plan),
        tried=tried,
    )


def _is_here(field: Readback, within: Span | None) -> bool:
    return within is None or within.start <= field.address < within.end


def _require_product(plan: LockdownPlan, dump: Dump) -> None:
    for key, said, meant in (
        ("product", dump.reading.product, plan.product),
        ("part", dump.reading.chip, plan.chip),
    ):
        if said and said != meant:
            raise FormatError(
                f"it was captured for the {key} {said!r}, and this plan is of {meant!r}",
                where=dump.name,
                next_step="check it against its own product file, or capture this unit with this product's sheet",
            )


def _require_silicon(plan: LockdownPlan, dump: Dump) -> None:
    if plan.silicon and dump.reading.silicon and dump.reading.silicon != plan.silicon:
        raise FormatError(
            f"silicon revision {dump.reading.silicon!r}; the chip file describes {plan.silicon!r}",
            where=dump.name,
            next_step="use the chip file of that revision; settings may lie elsewhere",
        )
    if plan.silicon and not dump.reading.silicon and not any(f.is_silicon and f.mask for f in plan.readback):
        raise FormatError(
            "nothing says which silicon revision this is",
            where=dump.name,
            next_step=f"give --silicon; the chip file describes {plan.silicon!r}",
        )


def _require_whole(dump: Dump, visible: list[Readback]) -> None:
    for field in visible:
        missing = dump.misses(field.address, field.width)
        if missing:
            raise FormatError(
                f"{missing} of {field.width // 8} bytes of {field.name} at 0x{field.address:08X} are missing",
                where=dump.name,
                next_step="the dump is short: capture every field of `rootwright lockdown capture`",
            )


def _require_unit(dump: Dump, visible: list[Readback]) -> str:
    for field in visible:
        if field.is_silicon and field.mask and _bits(field, dump) != field.value:
            raise FormatError(
                f"{field.name} reads 0x{_bits(field, dump):X}, expected 0x{field.value:X}: {field.means}",
                where=dump.name,
                next_step="use the chip file of that revision",
            )
    for field in visible:
        if field.is_unit:
            found = dump.word(field.address, field.width) or 0
            said = dump.reading.unit
            if not re.fullmatch(r"0[xX][0-9A-Fa-f]+", said) or int(said, 16) != found:
                raise FormatError(
                    f"it is called unit {said!r}, and its identifier field {field.name} reads 0x{found:X}",
                    where=dump.name,
                    next_step="this is another unit's dump, or the unit was named wrongly; name it by its identifier",
                )
            return f"its identifier field {field.name}"
    return "the operator's word"


def _require_alive(dump: Dump, visible: list[Readback], state: LifeState) -> None:
    words = [dump.word(field.address, field.width) for field in visible]
    for name, byte in (("ones", 0xFF), ("zeros", 0x00)):
        uniform = bool(visible) and all(
            word == int.from_bytes(bytes([byte]) * (field.width // 8), "little")
            for word, field in zip(words, visible, strict=True)
        )
        meant = all(_wanted(field, state)[0] == (field.mask if byte else 0) for field in visible)
        if uniform and not meant:
            raise FormatError(
                f"every word reads all {name}: that is what a closed, unpowered or unconnected port gives",
                where=dump.name,
                next_step="check power, connection and whether this observer can see the fields in this state",
            )


def _bits(field: Readback, dump: Dump) -> int:
    return (dump.word(field.address, field.width) or 0) & field.mask


def _wanted(field: Readback, state: LifeState) -> tuple[int, int]:
    """Return what a field must say in a state, and under which mask; a mask of 0 says don't care."""
    if state is LifeState.DEVELOPMENT and field.closes:
        return field.delivered, field.mask
    if state is LifeState.FIELD_RETURN and not field.lasts:
        return 0, 0
    return field.value, field.mask


def _answer(field: Readback, dump: Dump, state: LifeState, observer: Observer, within: Span | None) -> FieldAnswer:
    value, mask = _wanted(field, state)
    if not _is_here(field, within):
        text = "the dump is of another memory"
        return FieldAnswer(field.name, field.address, field.stored, Answer.NOT_VISIBLE, value, None, text, field.aims)
    if not field.is_visible(state, observer):
        text = f"the {observer.value} cannot see it in the state {state.value}"
        if dump.word(field.address, field.width) is not None:
            text += "; the dump has a value there, which proves nothing"
        return FieldAnswer(field.name, field.address, field.stored, Answer.NOT_VISIBLE, value, None, text, field.aims)
    found = (dump.word(field.address, field.width) or 0) & mask
    if not mask:
        found = (dump.word(field.address, field.width) or 0) & field.bits
        text = _reads(field, found)
        return FieldAnswer(field.name, field.address, field.stored, Answer.DONT_CARE, 0, found, text, ())
    if found == value:
        return FieldAnswer(field.name, field.address, field.stored, Answer.SAME, value, found, "", ())
    text = field.means
    if state is LifeState.DEVELOPMENT and field.closes:
        text = "it is closed already: what is wrong can no longer be mended"
    return FieldAnswer(field.name, field.address, field.stored, Answer.DIFFERS, value, found, text, field.aims)


def _reads(field: Readback, found: int) -> str:
    """Return what a value means for which nothing is planned, empty where the chip file does not say."""
    means = dict(field.meanings).get(found, field.otherwise)
    return f"reads 0x{found:X}: {means}" if means else ""


def _paired(fields: tuple[FieldAnswer, ...], plan: LockdownPlan) -> tuple[FieldAnswer, ...]:
    """Add to a differing field what its other copy says: stored and loaded values are two things."""
    by_name = {field.name: field for field in fields}
    partners = {field.name: field.partner for field in plan.readback}
    found = []
    for field in fields:
        other = by_name.get(partners[field.name])
        if field.answer is Answer.DIFFERS and other is not None and other.answer is Answer.SAME:
            what = (
                f"{other.name} is loaded as planned: it works until the next reset and then no longer"
                if field.stored
                else f"{other.name} is stored as planned: it is not loaded yet, or something overrides it"
            )
            field = FieldAnswer(
                field.name,
                field.address,
                field.stored,
                field.answer,
                field.expected,
                field.found,
                f"{field.text}; {what}",
                field.aims,
            )
        found.append(field)
    return tuple(found)


def _tried(attempt: Attempt, outcomes: Mapping[str, str]) -> TriedAnswer:
    outcome = outcomes.get(attempt.id)
    good = "refused" if attempt.expected == "refused" else "worked"
    tried = Tried.NOT_TRIED if outcome is None else Tried.AS_EXPECTED if outcome == good else Tried.OTHERWISE
    return TriedAnswer(attempt.id, attempt.text, attempt.expected, tried, attempt.aims)
