"""Rules about the part: debug access, memories, what its description says."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.describe.chip import BlankRead, Lock, MemoryKind, ProtectionKind
from rootwright.describe.product import Attacker, ImageRole
from rootwright.layout.demand import BlockRole
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124

_RECORDS = (BlockRole.FLOOR, BlockRole.JOURNAL, BlockRole.SELECTOR, BlockRole.REQUESTS)


def _debug_lock(subject: Subject) -> Iterator[Hit]:
    locks = subject.product.chip.find_protections(ProtectionKind.DEBUG_LOCK)
    if all(lock.lock is Lock.NONE for lock in locks):
        yield Hit("chip.protection", f"{subject.product.chip.name} describes no debug lock that stays closed")


def _debug_at_reset(subject: Subject) -> Iterator[Hit]:
    locks = {p.lock for p in subject.product.chip.find_protections(ProtectionKind.DEBUG_LOCK)} - {Lock.NONE}
    if locks == {Lock.UNTIL_RESET}:
        yield Hit("chip.protection", "the debug lock opens at every reset; a probe can be there first")


def _debug_reopens(subject: Subject) -> Iterator[Hit]:
    locks = {p.lock for p in subject.product.chip.find_protections(ProtectionKind.DEBUG_LOCK)}
    if Lock.ERASE_TO_OPEN in locks and Lock.PERMANENT not in locks and subject.in_scope(Attacker.PROBE):
        yield Hit("chip.protection", "a full erase opens the debug port again, and a probe is in scope")


def _read_lock(subject: Subject) -> Iterator[Hit]:
    chip = subject.product.chip
    closed = [
        p
        for kind in (ProtectionKind.EXTERNAL_READ_LOCK, ProtectionKind.DEBUG_LOCK)
        for p in chip.find_protections(kind)
        if p.lock is not Lock.NONE
    ]
    if not closed:
        yield Hit("chip.protection", "neither an external read lock nor a debug lock keeps the flash from being read")


def _typical(subject: Subject) -> Iterator[Hit]:
    if subject.product.chip.typical:
        yield Hit("product.chip", f"{subject.product.chip.name} is a profile with figures typical of a class of parts")


def _silicon(subject: Subject) -> Iterator[Hit]:
    if not subject.product.chip.silicon:
        yield Hit("chip.silicon", "the part file names no silicon revision")


def _blank_records(subject: Subject) -> Iterator[Hit]:
    for region in subject.regions(*_RECORDS):
        memory = subject.memory(region)
        if memory.kind is not MemoryKind.RAM and memory.erases and memory.blank_read is not BlankRead.VALUE:
            found = f"{region.block} is in {memory.name}, whose blank cells read as {memory.blank_read}"
            yield Hit("memory.blank_read", found, region.block)


def _isolation(subject: Subject) -> Iterator[Hit]:
    product, chip = subject.product, subject.product.chip
    fences = (
        ProtectionKind.SECURE_SPLIT,
        ProtectionKind.KEY_VAULT,
        ProtectionKind.CLOSED_UNTIL_RESET,
        ProtectionKind.GATED_CODE,
        ProtectionKind.PROTECTION_UNIT,
        ProtectionKind.PHYSICAL_MEMORY_PROTECTION,
    )
    if product.find_images(ImageRole.RADIO_STACK) and not any(chip.find_protections(kind) for kind in fences):
        yield Hit("product.chip", "a radio stack runs beside the application, and nothing in the part keeps them apart")


def _unprivileged(subject: Subject) -> Iterator[Hit]:
    product, chip = subject.product, subject.product.chip
    units = chip.find_protections(ProtectionKind.PROTECTION_UNIT)
    if units and not product.unprivileged and subject.in_scope(Attacker.EXPLOITED_APPLICATION):
        yield Hit(
            "lock.application_unprivileged", "the part has a protection unit, and the application runs privileged"
        )


def _counter(subject: Subject) -> Iterator[Hit]:
    chip = subject.product.chip
    outside = [r for r in subject.regions(BlockRole.FLOOR) if subject.memory(r).kind is MemoryKind.EXTERNAL]
    if outside and chip.find_protections(ProtectionKind.ONE_TIME_COUNTER):
        yield Hit(
            "pin", "the version floor is outside the package, and the part's one-time counter is not used", "floor"
        )


RULES = (
    Rule(
        "part.debug-lock",
        "The debug port can be closed",
        "Whoever attaches a probe to an open debug port is before every lock that code sets.",
        "choose a part whose debug port closes for good, or describe its lock in the chip file",
        (en303645("5.6-4", quoted=True), iec62443("EDR 2.13"), cra("I (2)(j)")),
        _debug_lock,
    ),
    Rule(
        "part.debug-at-reset",
        "The debug port is closed before code runs",
        "A lock that the boot stage must set leaves the port open until it has run.",
        "use a lock that is loaded before the core starts",
        (en303645("5.6-4", quoted=True), iec62443("EDR 2.13")),
        _debug_at_reset,
    ),
    Rule(
        "part.debug-reopens",
        "A full erase does not give the device away",
        "A port that opens by a full erase lets others program code of theirs into a genuine device.",
        "use the permanent lock where the part has one, or make the service refuse devices without their keys",
        (iec62443("EDR 3.11"), nist193("section 4.2.2")),
        _debug_reopens,
    ),
    Rule(
        "part.read-lock",
        "Flash cannot be read from outside",
        "Firmware that can be read is searched for flaws at leisure.",
        "choose a part with an external read lock, or close its debug port",
        (rfc9124("REQ.SEC.IMG.CONFIDENTIALITY"), iec62443("CR 4.1"), cra("I (2)(e)")),
        _read_lock,
    ),
    Rule(
        "part.typical",
        "The figures are those of the part's data sheet",
        "A packaged profile is a class of parts; times, endurance and locks of your part differ.",
        "copy the profile beside the product file, correct it with the data sheet, and name that file",
        (cra("II (3)", quoted=True),),
        _typical,
        note=True,
    ),
    Rule(
        "part.silicon",
        "The silicon revision is named",
        "Errata and locks differ between revisions; a description without one cannot be checked.",
        "name it as silicon in the chip file",
        (iec62443("CR 7.8"),),
        _silicon,
        note=True,
    ),
    Rule(
        "part.blank-records",
        "Records lie where blank memory reads reliably",
        "Code that looks for the end of a log reads blank cells; where they read as anything, it may see a record.",
        "keep such logs with a programmed mark and a check code, or move them to another memory",
        (nist193("section 4.2.4"), en303645("5.9-1")),
        _blank_records,
    ),
    Rule(
        "part.isolation",
        "A radio stack is kept apart",
        "Radio stacks are shared by many products and reachable from outside; a flaw in one reaches what runs with it.",
        "choose a part with a protection unit or better, or run the radio on a part of its own",
        (en303645("5.6-8"), cra("I (2)(k)"), iec62443("CR 7.7")),
        _isolation,
    ),
    Rule(
        "part.unprivileged",
        "The application runs unprivileged where a protection unit fences it",
        "Privileged code switches the protection unit off.",
        "run application and radio stack unprivileged and say so in lock.application_unprivileged",
        (en303645("5.6-7"), cra("I (2)(k)")),
        _unprivileged,
        note=True,
    ),
    Rule(
        "part.counter",
        "A version floor outside the package is backed by a counter inside",
        "An external memory can be put back to what it held before.",
        "keep the floor in the one-time counter, or move it inside the package",
        (rfc9124("REQ.SEC.SEQUENCE"), nist193("section 4.2.4")),
        _counter,
    ),
)
