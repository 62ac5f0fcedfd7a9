"""The aims of a lock-down, each with the facts and settings that speak for or against it.

The aims are ours. They derive from NIST SP 800-193 (roots of trust; protection, detection and recovery of code and of
critical data), with a column for the life cycle, which that document leaves to its readers. Section numbers are from
memory.
An aim is met where everything speaks for it, not met where something vital speaks against it, else partly met.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rootwright.describe.chip import EccError, Lock, MemoryKind, Protection, ProtectionKind
from rootwright.describe.product import Attacker, Procedure, Product
from rootwright.describe.settings import Torn
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map
from rootwright.plan.lockdown.covers import FOR_EVER
from rootwright.plan.lockdown.result import Aim, AimEvidence, Column, Cover, Effect, Met, Moment
from rootwright.plan.root_of_trust import Foundation

_ROOTS = "NIST SP 800-193, 4.1, roots of trust"
_UPDATE = "NIST SP 800-193, 4.2.1, protection and update of mutable code"
_FIXED = "NIST SP 800-193, 4.2.2, protection of immutable code"
_DATA = "NIST SP 800-193, 4.2.4, protection of critical data"
_DETECT = "NIST SP 800-193, 4.3, detection"
_RECOVER = "NIST SP 800-193, 4.4, recovery"
_COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Fact:
    """One piece of evidence, and whether the aim stands or falls with it."""

    text: str
    source: str
    holds: bool
    vital: bool = False


@dataclass(frozen=True, slots=True)
class Ground:
    """What aims are judged on."""

    product: Product
    map: Map
    demand: Demand
    covers: Sequence[Cover]
    isolation: Foundation

    def covers_of(self, block: str, *moments: Moment) -> list[Cover]:
        """Return the covers that keep a block from being written, at certain moments where they are given."""
        return [
            cover
            for cover in self.covers
            if block in cover.blocks
            and cover.effect in (Effect.NO_WRITE, Effect.NO_ACCESS)
            and (not moments or cover.moment in moments)
        ]

    def has_lock(self, *kinds: ProtectionKind) -> list[Lock]:
        """Return the locks of the part's protections of some kinds, those that hold."""
        return [p.lock for p in self.product.chip.protections if p.kind in kinds and p.lock is not Lock.NONE]


def judge_aims(ground: Ground) -> tuple[Aim, ...]:
    """Return every aim with how far it is met and why."""
    return tuple(_aim(id, column, text, basis, facts(ground)) for id, column, text, basis, facts in _AIMS)


def _aim(id: str, column: Column, text: str, basis: str, facts: Iterable[Fact]) -> Aim:
    found = list(facts)
    if any(fact.vital and not fact.holds for fact in found):
        met = Met.NOT
    else:
        met = Met.MET if all(fact.holds for fact in found) else Met.PARTLY
    evidence = tuple(AimEvidence(fact.text, fact.source, fact.holds) for fact in found)
    return Aim(id, column, text, basis, met, evidence)


def _cover_fact(ground: Ground, block: str, *, vital: bool = True) -> Fact:
    found = ground.covers_of(block, Moment.FACTORY, Moment.START)
    if found:
        cover = max(found, key=lambda c: (c.lock in FOR_EVER, c.lock is Lock.PERMANENT))
        return Fact(
            f"{block} lies under {cover.protection}, which holds: {cover.lock.value}", cover.protection, True, vital
        )
    asked = block in ground.product.protect
    text = f"{block} is asked for and not covered" if asked else f"{block} is not in write_protect"
    return Fact(text, "product: lock.write_protect", False, vital)


def _blocks(ground: Ground, *roles: BlockRole) -> list[str]:
    return [region.block for region in ground.map.regions if region.role in roles]


def _root_fixed(ground: Ground) -> list[Fact]:
    chip = ground.product.chip
    entry = chip.find_protections(ProtectionKind.FIXED_RESET_ENTRY)
    facts = []
    if entry:
        facts.append(
            Fact("the first code is the part's own and cannot change", f"chip: protection {entry[0].name}", True)
        )
    cover = _cover_fact(ground, "boot", vital=not entry)
    facts.append(cover)
    if cover.holds and not any(c.lock in FOR_EVER for c in ground.covers_of("boot")):
        text = "it falls at every reset: the boot stage must set it before anything else runs"
        facts.append(Fact(text, "chip: lock", True))
    facts += [_cover_fact(ground, block) for block in _blocks(ground, BlockRole.RECOVERY)]
    return facts


def _root_first(ground: Ground) -> list[Fact]:
    chip = ground.product.chip
    entry = bool(chip.find_protections(ProtectionKind.FIXED_RESET_ENTRY))
    boot = next((r for r in ground.map.regions if r.block == "boot"), None)
    here = boot is not None and boot.address <= chip.reset_address < boot.end
    facts = [
        Fact(
            f"reset starts at 0x{chip.reset_address:08X}, "
            + ("inside the boot stage" if here else "outside the boot stage"),
            "chip: reset_address",
            here or entry,
            True,
        )
    ]
    areas = [m.name for m in chip.memories if m.kind is MemoryKind.SETTINGS]
    if areas:
        held = bool(ground.has_lock(ProtectionKind.EXTERNAL_READ_LOCK)) or any(
            p.lock is Lock.PERMANENT for p in chip.find_protections(ProtectionKind.WRITE_PROTECTION)
        )
        facts.append(
            Fact(f"{', '.join(areas)} can decide what starts; it is locked with the ports", "chip: lock", held)
        )
    facts.append(_port_fact(ground))
    return facts


def _port_fact(ground: Ground, *, vital: bool = False) -> Fact:
    locks = ground.has_lock(ProtectionKind.DEBUG_LOCK)
    text = (
        f"the debug port is closed: {locks[0].value}" if locks else "no debug lock that holds: a probe starts any code"
    )
    return Fact(text, "chip: debug lock", bool(locks), vital)


def _anchors_fixed(ground: Ground) -> list[Fact]:
    vault = ground.isolation is Foundation.KEY_VAULT
    facts = [_cover_fact(ground, "keys", vital=not vault)]
    if vault:
        facts.insert(0, Fact("keys stay behind the core boundary", "chip: key vault", True))
    facts += [
        Fact(f"key {key.name} is a demonstration key", f"product: key {key.name}: demo", False)
        for key in ground.product.keys
        if key.demo
    ]
    return facts


def _root_apart(ground: Ground) -> list[Fact]:
    weak = (Foundation.WRITE_PROTECTION, Foundation.NONE)
    facts = [Fact(f"isolation rests on: {ground.isolation.value}", "isolation", ground.isolation not in weak, True)]
    # Fences bind what a core does; flash is written by its controller, which write protection alone holds back.
    facts += [
        Fact(f"{block} can be rewritten through the flash controller", "lockdown: covers", False)
        for block in _blocks(ground, BlockRole.KEYS, BlockRole.FLOOR, BlockRole.JOURNAL, BlockRole.SELECTOR)
        if not ground.covers_of(block, Moment.START, Moment.FACTORY)
    ]
    if ground.isolation is Foundation.PROTECTION_UNIT:
        text = "it lasts while nothing privileged is exploited: privileged code switches the unit off"
        facts.append(Fact(text, "product: lock.application_unprivileged", False))
    return facts


def _code_by_update(ground: Ground) -> list[Fact]:
    facts = []
    for region in ground.map.regions:
        if region.role is not BlockRole.SLOT:
            continue
        found = ground.covers_of(region.block, Moment.START, Moment.SECOND, Moment.FACTORY)
        text = f"{region.block} is closed while it runs" if found else f"{region.block} can be written by what runs"
        facts.append(Fact(text, found[0].protection if found else "product: lock.write_protect", bool(found), True))
    keys = bool(ground.product.keys)
    facts.append(Fact("releases are signed" if keys else "no key signs releases", "product: key", keys, True))
    controllers = [
        m.name for m in ground.product.chip.memories if m.kind is MemoryKind.FLASH and m.controller is not None
    ]
    if ground.isolation is Foundation.PROTECTION_UNIT:
        text = (
            "the flash controller's registers are fenced"
            if controllers
            else "where the flash controller lies is not said"
        )
        facts.append(Fact(text, "chip: memory: controller", bool(controllers)))
    return facts


def _floor_kept(ground: Ground) -> list[Fact]:
    facts = [_cover_fact(ground, block) for block in _blocks(ground, BlockRole.FLOOR)]
    counter = ground.product.chip.find_protections(ProtectionKind.ONE_TIME_COUNTER)
    if counter:
        facts.append(Fact("a one-time counter can hold the floor as well", f"chip: protection {counter[0].name}", True))
    return facts


def _way_back_kept(ground: Ground) -> list[Fact]:
    if not ground.demand.traits.way_back:
        return [Fact(f"{ground.map.procedure} keeps no way back", "product: update.procedure", False, True)]
    if not ground.product.update.trial:
        return [Fact("new images do not run on trial", "product: update.trial", False, True)]
    facts = []
    for region in ground.map.regions:
        second = region.role is BlockRole.SLOT and region.block.startswith("second:")
        if region.role is not BlockRole.STAGING and not second:
            continue
        found = ground.covers_of(region.block, Moment.TRIAL)
        text = f"{region.block} is closed on trial" if found else f"an image on trial can overwrite {region.block}"
        facts.append(Fact(text, found[0].protection if found else "product: lock.write_protect", bool(found), True))
    return facts


def _data_kept(ground: Ground) -> list[Fact]:
    keeps = [r for r in ground.map.regions if r.role is BlockRole.KEEP]
    if not keeps:
        return [Fact("the product has no keep-areas", "product: keep", True)]
    facts = [Fact(f"{r.block} shares no sector with what an update writes", "map", True) for r in keeps]
    if Attacker.EXPLOITED_APPLICATION in ground.product.attackers:
        names = ", ".join(r.block for r in keeps)
        text = f"the application must be able to write {names}, so an exploited one can"
        facts.append(Fact(text, "product: attackers.in_scope", False))
    return facts


def _secrets_unread(ground: Ground) -> list[Fact]:
    secret = ground.product.secret
    read = ground.has_lock(ProtectionKind.EXTERNAL_READ_LOCK, ProtectionKind.DEBUG_LOCK)
    text = "reading from outside is closed" if read else "nothing keeps a reader out"
    facts = [Fact(text, "chip: external read lock, debug lock", bool(read), True)]
    if secret:
        apart = ground.isolation not in (Foundation.WRITE_PROTECTION, Foundation.NONE)
        text = f"{', '.join(secret)}: " + ("out of the application's reach" if apart else "the application can read it")
        facts.append(Fact(text, "product: lock.secret", apart, True))
    else:
        facts.append(Fact("the product names no block as secret, so none was looked at", "product: lock.secret", True))
    external = [r.block for r in ground.map.regions if ground.product.chip.memory(r.memory).kind is MemoryKind.EXTERNAL]
    if external:
        sealed = ground.product.chip.find_protections(ProtectionKind.INLINE_DECRYPTION)
        text = f"{', '.join(external)} in external memory: " + (
            "encrypted" if sealed else "anyone at the traces reads it"
        )
        facts.append(Fact(text, "chip: inline decryption", bool(sealed)))
    return facts


def _change_detected(ground: Ground) -> list[Fact]:
    keys = bool(ground.product.keys)
    facts = [
        Fact(
            "the boot stage can check a signature" if keys else "no trust anchor to check against",
            "product: key",
            keys,
            True,
        )
    ]
    for name in dict.fromkeys(r.memory for r in ground.map.regions):
        memory = ground.product.chip.memory(name)
        seen = memory.ecc_error is not EccError.NONE
        text = f"{name} " + ("reports unreadable words" if seen else "gives half-written words without a sign")
        facts.append(Fact(text, f"chip: memory {name}: ecc_error", seen))
        if memory.kind is MemoryKind.EXTERNAL:
            text = f"{name} can be exchanged after it was checked (RFC 9124, time of check to time of use)"
            facts.append(Fact(text, f"chip: memory {name}: kind", False))
    return facts


def _hardware_noticed(ground: Ground) -> list[Fact]:
    tamper = ground.product.chip.find_protections(ProtectionKind.TAMPER_INPUT)
    text = "a tamper input reports an opened case" if tamper else "nothing reports an opened case"
    return [Fact(text, "chip: tamper input", bool(tamper), True)]


def _hang_noticed(ground: Ground) -> list[Fact]:
    there = bool(ground.product.chip.find_protections(ProtectionKind.WATCHDOG))
    runs = ground.product.update.watchdog_s is not None
    return [
        Fact("the part has a watchdog" if there else "the part describes no watchdog", "chip: watchdog", there, True),
        Fact("it runs" if runs else "no period is given: it does not run", "product: update.watchdog", runs, True),
    ]


def _image_recovered(ground: Ground) -> list[Fact]:
    back = ground.demand.traits.way_back and ground.product.update.trial
    recovery = bool(_blocks(ground, BlockRole.RECOVERY))
    text = "a failed image gives way to the one before" if back else "a permanent recovery image fetches another"
    if not back and not recovery:
        text = "a bad image stays until another arrives"
    facts = [Fact(text, "product: update.procedure", back or recovery, True)]
    if back:
        facts += _way_back_kept(ground)
    facts.append(_hang_noticed(ground)[1])
    return facts


def _records_recovered(ground: Ground) -> list[Fact]:
    facts = []
    for region in ground.map.regions:
        if region.role in (BlockRole.JOURNAL, BlockRole.FLOOR, BlockRole.REQUESTS, BlockRole.SELECTOR):
            two = region.sectors >= 2
            text = f"{region.block} has {region.sectors} sectors: " + (
                "one is erased while the other holds the newest record" if two else "a cut while it is erased loses it"
            )
            facts.append(Fact(text, "map", two, True))
    return facts


def _debug_closed(ground: Ground) -> list[Fact]:
    return [_port_fact(ground, vital=True)]


def _reading_closed(ground: Ground) -> list[Fact]:
    read = ground.has_lock(ProtectionKind.EXTERNAL_READ_LOCK)
    debug = ground.has_lock(ProtectionKind.DEBUG_LOCK)
    facts = [
        Fact(
            "some lock keeps readers out" if read or debug else "no lock keeps readers out",
            "chip",
            bool(read or debug),
            True,
        )
    ]
    if not read:
        text = "no external read lock of its own: other ports than the debug port are a question to the data sheet"
        facts.append(Fact(text, "chip: external read lock", False))
    return facts


def _settings_closed(ground: Ground) -> list[Fact]:
    facts = []
    for protection in ground.product.chip.protections:
        used = any(c.protection == protection.name for c in ground.covers)
        if protection.kind in (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK) or used:
            held = protection.lock is not Lock.NONE
            text = f"{protection.name} holds: {protection.lock.value}"
            facts.append(Fact(text, f"chip: protection {protection.name}: lock", held, True))
            facts += _torn_fact(ground, protection)
    return facts or [Fact("the part has nothing to set", "chip: protection", False, True)]


def _torn_fact(ground: Ground, protection: Protection) -> list[Fact]:
    """Return what a cut does to a protection that lies in a settings area which the procedure writes in the field."""
    areas = {area.memory: area for area in ground.product.chip.settings_areas}
    area = areas.get(protection.held_in)
    if area is None or Torn.DEFAULT not in area.torn or ground.map.procedure != Procedure.BANK_FLIP:
        return []
    text = f"{protection.name} falls when a cut leaves {area.memory} in its default: the boot stage must set it again"
    return [Fact(text, f"chip: settings {area.memory}: torn", False)]


def _return_possible(ground: Ground) -> list[Fact]:
    locks = ground.has_lock(ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK)
    opens = Lock.PERMANENT not in locks
    text = "a full erase opens a returned unit, and takes its secrets with it"
    if not opens:
        text = "a returned unit stays closed for ever: it can be tested only by what it reports itself"
    facts = [Fact(text, "chip: lock", opens)]
    one_time = [m.name for m in ground.product.chip.memories if m.kind is MemoryKind.ONE_TIME]
    if one_time:
        facts.append(Fact(f"what lies in {', '.join(one_time)} cannot be erased at the end", "chip: memory", False))
    return facts


_AIMS = (
    ("root-fixed", Column.ROOTS, "The first code stays as it was delivered.", _FIXED, _root_fixed),
    ("root-first", Column.ROOTS, "Nothing runs before it.", _ROOTS, _root_first),
    ("anchors-fixed", Column.ROOTS, "Only the root decides which keys count.", _ROOTS, _anchors_fixed),
    (
        "root-apart",
        Column.ROOTS,
        "The root's secrets and state are out of the application's reach.",
        _ROOTS,
        _root_apart,
    ),
    (
        "code-by-update-only",
        Column.PROTECT,
        "Code in the field changes by an approved update and in no other way.",
        _UPDATE,
        _code_by_update,
    ),
    ("floor-kept", Column.PROTECT, "The version floor is raised by the root alone.", _UPDATE, _floor_kept),
    ("way-back-kept", Column.PROTECT, "An image on trial cannot destroy its predecessor.", _UPDATE, _way_back_kept),
    ("data-kept", Column.PROTECT, "Data that the device needs survives updates and attacks.", _DATA, _data_kept),
    ("secrets-unread", Column.PROTECT, "Secrets are read by those who need them alone.", _DATA, _secrets_unread),
    ("change-detected", Column.DETECT, "Changed code is noticed before it runs.", _DETECT, _change_detected),
    ("hang-noticed", Column.DETECT, "Code that hangs is noticed.", _DETECT, _hang_noticed),
    ("hardware-noticed", Column.DETECT, "Hands on the hardware are noticed.", _COMMON, _hardware_noticed),
    ("image-recovered", Column.RECOVER, "After a bad image, a good one runs again.", _RECOVER, _image_recovered),
    ("records-recovered", Column.RECOVER, "The root's records survive a power cut.", _RECOVER, _records_recovered),
    ("debug-closed", Column.LIFE_CYCLE, "The debug port is closed in the field.", _COMMON, _debug_closed),
    ("reading-closed", Column.LIFE_CYCLE, "Memory cannot be read from outside in the field.", _COMMON, _reading_closed),
    ("settings-closed", Column.LIFE_CYCLE, "What was locked stays locked.", _COMMON, _settings_closed),
    (
        "return-possible",
        Column.LIFE_CYCLE,
        "A unit can come back and be taken out of service without leaving secrets.",
        _COMMON,
        _return_possible,
    ),
)
