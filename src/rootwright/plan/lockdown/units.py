"""From ranges with rights to the register values of a part's protection unit, in the order of writing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from rootwright.describe.chip import Lock, Protection
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.errors import PlanError
from rootwright.plan.lockdown import pmp, pmsav7, pmsav8, sau
from rootwright.plan.lockdown.result import Moment, SettingValue
from rootwright.plan.lockdown.rights import Claim, Rights, Store
from rootwright.plan.lockdown.spans import Span, merged, without

REGIONS = {
    ProtectionUnit.PMSAV6: 8,
    ProtectionUnit.PMSAV7: 8,
    ProtectionUnit.PMSAV8: 8,
    ProtectionUnit.PMP: 16,
    ProtectionUnit.SMEPMP: 16,
}
"""Regions where a part's file says nothing: the usual number; common practice, no source."""


def unit_settings(protection: Protection, claims: Sequence[Claim], *, lock: bool) -> tuple[SettingValue, ...]:
    """Return the register values that give each claim's range its rights, the last claim deciding where two overlap.

    Args:
        protection: A protection unit or physical memory protection with its programming model.
        claims: Ranges with rights; what none of them names is closed to unprivileged code.
        lock: Whether to set the lock bit of RV32 entries, which binds machine mode too.

    Raises:
        PlanError: More regions are needed than there are, rights cannot be encoded, edges are not whole granules.
    """
    make = {
        ProtectionUnit.PMSAV6: _pmsav7,
        ProtectionUnit.PMSAV7: _pmsav7,
        ProtectionUnit.PMSAV8: _pmsav8,
        ProtectionUnit.PMP: _pmp,
        ProtectionUnit.SMEPMP: _pmp,
    }
    if protection.unit is None:
        raise PlanError(
            "its programming model is not described",
            where=f"protection {protection.name}",
            next_step="give its `unit` in the chip file",
        )
    return tuple(make[protection.unit](protection, claims, lock))


def sau_settings(protection: Protection, spans: Sequence[Span], regions: int = 8) -> tuple[SettingValue, ...]:
    """Return the register values of an attribution unit that labels these spans non-secure and all else secure.

    Raises:
        PlanError: More regions are needed than there are, or edges are not whole granules.
    """
    runs = merged(spans)
    _require_room(protection, len(runs), regions)
    made = []
    for number, run in enumerate(runs):
        made += [
            _write(protection, f"SAU_RNR[{number}]", sau.SAU_RNR, number, sau.SOURCE, "selects the region"),
            _write(
                protection, f"SAU_RBAR[{number}]", sau.SAU_RBAR, sau.rbar(run), sau.SOURCE, f"from 0x{run.start:08X}"
            ),
            _write(
                protection,
                f"SAU_RLAR[{number}]",
                sau.SAU_RLAR,
                sau.rlar(run),
                sau.SOURCE,
                f"to 0x{run.end - 1:08X}, non-secure",
            ),
        ]
    for number in range(len(runs), regions):
        made += [
            _write(protection, f"SAU_RNR[{number}]", sau.SAU_RNR, number, sau.SOURCE, "selects the region"),
            _write(protection, f"SAU_RLAR[{number}]", sau.SAU_RLAR, 0, sau.SOURCE, "off"),
        ]
    made.append(_write(protection, "SAU_CTRL", sau.SAU_CTRL, sau.CTRL_ENABLE, sau.SOURCE, "on; all else is secure"))
    return tuple(made)


def flattened(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """Return claims that say the same and do not overlap, in order of address: later claims decide over earlier."""
    left: list[Claim] = []
    for claim in claims:
        kept = []
        for other in left:
            kept += [replace(other, span=span) for span in without([other.span], [claim.span])]
        left = [*kept, claim]
    return tuple(sorted(left, key=lambda claim: claim.span))


def _require_room(protection: Protection, needed: int, regions: int) -> None:
    if needed > regions:
        raise PlanError(
            f"{needed} regions are needed, it has {regions}",
            where=f"protection {protection.name}",
            next_step="put blocks with the same rights side by side, or start them at a power of two",
        )


def _write(
    protection: Protection, name: str, address: int, value: int, source: str, says: str, number: int | None = None
) -> SettingValue:
    return SettingValue(
        name=name,
        protection=protection.name,
        field="",
        address=None if number is not None else address,
        number=number,
        width=32,
        value=value,
        mask=0xFFFF_FFFF,
        delivered=None,
        stored=False,
        lock=protection.lock,
        moment=Moment.START,
        source=source,
        says=says,
    )


def _classes(claims: Sequence[Claim]) -> list[tuple[Rights, Store, list[Claim]]]:
    found: dict[tuple[Rights, Store], list[Claim]] = {}
    for claim in claims:
        found.setdefault((claim.rights, claim.store), []).append(claim)
    return [(rights, store, group) for (rights, store), group in found.items()]


def _pmsav7(protection: Protection, claims: Sequence[Claim], lock: bool) -> list[SettingValue]:
    regions = protection.regions or REGIONS[ProtectionUnit.PMSAV7]
    smallest = 256 if protection.unit is ProtectionUnit.PMSAV6 else max(32, protection.granule)
    source = pmsav7.SOURCE
    made = [_write(protection, "MPU_CTRL (off)", pmsav7.MPU_CTRL, 0, source, "off while the regions change")]
    number = 0
    # A claim that overlaps an earlier one gets a region of its own above it: the highest number decides.
    layers: list[list[Claim]] = [[]]
    for claim in claims:
        if any(c.span.start < claim.span.end and claim.span.start < c.span.end for layer in layers for c in layer):
            layers.append([])
        layers[-1].append(claim)
    for layer in layers:
        for rights, store, group in _classes(layer):
            for block in pmsav7.fewest_blocks([claim.span for claim in group], smallest=smallest):
                names = ", ".join(c.name for c in group if _meets(block, c.span))
                says = f"{names}: {rights.words}"
                low, high = block.base, block.base + block.size - 1
                made += [
                    _write(
                        protection,
                        f"MPU_RBAR[{number}]",
                        pmsav7.MPU_RBAR,
                        pmsav7.rbar(block, number),
                        source,
                        f"region {number} from 0x{low:08X} to 0x{high:08X}",
                    ),
                    _write(
                        protection,
                        f"MPU_RASR[{number}]",
                        pmsav7.MPU_RASR,
                        pmsav7.rasr(block, rights, store),
                        source,
                        says,
                    ),
                ]
                number += 1
    _require_room(protection, number, regions)
    for unused in range(number, regions):
        made += [
            _write(protection, f"MPU_RNR[{unused}]", pmsav7.MPU_RNR, unused, source, "selects the region"),
            _write(protection, f"MPU_RASR[{unused}]", pmsav7.MPU_RASR, 0, source, "off"),
        ]
    on = pmsav7.CTRL_ENABLE | pmsav7.CTRL_PRIVDEFENA
    made.append(
        _write(protection, "MPU_CTRL", pmsav7.MPU_CTRL, on, source, "on; privileged code also has the default map")
    )
    return made


def _meets(block: pmsav7.Block, span: Span) -> bool:
    return any(part.start < span.end and span.start < part.end for part in block.spans())


def _pmsav8(protection: Protection, claims: Sequence[Claim], lock: bool) -> list[SettingValue]:
    regions = protection.regions or REGIONS[ProtectionUnit.PMSAV8]
    source = pmsav8.SOURCE
    made = [
        _write(protection, "MPU_CTRL (off)", pmsav8.MPU_CTRL, 0, source, "off while the regions change"),
        _write(protection, "MPU_MAIR0", pmsav8.MPU_MAIR0, pmsav8.MAIR0, source, "attributes: flash, RAM, registers"),
    ]
    rows = []
    for rights, store, group in _classes(flattened(claims)):
        rows += [(run, rights, store, group) for run in merged(claim.span for claim in group)]
    rows.sort(key=lambda row: row[0])
    _require_room(protection, len(rows), regions)
    for number, (run, rights, store, group) in enumerate(rows):
        names = ", ".join(
            name for name, _ in groupby(c.name for c in group if c.span.start < run.end and run.start < c.span.end)
        )
        made += [
            _write(protection, f"MPU_RNR[{number}]", pmsav8.MPU_RNR, number, source, "selects the region"),
            _write(
                protection,
                f"MPU_RBAR[{number}]",
                pmsav8.MPU_RBAR,
                pmsav8.rbar(run, rights),
                source,
                f"{names}: {rights.words}",
            ),
            _write(
                protection,
                f"MPU_RLAR[{number}]",
                pmsav8.MPU_RLAR,
                pmsav8.rlar(run, store),
                source,
                f"0x{run.start:08X} to 0x{run.end - 1:08X}",
            ),
        ]
    for unused in range(len(rows), regions):
        made += [
            _write(protection, f"MPU_RNR[{unused}]", pmsav8.MPU_RNR, unused, source, "selects the region"),
            _write(protection, f"MPU_RLAR[{unused}]", pmsav8.MPU_RLAR, 0, source, "off"),
        ]
    made.append(_write(protection, "MPU_CTRL", pmsav8.MPU_CTRL, 5, source, "on; privileged code has the default map"))
    return made


def _pmp(protection: Protection, claims: Sequence[Claim], lock: bool) -> list[SettingValue]:
    regions = protection.regions or REGIONS[ProtectionUnit.PMP]
    granule = max(4, protection.granule)
    enhanced = protection.unit is ProtectionUnit.SMEPMP
    rows = flattened(claims)
    ranges = [
        pmp.Range(claim.span, _pmp_bits(claim.rights, lock=lock and not claim.loose, enhanced=enhanced))
        for claim in rows
    ]
    entries = pmp.fewest_entries(_joined(ranges), granule=granule)
    _require_room(protection, len(entries), regions)
    made = []
    covers = dict(zip(_numbers(entries), pmp.spans_of(entries), strict=True))
    for number, entry in enumerate(entries):
        if number in covers:
            span, _ = covers[number]
            names = ", ".join(c.name for c in rows if c.span.start < span.end and span.start < c.span.end)
            bits = "".join(letter if entry.config & bit else "-" for letter, bit in (("R", 1), ("W", 2), ("X", 4)))
            held = ", locked" if entry.config & pmp.LOCK else ""
            says = f"{names}: 0x{span.start:08X} to 0x{span.end - 1:08X}, {entry.match.name} {bits}{held}"
        else:
            says = f"base of entry {number + 1}, off"
        made.append(
            _write(protection, f"pmpaddr{number}", 0, entry.address, pmp.SOURCE, says, number=pmp.PMPADDR0 + number)
        )
    for index, word in enumerate(pmp.config_words(entries)):
        last = min(4 * index + 3, len(entries) - 1)
        says = f"entries {4 * index} to {last}"
        source = pmp.SMEPMP_SOURCE if enhanced else pmp.SOURCE
        made.append(_write(protection, f"pmpcfg{index}", 0, word, source, says, number=pmp.PMPCFG0 + index))
    if enhanced:
        # The white list would close device registers to machine mode as well, so it needs claims that name them.
        named = any(claim.store is Store.DEVICE for claim in claims)
        says = "machine mode runs nothing that no locked entry lets it run"
        says += "; what no entry names is closed to it" if named else ""
        value = pmp.MML | (pmp.MMWP if named else 0)
        made.append(_write(protection, "mseccfg", 0, value, pmp.SMEPMP_SOURCE, says, number=pmp.MSECCFG))
    return made


def _pmp_bits(rights: Rights, *, lock: bool, enhanced: bool) -> int:
    run = "x" if rights.execute else ""
    if enhanced:
        # Entries for both modes are not used where one is enough: a shared code entry cannot be added after MML is set.
        machine = rights.privileged + (run if rights.privileged else "")
        user = rights.unprivileged + (run if rights.unprivileged else "")
        return pmp.smepmp_bits(machine, user)
    shown = rights.privileged if lock else rights.unprivileged
    if lock and rights.unprivileged != rights.privileged:
        raise PlanError(
            f"a locked entry gives every mode the same rights, and these differ: {rights.words}",
            next_step="use Smepmp, or leave the entry unlocked",
        )
    bits = sum(bit for letter, bit in (("r", pmp.R), ("w", pmp.W)) if letter in shown)
    return bits | (pmp.X if rights.execute and shown else 0) | (pmp.LOCK if lock else 0)


def _joined(ranges: Sequence[pmp.Range]) -> list[pmp.Range]:
    found: list[pmp.Range] = []
    for each in ranges:
        if found and found[-1].span.end == each.span.start and found[-1].bits == each.bits:
            found[-1] = pmp.Range(Span(found[-1].span.start, each.span.end), each.bits)
        else:
            found.append(each)
    return found


def _numbers(entries: Sequence[pmp.Entry]) -> list[int]:
    return [number for number, entry in enumerate(entries) if entry.match is not pmp.Match.OFF]


def is_lockable(protection: Protection) -> bool:
    """Return whether the unit's entries can be locked so that they bind every mode."""
    return protection.lock is not Lock.NONE
