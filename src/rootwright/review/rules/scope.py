"""Rules about who is in scope, and about names that tell devices apart."""

from __future__ import annotations

import re
from collections.abc import Iterator

from rootwright.describe.chip import Lock, MemoryKind, ProtectionKind
from rootwright.describe.product import Attacker, ImageRole
from rootwright.layout.demand import BlockRole
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, rfc9124

RESERVED = ("example", "test", "invalid", "localhost", "local")
"""Top names that nobody can own: RFC 2606 and RFC 6761, `local` by RFC 6762."""


def _nobody(subject: Subject) -> Iterator[Hit]:
    if not subject.product.attackers:
        yield Hit("attackers.in_scope", "nobody is in scope, so nothing is asked of the product")


def _network(subject: Subject) -> Iterator[Hit]:
    if subject.product.attackers and not subject.in_scope(Attacker.NETWORK):
        yield Hit("attackers.in_scope", f"the device is reached by {subject.product.link.name}, and the network is not")


def _application(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    reachable = product.find_images(ImageRole.RADIO_STACK) or subject.in_scope(Attacker.NETWORK)
    if product.attackers and reachable and not subject.in_scope(Attacker.EXPLOITED_APPLICATION):
        yield Hit("attackers.in_scope", "the application answers a network, and its exploitation is not in scope")


def _probe(subject: Subject) -> Iterator[Hit]:
    locks = subject.product.chip.find_protections(ProtectionKind.DEBUG_LOCK)
    stays_open = all(lock.lock is Lock.NONE for lock in locks)
    if stays_open and subject.product.attackers and not subject.in_scope(Attacker.PROBE):
        yield Hit("attackers.in_scope", "the debug port stays open, and a probe is not in scope")


def _bus(subject: Subject) -> Iterator[Hit]:
    outside = subject.external(*BlockRole)
    if outside and subject.product.attackers and not subject.in_scope(Attacker.EXTERNAL_BUS):
        names = ", ".join(region.block for region in outside)
        yield Hit("attackers.in_scope", f"{names} lie in external memory, and its bus is not in scope")


def _reserved(subject: Subject) -> Iterator[Hit]:
    top = subject.product.vendor_domain.rpartition(".")[2]
    if top in RESERVED:
        yield Hit("product.vendor_domain", f"{subject.product.vendor_domain} ends in .{top}, which nobody can own")


def _revision(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    words = re.split(r"[^\w.]+", product.class_name)
    if product.revision not in words:
        found = f"{product.class_name!r} does not say revision {product.revision!r}"
        yield Hit("product.class_name", found)


def _keep_file(subject: Subject) -> Iterator[Hit]:
    for keep in subject.product.keep:
        if keep.file is None:
            yield Hit("keep.file", f"{keep.name} has no file with its content as delivered", keep.name)


def _settings(subject: Subject) -> Iterator[Hit]:
    chip = subject.product.chip
    areas = [m.name for m in chip.memories if m.kind is MemoryKind.SETTINGS]
    held = {name for p in chip.protections if p.lock is not Lock.NONE for name in p.covers}
    if areas and not held & set(areas) and subject.in_scope(Attacker.EXPLOITED_APPLICATION):
        found = f"{', '.join(areas)}: no protection of the part covers it, and an exploited application is in scope"
        yield Hit("chip.protection", found)


RULES = (
    Rule(
        "scope.nobody",
        "Somebody is in scope",
        "A product that withstands nobody in particular withstands nobody.",
        "name who the product is meant to withstand, in attackers.in_scope",
        (iec62443("foundational requirements, security level"), cra("I (1)")),
        _nobody,
    ),
    Rule(
        "scope.network",
        "The network is in scope where there is a link",
        "Updates come over a link; so do attackers.",
        'add "network" to attackers.in_scope',
        (rfc9124("REQ.SEC.AUTHENTIC"), en303645("5.5-1")),
        _network,
    ),
    Rule(
        "scope.application",
        "An exploited application is in scope where it is reachable",
        "Code that answers a network has flaws; the question is what they reach.",
        'add "exploited application" to attackers.in_scope',
        (cra("I (2)(k)"), en303645("5.6-7"), iec62443("EDR 3.2")),
        _application,
    ),
    Rule(
        "scope.probe",
        "A probe is in scope where the debug port stays open",
        "Leaving it out of scope does not close it.",
        'close the port, or add "debug probe" to attackers.in_scope and read the ratings',
        (en303645("5.6-4", quoted=True), iec62443("EDR 2.13")),
        _probe,
    ),
    Rule(
        "scope.bus",
        "The external bus is in scope where it carries anything",
        "Its traces can be reached with a clip.",
        'add "external bus" to attackers.in_scope, or say who guards the board',
        (rfc9124("REQ.SEC.MFST.CONST"), iec62443("EDR 3.11")),
        _bus,
        note=True,
    ),
    Rule(
        "scope.reserved-domain",
        "The vendor domain is one that somebody owns",
        "Vendor identifiers are made from it; two vendors with the same name have the same identifier.",
        "use a domain name of your own",
        (rfc9124("REQ.SEC.COMPATIBLE"),),
        _reserved,
        note=True,
    ),
    Rule(
        "scope.class-revision",
        "The class names the hardware revision",
        "Firmware for another revision is as genuine and may destroy this one.",
        "put the revision into class_name, unless all revisions take the same firmware",
        (rfc9124("REQ.SEC.COMPATIBLE"), rfc9124("REQ.SEC.AUTH.COMPATIBILITY")),
        _revision,
        note=True,
    ),
    Rule(
        "scope.keep-file",
        "Keep-areas have content to test with",
        "That an update leaves them alone can only be seen where something stands in them.",
        "name a file with the content as delivered",
        (rfc9124("REQ.SEC.ACCESS_CONTROL"),),
        _keep_file,
        note=True,
    ),
    Rule(
        "scope.settings-area",
        "The settings area is covered by a lock",
        "Whoever writes it can switch protections off at the next reset, or stop the part for good.",
        "describe what locks it in the chip file, or plan for an application that writes it",
        (en303645("5.6-8"), iec62443("CR 7.7")),
        _settings,
        note=True,
    ),
)
