"""What may happen while code runs or the device waits: resets, offers, reports, crashes, an exploited application."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from rootwright.describe.product import Attacker
from rootwright.device.content import FOREIGN, Kind
from rootwright.device.ground import DATA_AREAS
from rootwright.device.port import (
    POWER_UP,
    REPORT_GOOD,
    Attribute,
    Claim,
    Control,
    LogSpec,
    Offer,
    Record,
    UpdateProcedure,
    Version,
)
from rootwright.device.settings import DEFAULT_STATE, LOCKED_STATE, NOT_LOADED
from rootwright.prove.world import LOCKED_WORDS, UNKNOWN, Known, LogContent, SectorContent, World

OFFERS = (
    Offer(Version(1)),
    Offer(Version(-1)),
    Offer(Version(1), Attribute.ALTERED),
)
WRONG_LINK = Offer(Version(1), Attribute.WRONG_LINK)


@dataclass(frozen=True, slots=True)
class Rest:
    """A device at rest, as a control: what runs from where, or (with an empty area) waits for the loader.

    `settings` is what the settings area was loaded as, where a part's settings are modelled.
    """

    area: str
    on_trial: bool
    opens: frozenset[str]
    version: Version | None
    settings: int = 0


@dataclass(frozen=True, slots=True)
class Move:
    """One actor's move: its name, what it is about, what it writes, and what the device does next."""

    name: str
    detail: Any
    control: Control
    writes: tuple[tuple[int, int], ...] = ()


def find_moves(rest: Rest, known: Known, procedure: UpdateProcedure, world: World) -> Iterator[Move]:
    """Yield everything that may happen at a rest. A power cut leads where a reset does, at a higher cost.

    Not so where only power-up loads the settings: there it is a move of its own, called "cut".
    """
    yield Move("reset", None, POWER_UP)
    if world.loads_at_power_up:
        yield Move("cut", None, POWER_UP, ((world.loaded_location, world.intern(NOT_LOADED)),))
    newer = rest.version == 1
    if not rest.on_trial and not (newer and known.bad):
        forget = (world.known_location, world.intern(UNKNOWN))
        for offer in OFFERS if "second" not in world.area_range else (*OFFERS, WRONG_LINK):
            fresh = offer.version == 1 and offer.attribute is Attribute.GENUINE
            yield Move("offer", offer, offer, (forget,) if fresh else ())
    if rest.on_trial and not (newer and known.bad):
        reported = ((world.known_location, world.intern(Known(good=True))),) if newer else ()
        yield Move("report good", None, REPORT_GOOD, reported)
    if newer and not known.good and not known.bad:
        crashed = Known(bad=True, failed_trial=rest.on_trial)
        yield Move("crash", None, POWER_UP, ((world.known_location, world.intern(crashed)),))
    if Attacker.EXPLOITED_APPLICATION in world.level.attackers and rest.area not in ("", "recovery"):
        # An exploited image on trial can report itself good, any other can offer the newer version again.
        # What is known is of the newer version only: the current one on trial changes nothing about it.
        after = Known(good=True) if rest.on_trial else UNKNOWN
        known_after = ((world.known_location, world.intern(after)),) if newer or not rest.on_trial else ()
        for move in _exploits(rest, world):
            yield replace(move, writes=move.writes + known_after + _erased(move, world))


def _erased(move: Move, world: World) -> tuple[tuple[int, int], ...]:
    """Return what a move does to the counts of programs: what it writes into sectors follows an erase."""
    sectors = tuple(location for location, _ in move.writes if location < world.sector_count)
    return ((world.again_location, world.intern(sectors)),) if world.counts and sectors else ()


def _exploits(rest: Rest, world: World) -> Iterator[Move]:
    def is_closed(block: str, area: str) -> bool:
        return is_protected(world, rest.settings, block) and block not in rest.opens and area not in rest.opens

    opened = [area for area in world.area_range if area in rest.opens]
    received = (
        [
            (
                what,
                tuple(write for area in opened for write in _content(world, area, kind, list(world.blocks_of(area)))),
            )
            for what, kind in CONTENTS
        ]
        if opened
        else [("", ())]
    )
    for what, writes in received:
        if writes:
            yield Move("exploit", ((*opened,), what), rest, writes)
        for name, spec in world.logs.items():
            if not is_closed(name, name):
                for record in _writable(spec, world):
                    value = record if record == LOCKED_WORDS else LogContent((record,), frozenset(), True)
                    content = world.intern(value)
                    detail = ((*opened,), what, name, record)
                    yield Move("exploit", detail, rest, (*writes, (world.log_location[name], content)))
    for area in world.area_range:
        if area in opened or area in ("keep", *DATA_AREAS):
            continue
        blocks = [block for block in world.blocks_of(area) if not is_closed(block, area)]
        if blocks:
            for what, kind in CONTENTS:
                yield Move("exploit", (area, what), rest, _content(world, area, kind, blocks))
    for block, location in world.boot_location.items():
        if not is_closed(block, block):
            yield Move("exploit", (block, "foreign"), rest, ((location, world.intern("foreign")),))


def _writable(spec: LogSpec, world: World) -> Iterator[Record]:
    """Yield the records that code with write access can append; in one-time words what a record says only rises."""
    for record in spec.forgeable:
        if spec.name not in world.ground.once:
            yield record
        else:
            yield tuple(Version(1) if isinstance(field, Version) else field for field in record)
    if world.log_location[spec.name] in world.lockable:
        yield LOCKED_WORDS


def is_protected(world: World, settings: int, block: str) -> bool:
    """Say whether write protection covers a block while the settings area is loaded as `settings`."""
    protect, model = world.level.protect, world.ground.settings
    if model is None:
        return block in protect
    if model.guards and settings in (DEFAULT_STATE, LOCKED_STATE):
        return False
    if model.by_address and model.low_bank(settings) == 1:
        places = dict(model.other_place)
        return protect.issuperset(places[block]) if block in places else block in protect
    return block in protect


CONTENTS = (("foreign", None), ("newer", Kind.NEXT), ("older", Kind.OLD))


def _content(world: World, area: str, kind: Kind | None, blocks: list[str]) -> tuple[tuple[int, int], ...]:
    """Return what an attacker writes into some blocks of an area: foreign cells, or a version's genuine content."""
    start, stop = world.area_range[area]
    writes = []
    for index in range(start, stop):
        sector = world.ground.sectors[index]
        if sector.block in blocks:
            if kind is None:
                number = world.intern(SectorContent((int(FOREIGN),) * sector.cells, False))
            else:
                number = world.genuine[(area, kind)][index - start]
            writes.append((index, number))
    return tuple(writes)


__all__ = ["Claim", "Move", "Rest", "find_moves"]
