"""Rules about the keys that sign releases."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from rootwright.describe.attack import Measure
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124

LONG_LIFE_YEARS = 15.0
"""From here on a device outlives plans for today's signatures. Common practice, no source."""

CLASSICAL = ("ESP256", "ES256", "Ed25519", "EdDSA")


def _none(subject: Subject) -> Iterator[Hit]:
    if not subject.product.keys:
        yield Hit("key", "the product names no key that signs releases")


def _second(subject: Subject) -> Iterator[Hit]:
    keys = subject.product.keys
    if len(keys) == 1:
        yield Hit("key", f"{keys[0].name} is the only key", keys[0].name)


def _same_file(subject: Subject) -> Iterator[Hit]:
    counts = Counter(key.file for key in subject.product.keys)
    for file, count in counts.items():
        if count > 1:
            yield Hit("key.file", f"{count} keys are the same file, {file}", str(file))


def _beside(subject: Subject) -> Iterator[Hit]:
    folders = {
        file.parent
        for image in subject.product.images
        for file in (image.file, image.second_file, image.precursor, image.precursor_second)
        if file is not None
    }
    for key in subject.product.keys:
        if key.file.parent in folders:
            yield Hit("key.file", f"{key.name} lies in {key.file.parent}, beside firmware files", key.name)


def _hardware(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    if product.keys and Measure.KEY_IN_HARDWARE not in product.review.measures:
        yield Hit("review.measures", "nothing says that the signing key is kept in hardware", product.keys[0].name)


def _alone(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    if product.keys and Measure.TWO_PEOPLE_SIGN not in product.review.measures:
        yield Hit("review.measures", "nothing says that a second person must agree to a signature")


def _outlived(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    names = {key.algorithm for key in product.keys}
    if product.fleet.life_years >= LONG_LIFE_YEARS and names and names <= set(CLASSICAL):
        alone = ", ".join(sorted(names))
        found = f"devices live {product.fleet.life_years:g} years, and the boot stage checks {alone} alone"
        yield Hit("key.algorithm", found)


RULES = (
    Rule(
        "keys.none",
        "Releases are signed",
        "Without a key any update is as good as another.",
        "add a [[key]] table",
        (rfc9124("REQ.SEC.AUTHENTIC"), nist193("section 4.2.1.1"), en303645("5.3-9"), cra("I (2)(f)")),
        _none,
    ),
    Rule(
        "keys.second",
        "There is a second key to turn to",
        "A key that is lost ends all updates; one that is stolen must be replaced by another that devices know.",
        "put a second trust anchor into devices, and keep its private half apart from the first",
        (rfc9124("REQ.SEC.KEY.ROTATION"), nist193("section 4.1.2")),
        _second,
        note=True,
    ),
    Rule(
        "keys.same-file",
        "Two keys are two keys",
        "A second key in the same file is lost and stolen together with the first.",
        "make another key and keep it elsewhere",
        (rfc9124("REQ.SEC.KEY.ROTATION"),),
        _same_file,
    ),
    Rule(
        "keys.beside-firmware",
        "Keys do not lie beside firmware",
        "Folders with firmware are copied, archived and sent.",
        "keep the key in a folder of its own, or in hardware",
        (rfc9124("REQ.SEC.KEY.PROTECTION"), en303645("5.4-1")),
        _beside,
    ),
    Rule(
        "keys.hardware",
        "The signing key is kept in hardware",
        "A file is copied without a trace.",
        'keep it in hardware and declare "signing key in hardware"',
        (rfc9124("REQ.SEC.KEY.PROTECTION"), iec62443("CR 4.3")),
        _hardware,
        note=True,
    ),
    Rule(
        "keys.two-people",
        "Nobody signs alone",
        "Hardware signs what it is told; one person, or one stolen password, should not be enough to tell it.",
        'let a second person agree and declare "two people sign"',
        (rfc9124("REQ.SEC.MFST.CHECK"), rfc9124("REQ.SEC.RIGHTS")),
        _alone,
        note=True,
    ),
    Rule(
        "keys.outlived",
        "Signatures hold for the device's life",
        "What the boot stage can check is fixed on the day of production; today's signatures may not hold that long.",
        "let the boot stage check a hash-based signature as well, or plan how anchors and algorithms are replaced",
        (en303645("5.3-7"), iec62443("CR 4.3"), rfc9124("REQ.SEC.KEY.ROTATION")),
        _outlived,
        note=True,
    ),
)
