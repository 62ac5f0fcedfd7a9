"""Rules about write protection beyond boot stage, floor and trust anchors, which `rootwright check` asks for."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rootwright.describe.attack import Fact
from rootwright.describe.chip import Lock
from rootwright.describe.product import Attacker
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Region
from rootwright.plan.root_of_trust import lasting_write_protections
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124

_FIELD = "lock.write_protect"


def _open(what: str, *roles: BlockRole, starts: str = "") -> Callable[[Subject], Iterator[Hit]]:
    """Return a check for blocks that an exploited application, where it is in scope, can write."""

    def check(subject: Subject) -> Iterator[Hit]:
        if not subject.in_scope(Attacker.EXPLOITED_APPLICATION):
            return
        for region in subject.regions(*roles):
            if region.block.startswith(starts) and region.block not in subject.product.protect:
                yield Hit(_FIELD, f"{region.block} is not write-protected: {what}", region.block)

    return check


def _way_back(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    if not (subject.plan.plan.demand.traits.way_back and product.update.trial):
        return
    if not subject.in_scope(Attacker.EXPLOITED_APPLICATION):
        return
    for region in subject.regions(BlockRole.STAGING, BlockRole.SLOT):
        if not region.block.startswith("run:") and region.block not in product.protect:
            found = f"{region.block} holds the way back during a trial and is not write-protected"
            yield Hit(_FIELD, found, region.block)


def _changing(subject: Subject) -> tuple[Region, ...]:
    return subject.regions(
        BlockRole.SLOT,
        BlockRole.STAGING,
        BlockRole.LIFT,
        BlockRole.JOURNAL,
        BlockRole.SELECTOR,
        BlockRole.REQUESTS,
        BlockRole.FLOOR,
    )


def _bricks(subject: Subject) -> Iterator[Hit]:
    for region in _changing(subject):
        kinds = {p.lock for p in lasting_write_protections(subject.product.chip, region.memory)}
        if region.block in subject.product.protect and kinds == {Lock.PERMANENT}:
            found = f"{region.block} must change with updates, and {region.memory} has only locks for ever"
            yield Hit(_FIELD, found, region.block)


def _reopens(subject: Subject) -> Iterator[Hit]:
    if not subject.in_scope(Attacker.PROBE):
        return
    for region in subject.regions(BlockRole.BOOT):
        kinds = {p.lock for p in lasting_write_protections(subject.product.chip, region.memory)}
        if region.block in subject.product.protect and kinds == {Lock.ERASE_TO_OPEN}:
            found = f"{region.block} is locked until a full erase, and a probe is in scope"
            yield Hit("chip.protection", found, region.block)


def _falls(subject: Subject) -> Iterator[Hit]:
    facts = subject.facts.holding
    if Fact.LOCKS_FALL_AT_RESET in facts and Fact.FIXED_ENTRY not in facts and subject.in_scope(Attacker.GLITCH):
        yield Hit(_FIELD, "the boot stage's lock is set at every start, and faults are in scope", "boot")


def _keep(subject: Subject) -> Iterator[Hit]:
    for region in subject.regions(BlockRole.KEEP):
        if region.block in subject.product.protect:
            yield Hit(_FIELD, f"{region.block} is write-protected: the application can never change it", region.block)


RULES = (
    Rule(
        "locks.recovery",
        "The recovery image is write-protected",
        "It is what is left when everything else is gone; code that can spoil it takes the last way back.",
        "add it to write_protect",
        (nist193("section 4.4.1"), en303645("5.9-1"), cra("I (2)(h)")),
        _open("the last way back can be spoilt", BlockRole.RECOVERY),
    ),
    Rule(
        "locks.run-slot",
        "Running images are write-protected while they run",
        "Code that can write its own slot survives a restart, or leaves nothing that starts.",
        "add it to write_protect; the boot stage opens it while it installs",
        (nist193("section 4.2.1.2"), en303645("5.7-1"), iec62443("EDR 3.2"), cra("I (2)(f)")),
        _open("the running code can rewrite itself", BlockRole.SLOT, starts="run:"),
    ),
    Rule(
        "locks.way-back",
        "The way back is write-protected during a trial",
        "A new image that turns out hostile or broken must not be able to spoil the old one.",
        "add it to write_protect, and open it only for the application that may receive an update",
        (nist193("section 4.4.1"), iec62443("CR 7.4"), cra("I (2)(h)")),
        _way_back,
    ),
    Rule(
        "locks.journal",
        "Journal and selector are write-protected",
        "The boot stage goes by these records; who writes them decides what runs.",
        "add it to write_protect; the application asks through the request log",
        (nist193("section 4.2.1.3"), nist193("section 4.2.4")),
        _open("the boot stage goes by it", BlockRole.JOURNAL, BlockRole.SELECTOR),
    ),
    Rule(
        "locks.lift",
        "Lift sectors are write-protected",
        "During an exchange the only copy of a piece of an image is there.",
        "add it to write_protect",
        (nist193("section 4.2.1.2"),),
        _open("it holds the only copy of a piece during an exchange", BlockRole.LIFT),
    ),
    Rule(
        "locks.bricks-update",
        "Nothing that updates change is locked for ever",
        "A lock for ever on a slot or a log makes the first release the last one.",
        "take it out of write_protect, or use a lock that falls at reset",
        (en303645("5.3-1"), iec62443("EDR 3.10"), cra("I (2)(c)", quoted=True)),
        _bricks,
    ),
    Rule(
        "locks.reopens",
        "The boot stage's lock outlives a probe",
        "A lock that a full erase opens does not keep the code genuine against hands on the board.",
        "use a permanent lock, or accept that a device in hands can be given other code",
        (nist193("section 4.2.2"), iec62443("EDR 3.11")),
        _reopens,
    ),
    Rule(
        "locks.falls-at-reset",
        "The boot stage's lock does not hang on one instruction",
        "A lock that code sets at every start can be missed by one fault.",
        "use a lock that outlives a reset for the boot stage, or check after setting it",
        (nist193("section 4.2.2"), iec62443("EDR 3.14")),
        _falls,
        note=True,
    ),
    Rule(
        "locks.keep-closed",
        "Keep-areas can be written by whom they belong to",
        "Calibration and settings change in service; a protected area may make a recalibration impossible.",
        "take it out of write_protect, or open it in the recovery image",
        (rfc9124("REQ.SEC.ACCESS_CONTROL"), iec62443("CR 7.4")),
        _keep,
        note=True,
    ),
)
