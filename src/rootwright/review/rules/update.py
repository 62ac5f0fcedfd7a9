"""Rules about how updates reach a device and what comes of a bad one."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from rootwright.describe.attack import Measure
from rootwright.describe.product import PayloadPlace
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124

LONGEST_DOWNLOAD_S = 24 * 3600.0
"""A release that takes longer to arrive than this is late by design. Common practice, no source."""

LONGEST_WATCHDOG_S = 60.0
"""A watchdog slower than this leaves a device standing long enough to be noticed. Common practice, no source."""

CLEAR_SCHEMES = ("http", "coap", "ftp", "tftp")
LOCAL_SCHEMES = ("file",)


def _way_back(subject: Subject) -> Iterator[Hit]:
    traits = subject.plan.plan.demand.traits
    if not traits.way_back and "recovery" not in traits.images_kept:
        yield Hit("update.procedure", f"{traits.name} keeps neither the old images nor a recovery image")


def _trial(subject: Subject) -> Iterator[Hit]:
    if subject.plan.plan.demand.traits.way_back and not subject.product.update.trial:
        yield Hit("update.trial", "the procedure has a way back, and new images are not on trial")


def _interrupted(subject: Subject) -> Iterator[Hit]:
    traits = subject.plan.plan.demand.traits
    if subject.product.link.interrupted and not traits.survives_interrupted_download:
        yield Hit("link.interrupted", f"downloads are often cut off, and {traits.name} does not survive that")


def _integrated(subject: Subject) -> Iterator[Hit]:
    product = subject.product
    if product.link.interrupted and product.update.payload is PayloadPlace.INTEGRATED:
        yield Hit("update.payload", "downloads are often cut off, and payloads travel inside the envelope")


def _download(subject: Subject) -> Iterator[Hit]:
    sizes = dict(subject.plan.image_sizes)
    total = sum(sizes[image.name] for image in subject.product.updatable_images)
    seconds = total / subject.product.link.bytes_per_s
    if seconds > LONGEST_DOWNLOAD_S:
        found = (
            f"a release of {total:,} bytes takes {seconds / 3600:.0f} hours at {subject.product.link.bytes_per_s:g} B/s"
        )
        yield Hit("link.rate", found)


def _clear(subject: Subject) -> Iterator[Hit]:
    scheme = urlsplit(subject.product.update.uri).scheme.lower()
    if scheme in CLEAR_SCHEMES and Measure.PROTECTED_LINK not in subject.product.review.measures:
        yield Hit("update.uri", f"payloads are fetched by {scheme}, which protects nothing on the way")


def _domain(subject: Subject) -> Iterator[Hit]:
    host = (urlsplit(subject.product.update.uri).hostname or "").lower()
    vendor = subject.product.vendor_domain
    if host and host != vendor and not host.endswith("." + vendor):
        yield Hit("update.uri", f"payloads come from {host}, which is not below {vendor}")


def _secret_in_uri(subject: Subject) -> Iterator[Hit]:
    parts = urlsplit(subject.product.update.uri)
    if parts.username or parts.password:
        yield Hit("update.uri", "the address holds a user name or password, and every device gets to read it")


def _no_uri(subject: Subject) -> Iterator[Hit]:
    update = subject.product.update
    if update.payload is PayloadPlace.DETACHED and not update.uri:
        yield Hit("update.uri", "payloads are fetched, and nothing says from where")


def _growth(subject: Subject) -> Iterator[Hit]:
    for image in subject.product.updatable_images:
        if image.growth == 0:
            yield Hit("image.growth", f"{image.name} has no allowance for growth", image.name)


def _tight(subject: Subject) -> Iterator[Hit]:
    for room in subject.plan.plan.row.rooms:
        if subject.product.image(room.image).updatable and room.largest < room.size * 1.05:
            found = f"{room.image} has {room.size:,} bytes, its slots hold {room.largest:,}"
            yield Hit("image.growth", found, room.image)


def _rate(subject: Subject) -> Iterator[Hit]:
    if subject.product.fleet.updates_per_year < 1:
        yield Hit("fleet.updates_per_year", f"{subject.product.fleet.updates_per_year:g} updates a year are planned")


def _slow_watchdog(subject: Subject) -> Iterator[Hit]:
    period = subject.product.update.watchdog_s
    if period is not None and period > LONGEST_WATCHDOG_S:
        yield Hit("update.watchdog", f"a device that hangs stands still for {period:g} s before it restarts")


def _verify_in_time(subject: Subject) -> Iterator[Hit]:
    product, chip = subject.product, subject.product.chip
    period = product.update.watchdog_s
    for key in product.keys:
        time = chip.crypto.verify_time(key.algorithm)
        if period is not None and time is not None and time.max_s >= period:
            found = f"one check of {key.algorithm} takes up to {time.max_s:g} s, the watchdog resets after {period:g} s"
            yield Hit("update.watchdog", found, key.name)


def _precursor(subject: Subject) -> Iterator[Hit]:
    for image in subject.product.updatable_images:
        if image.file is not None and image.precursor is None:
            yield Hit("image.precursor", f"{image.name} names no installed version's file", image.name)


def _description(subject: Subject) -> Iterator[Hit]:
    if not subject.product.update.description:
        yield Hit("update.description", "the release says nothing about what it brings")


RULES = (
    Rule(
        "update.way-back",
        "A bad update can be undone or replaced",
        "A new image that does not work must not be the end of the device.",
        "choose a procedure with a way back, or add a recovery image",
        (nist193("section 4.4.1"), iec62443("CR 7.4"), cra("I (2)(h)"), en303645("5.9-1")),
        _way_back,
    ),
    Rule(
        "update.trial",
        "New images are on trial where there is a way back",
        "Without a trial nobody notices in time that the new image cannot be updated again.",
        "set update.trial = true, and let the image report itself good once it can be updated again",
        (nist193("section 4.3.1"), nist193("section 4.4.1")),
        _trial,
    ),
    Rule(
        "update.interrupted",
        "A download that is cut off does no harm",
        "On such a link a download ends early as a matter of course.",
        "choose a procedure that survives it, such as recovery-image, copy-over or an exchange",
        (en303645("5.9-1"), rfc9124("REQ.SEC.AUTHENTIC"), cra("I (2)(h)")),
        _interrupted,
    ),
    Rule(
        "update.integrated",
        "A payload need not be fetched in one piece",
        "An envelope with its payload inside starts again from its first byte wherever the link is cut.",
        'set update.payload = "detached"',
        (en303645("5.3-3"), cra("II (8)", quoted=True)),
        _integrated,
    ),
    Rule(
        "update.download-time",
        "A release arrives within a day",
        "A fix that takes days to arrive leaves every device open for as long.",
        "make images smaller, raise the link's rate for updates, or plan for a visit",
        (en303645("5.3-8"), cra("II (2)", quoted=True)),
        _download,
    ),
    Rule(
        "update.clear-link",
        "The way of the payload is protected",
        "Whoever is on the way reads the firmware and learns which devices are behind.",
        'use a protected scheme, or declare "protected link" where the layer below protects it',
        (rfc9124("REQ.SEC.IMG.CONFIDENTIALITY"), en303645("5.5-1"), cra("I (2)(e)")),
        _clear,
        note=True,
    ),
    Rule(
        "update.foreign-host",
        "Payloads come from the vendor's own domain",
        "Who holds the other domain decides what devices are answered, and when it ends.",
        "serve payloads below vendor_domain, or keep a way to move devices elsewhere",
        (rfc9124("REQ.SEC.AUTH.REMOTE_LOC"), cra("II (7)", quoted=True)),
        _domain,
        note=True,
    ),
    Rule(
        "update.secret-in-uri",
        "No secret stands in the payload's address",
        "The address is in every manifest; what is in it is public.",
        "take it out; authenticate the device on the link instead",
        (rfc9124("REQ.SEC.MFST.CONFIDENTIALITY"), en303645("5.4-3"), iec62443("CR 4.1")),
        _secret_in_uri,
    ),
    Rule(
        "update.no-address",
        "Fetched payloads have an address",
        "Without one a device depends on whatever told it of the update.",
        "give update.uri, so that the address is signed with the manifest",
        (rfc9124("REQ.SEC.AUTH.REMOTE_LOC"),),
        _no_uri,
        note=True,
    ),
    Rule(
        "update.growth",
        "Images may grow",
        "A fix needs room; a full slot turns a fix into a redesign.",
        'give it an allowance, such as growth = "15 %"',
        (cra("I (2)(c)", quoted=True), en303645("5.3-1")),
        _growth,
    ),
    Rule(
        "update.tight-slot",
        "Slots are larger than today's images",
        "Less than a twentieth of room is used up by the first fixes.",
        "make the slot larger or the image smaller",
        (cra("I (2)(c)", quoted=True), en303645("5.3-1")),
        _tight,
    ),
    Rule(
        "update.rate",
        "Updates are planned at least yearly",
        "Wear, keys and people that are not planned for updates are not there when one is due.",
        "plan for at least one release a year, in fleet.updates_per_year",
        (en303645("5.3-8"), cra("II (2)", quoted=True)),
        _rate,
    ),
    Rule(
        "update.slow-watchdog",
        "A hang ends within a minute",
        "A new image that hangs keeps the device from its work, and from being put back, until the watchdog acts.",
        "shorten the period; feed the watchdog while flash is erased",
        (en303645("5.9-2"), iec62443("CR 7.1"), cra("I (2)(h)")),
        _slow_watchdog,
    ),
    Rule(
        "update.verify-in-time",
        "A signature is checked within the watchdog's period",
        "A check that is cut off by a reset never ends: the device restarts for ever.",
        "lengthen the period, feed the watchdog during the check, or use a faster algorithm",
        (nist193("section 4.2.1.1"), iec62443("EDR 3.14")),
        _verify_in_time,
    ),
    Rule(
        "update.precursor",
        "The installed version is at hand for trials",
        "Whether a device refuses old releases can only be tried with one.",
        "name its file as precursor",
        (rfc9124("REQ.SEC.SEQUENCE"), cra("II (3)", quoted=True)),
        _precursor,
        note=True,
    ),
    Rule(
        "update.description",
        "A release says what it brings",
        "People decide when to stop a machine by what they are told.",
        "fill in update.description",
        (en303645("5.3-11"), cra("II (8)", quoted=True)),
        _description,
        note=True,
    ),
)
