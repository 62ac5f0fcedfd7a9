"""What happens around the steps: who acts at rest, what a run means, how versions are renamed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Literal, NamedTuple

from rootwright.describe.product import Attacker
from rootwright.device.content import FOREIGN, Kind, content_cell, kind_of
from rootwright.device.port import (
    BLANK,
    POWER_UP,
    REPORT_GOOD,
    Attribute,
    Cell,
    Claim,
    Control,
    Idle,
    LogSpec,
    Offer,
    Record,
    Run,
    Stuck,
    Version,
)
from rootwright.prove.events import Exploit, Move, MoveEvent
from rootwright.prove.oracle.port import (
    FALLEN_BACK,
    LOCKED,
    Flash,
    Subject,
    after_reset,
    low_bank,
    whole_kind,
    without_power,
)
from rootwright.prove.oracle.state import Log, Slot, Value, make_room, with_record

LOCK: Record = ("locked",)
"""What an exploited application writes that locks a log's words."""


class Known(IntEnum):
    """What is known of the newer version."""

    NOTHING = 0
    GOOD = 1
    BAD = 2


@dataclass(frozen=True, slots=True)
class Rest:
    """The device at rest: code runs in `area`, or (empty area) it waits for the loader."""

    area: str
    kind: Kind = Kind.CURRENT
    on_trial: bool = False
    opens: frozenset[str] = frozenset()
    word: int = 0  # what the settings area was loaded as


class State(NamedTuple):
    """One state between two steps, or at rest.

    Attributes:
        boot_sound: Blocks of the boot stage that are as they were shipped.
        trial_failed: Whether the newer version crashed on trial.
        at: The control of the next step, or a `Rest`.
    """

    flash: Flash
    boot_sound: frozenset[str]
    known: Known
    trial_failed: bool
    at: Control | Rest


class Fault(NamedTuple):
    """Something that a claim forbids."""

    claim: Claim
    what: str


def initial_state(subject: Subject) -> State:
    """Return the device as shipped: the current version in its slot, the first records, all else blank."""
    ground = subject.ground
    cells: list[tuple[Value, ...]] = [tuple([int(BLANK)] * sector.cells) for sector in ground.sectors]
    contents = [(subject.procedure.start_area, Kind.CURRENT), ("recovery", Kind.PERMANENT)]
    for area, kind in contents:
        link = dict(ground.links).get(area, 0)
        for index in ground.find_area(area):
            sector = ground.sectors[index]
            cells[index] = tuple(content_cell(kind, link, sector.position + c) for c in range(sector.cells))
    for area in ground.shipped:
        for index in ground.area(area):
            sector = ground.sectors[index]
            link = dict(ground.links)[area]
            cells[index] = tuple(content_cell(Kind.CURRENT, link, sector.position + c) for c in range(sector.cells))
    for index in range(*ground.keep):
        cells[index] = tuple(content_cell(Kind.KEEP, 0, c) for c in range(ground.sectors[index].cells))
    first: dict[str, Record] = dict(subject.procedure.initial)
    logs = tuple(
        Log((), (Slot((first[spec.name],)),)) if spec.name in first else Log((), (), used=False)
        for spec in subject.procedure.logs
    )
    sound = frozenset(boot_blocks(subject))
    flash = without_power(ground, Flash(tuple(cells), frozenset(), logs, 0))
    return State(flash, sound, Known.NOTHING, False, POWER_UP)


def boot_blocks(subject: Subject) -> list[str]:
    """Return the blocks that hold a boot stage."""
    part = subject.ground.settings
    return ["boot"] if part is None else [block for block in dict.fromkeys(part.boots) if block]


def judge_run(subject: Subject, state: State, run: Run) -> tuple[Kind | None, list[Fault]]:
    """Say what runs and what is wrong with that; nothing can follow where the kind is None."""
    sectors = subject.ground.area(run.area)
    if not state.flash.stale.isdisjoint(sectors):
        return None, [Fault(Claim.APPROVED_ONLY, "runs through a stale cache")]
    cells = [cell for s in sectors for cell in state.flash.cells[s]]
    if state.flash.weak.intersection(sectors) or any(isinstance(cell, tuple) for cell in cells):
        return None, [Fault(Claim.APPROVED_ONLY, "runs from weak cells")]
    kind = whole_kind(subject.ground, run.area, [Cell(cell) for cell in cells if not isinstance(cell, tuple)])
    if kind is Kind.PERMANENT:
        return kind, []
    if kind in (Kind.OLD, Kind.STALE):
        return None, [Fault(Claim.FLOOR, "a version older than the current one runs")]
    if kind not in (Kind.CURRENT, Kind.NEXT):
        return None, [Fault(Claim.APPROVED_ONLY, f"'{run.area}' runs and is no signed image")]
    faults = []
    if Claim.DATA in subject.procedure.claims and not has_data(subject, state, run.data, kind):
        faults.append(Fault(Claim.DATA, "the running version has no data in its form"))
    if kind is Kind.NEXT and state.trial_failed:
        faults.append(Fault(Claim.RETURNS, "the version whose trial failed runs again"))
    elif kind is Kind.NEXT and not run.on_trial and state.known is not Known.GOOD:
        faults.append(Fault(Claim.RETURNS, "a version is kept that never reported itself good"))
    return kind, faults


def has_data(subject: Subject, state: State, area: str, kind: Kind) -> bool:
    """Say whether an area wholly and soundly holds data in the form of one version."""
    sectors = subject.ground.find_area(area)
    if not sectors or state.flash.weak.intersection(sectors):
        return False
    held = [cell for sector in sectors for cell in state.flash.cells[sector]]
    if any(isinstance(cell, tuple) for cell in held):
        return False
    return whole_kind(subject.ground, area, [Cell(cell) for cell in held if not isinstance(cell, tuple)]) is kind


def judge_halt(subject: Subject, outcome: Idle | Stuck) -> Fault | None:
    """Say what is wrong with a device that waits or is dead."""
    claims = subject.procedure.claims
    if isinstance(outcome, Stuck):
        claim = Claim.BOOTS_OR_WAITS if Claim.BOOTS_OR_WAITS in claims else Claim.BOOTS
        return Fault(claim, f"stuck: {outcome.reason}")
    return Fault(Claim.BOOTS, "waits for the loader") if Claim.BOOTS in claims else None


def moves(subject: Subject, state: State, rest: Rest) -> Iterator[tuple[MoveEvent, State]]:
    """Yield everything that can happen at rest, with the state that follows; a power cut is the first."""
    yield MoveEvent(Move.CUT), state._replace(at=POWER_UP, flash=without_power(subject.ground, state.flash))
    woken = state._replace(at=POWER_UP, flash=after_reset(subject.ground, state.flash))
    yield MoveEvent(Move.RESET), woken
    newer_runs = bool(rest.area) and rest.kind is Kind.NEXT
    bad_runs = newer_runs and state.known is Known.BAD
    if not rest.on_trial and not bad_runs:
        for offer in offers(subject):
            known = (Known.NOTHING, False) if _is_newer(offer) else (state.known, state.trial_failed)
            yield (
                MoveEvent(Move.OFFER, offer),
                state._replace(at=offer, known=known[0], trial_failed=known[1]),
            )
    if rest.on_trial and not bad_runs:
        known_now = Known.GOOD if newer_runs else state.known
        yield MoveEvent(Move.REPORT_GOOD), state._replace(at=REPORT_GOOD, known=known_now)
    if newer_runs and state.known is Known.NOTHING:
        yield (
            MoveEvent(Move.CRASH),
            woken._replace(known=Known.BAD, trial_failed=state.trial_failed or rest.on_trial),
        )
    if Attacker.EXPLOITED_APPLICATION in subject.level.attackers and rest.area and rest.kind is not Kind.PERMANENT:
        for exploit in exploits(subject, rest):
            yield MoveEvent(Move.EXPLOIT, exploit), apply_exploit(subject, state, rest, exploit)


def offers(subject: Subject) -> tuple[Offer, ...]:
    """Return what can be offered on this ground."""
    areas = {area for area, start, stop in subject.ground.areas if stop > start}
    found = [Offer(Version(1)), Offer(Version(-1)), Offer(Version(1), Attribute.ALTERED)]
    if any(link == 1 for area, link in subject.ground.links if area in areas):
        found.append(Offer(Version(1), Attribute.WRONG_LINK))
    return tuple(found)


def _is_newer(offer: Offer) -> bool:
    return offer.version == 1 and offer.attribute is Attribute.GENUINE


def is_writable(subject: Subject, rest: Rest, block: str) -> bool:
    """Say whether the running image can write to a block."""
    if not rest.opens.isdisjoint({block, block.partition(":")[0]}):
        return True
    protect, part = subject.level.protect, subject.ground.settings
    if part is not None and part.guards and rest.word in (FALLEN_BACK, LOCKED):
        return True
    if part is not None and part.by_address and low_bank(subject.ground, rest.word) == 1:
        for here, there in part.other_place:
            if here == block:
                return any(other not in protect for other in there)
    return block not in protect


def exploits(subject: Subject, rest: Rest) -> Iterator[Exploit]:
    """Yield everything that an exploited application can write in one move."""
    ground = subject.ground
    contents: tuple[Literal["foreign", "newer", "older"], ...] = ("foreign", "newer", "older")
    untouched = ("keep", "data", "spare")
    areas = [area for area, start, stop in ground.areas if stop > start and area not in untouched]
    opened = tuple(area for area in areas if area in rest.opens)
    records = [
        (spec.name, record)
        for spec in subject.procedure.logs
        if is_writable(subject, rest, spec.name)
        for record in writable_records(subject, spec)
    ]
    for log, record in [("", None), *records]:
        for content in contents if opened else ():
            yield Exploit(opened, content, log, record)
        if not opened and log:
            yield Exploit(log=log, record=record)
    for area in areas:
        blocks = {ground.sectors[s].block for s in ground.area(area)}
        if area not in opened and any(is_writable(subject, rest, block) for block in blocks):
            for content in contents:
                yield Exploit((area,), content)
    for block in boot_blocks(subject):
        if is_writable(subject, rest, block):
            yield Exploit((block,))


def writable_records(subject: Subject, spec: LogSpec) -> Iterator[Record]:
    """Yield what code that reaches a log can write there; bits of one-time words only ever count upwards."""
    upwards = spec.name in subject.ground.once
    for record in spec.forgeable:
        yield tuple(Version(1) if upwards and isinstance(item, Version) else item for item in record)
    if spec.name in dict(subject.ground.locks):
        yield LOCK


def apply_exploit(subject: Subject, state: State, rest: Rest, exploit: Exploit) -> State:
    """Return the state after an exploited application wrote; the image goes on running.

    An image on trial could as well have reported itself good, any other could have offered the newer version again.
    """
    if not rest.on_trial:
        state = state._replace(known=Known.NOTHING, trial_failed=False)
    elif rest.kind is Kind.NEXT:
        state = state._replace(known=Known.GOOD)
    if exploit.areas and exploit.areas[0] in boot_blocks(subject):
        return state._replace(boot_sound=state.boot_sound - set(exploit.areas))
    cells, weak = list(state.flash.cells), set(state.flash.weak)
    written: set[int] = set()
    for area in exploit.areas:
        link = dict(subject.ground.links).get(area, 0)
        for index in subject.ground.area(area):
            sector = subject.ground.sectors[index]
            if not is_writable(subject, rest, sector.block) and area not in rest.opens:
                continue
            weak.discard(index)
            written.add(index)
            if exploit.content == "foreign":
                cells[index] = (int(FOREIGN),) * sector.cells
            else:
                kind = Kind.NEXT if exploit.content == "newer" else Kind.OLD
                cells[index] = tuple(content_cell(kind, link, sector.position + c) for c in range(sector.cells))
    logs = list(state.flash.logs)
    again = frozenset(each for each in state.flash.again if each[0] not in written)
    if exploit.record is not None:
        index = subject.find_log(exploit.log)
        spec = subject.procedure.logs[index]
        halves, capacity = spec.halves, subject.level.room_in(spec)
        log = logs[index]
        if log.locked or exploit.record == LOCK:
            logs[index] = log._replace(locked=True)
        else:
            if halves == 2:
                log = make_room(log, capacity)
            elif subject.bounded and len(log.current) >= capacity:
                log = Log((), (), used=False)
            logs[index] = with_record(log, Slot((exploit.record,)), halves)._replace(used=True)
    flash = state.flash._replace(cells=tuple(cells), weak=frozenset(weak), logs=tuple(logs), again=again)
    return state._replace(flash=flash)


def rename(state: State, rest: Rest, current_becomes: Literal["older", "stale"]) -> State:
    """Return the state after the newer version was kept: it is the current one now."""
    kinds = {Kind.NEXT: Kind.CURRENT, Kind.CURRENT: Kind.OLD, Kind.OLD: Kind.STALE}
    if current_becomes == "stale":
        kinds = {Kind.NEXT: Kind.CURRENT, Kind.CURRENT: Kind.STALE}

    def cell(value: int) -> int:
        content = kind_of(Cell(value))
        if content is None:
            return value
        return content_cell(kinds.get(content[0], content[0]), content[1], content[2])

    def held(value: Value) -> Value:
        return tuple(sorted({cell(v) for v in value})) if isinstance(value, tuple) else cell(value)

    def record(reading: Record | None) -> Record | None:
        if reading is None:
            return None
        return tuple(Version(max(-1, item - 1)) if isinstance(item, Version) else item for item in reading)

    def slots(half: tuple[Slot, ...]) -> tuple[Slot, ...]:
        return tuple(Slot(tuple(dict.fromkeys(map(record, slot.readings))), slot.torn) for slot in half)

    flash = state.flash
    renamed = flash._replace(
        cells=tuple(tuple(map(held, cells)) for cells in flash.cells),
        logs=tuple(Log(slots(log.other), slots(log.current), log.used, log.locked) for log in flash.logs),
    )
    at = replace(rest, kind=Kind.CURRENT)
    return state._replace(flash=renamed, known=Known.NOTHING, trial_failed=False, at=at)
