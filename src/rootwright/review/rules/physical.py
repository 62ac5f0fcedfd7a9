"""Rules about faults, tampering, side channels, and the production line."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.describe.attack import Measure
from rootwright.describe.chip import ProtectionKind
from rootwright.describe.product import Attacker
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124

MANY_DEVICES = 1000
"""From here on devices pass through many hands while they are made. Common practice, no source."""


def _declares(subject: Subject, measure: Measure) -> bool:
    return measure in subject.product.review.measures


def _bench(subject: Subject) -> Iterator[Hit]:
    if subject.bench is not None and subject.bench.hits:
        yield Hit("bench", f"{subject.bench.hits} of {subject.bench.tried} faults tried on the bench got through")


def _glitch(subject: Subject) -> Iterator[Hit]:
    if subject.in_scope(Attacker.GLITCH) and not _declares(subject, Measure.DOUBLE_CHECKS):
        clean = subject.bench is not None and subject.bench.is_clean
        if not clean:
            yield Hit(
                "review.measures", "faults are in scope; neither double checks nor a clean bench speak against them"
            )


def _tamper(subject: Subject) -> Iterator[Hit]:
    if not subject.in_scope(Attacker.GLITCH, Attacker.PROBE, Attacker.EXTERNAL_BUS):
        return
    if subject.product.chip.find_protections(ProtectionKind.TAMPER_INPUT):
        return
    if not _declares(subject, Measure.SEALED_ENCLOSURE):
        yield Hit("review.measures", "hands on the board are in scope; no tamper input, no sealed enclosure")


def _side_channel(subject: Subject) -> Iterator[Hit]:
    if subject.in_scope(Attacker.GLITCH) and not _declares(subject, Measure.SIDE_CHANNEL_HARDENED):
        yield Hit(
            "review.measures", "measurements at the board are in scope, and nothing says that keys withstand them"
        )


def _per_device(subject: Subject) -> Iterator[Hit]:
    if not _declares(subject, Measure.PER_DEVICE_KEYS):
        yield Hit("review.measures", "nothing says that each device has keys of its own")


def _line(subject: Subject) -> Iterator[Hit]:
    many = subject.product.fleet.devices >= MANY_DEVICES
    if many and not _declares(subject, Measure.LINE_TWO_PEOPLE):
        found = f"{subject.product.fleet.devices:,} devices, and nothing says that the line is watched by two"
        yield Hit("review.measures", found)


def _build(subject: Subject) -> Iterator[Hit]:
    if not _declares(subject, Measure.REPRODUCIBLE_BUILD):
        yield Hit("review.measures", "nothing says that a second build gives the same bytes")


RULES = (
    Rule(
        "physical.bench-hits",
        "No single fault on the bench gets through",
        "What an emulator finds in minutes, others find as well.",
        "mend the places that the bench names, and run it again",
        (iec62443("EDR 3.14"), cra("II (3)", quoted=True)),
        _bench,
    ),
    Rule(
        "physical.glitch",
        "Checks that decide are made more than once where faults are in scope",
        "One skipped instruction must not be enough.",
        'check twice, in different ways, and declare "double checks"; then try it on the bench',
        (iec62443("EDR 3.11"), iec62443("EDR 3.14")),
        _glitch,
    ),
    Rule(
        "physical.tamper",
        "Opening is noticed where hands are in scope",
        "Most physical attacks begin with an open case.",
        'use a tamper input, or declare "sealed enclosure"',
        (iec62443("EDR 3.11"),),
        _tamper,
        note=True,
    ),
    Rule(
        "physical.side-channel",
        "Keys withstand measurement where hands are in scope",
        "Unprotected ciphers give their keys to whoever measures them long enough.",
        'use hardware or code that is made for it and declare "side-channel hardened"',
        (iec62443("CR 4.3"), en303645("5.4-1")),
        _side_channel,
        note=True,
    ),
    Rule(
        "physical.per-device-keys",
        "Each device has keys of its own",
        "A shared key makes one opened device the end of all.",
        'make keys in the device and declare "per-device keys"',
        (en303645("5.4-4"), iec62443("EDR 3.13")),
        _per_device,
        note=True,
    ),
    Rule(
        "physical.line",
        "The production line is watched",
        "Whoever programs devices decides what is in them.",
        'let two people share the duty, read back what was programmed, and declare "two people on the line"',
        (iec62443("EDR 3.12"), nist193("section 4.1.1")),
        _line,
        note=True,
    ),
    Rule(
        "physical.build",
        "Somebody else can build the same bytes",
        "What was altered before it was signed is signed; two builds that agree make that hard.",
        'make the build repeatable, compare two, and declare "reproducible build"',
        (rfc9124("REQ.SEC.MFST.CHECK"), rfc9124("REQ.SEC.MFST.TRUSTED"), cra("II (1)", quoted=True)),
        _build,
        note=True,
    ),
)
