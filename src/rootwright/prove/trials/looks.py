"""What the product's own choices leave open: no device can keep secret what is sent in the clear."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.device.consumer import Consumer
from rootwright.device.consumer.state import Installed, is_fill_readable
from rootwright.prove.trials.model import Look
from rootwright.prove.trials.subject import Subject, with_sequence
from rootwright.release.shape import erased_byte
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.numbers import Parameter
from rootwright.suit.structures import Command, CommandSequence, OverrideParameters, iterate_commands


def _offline(subject: Subject, consumer: Consumer) -> str:
    """Offer the release before the newest to a device that missed it, as if it were the newest."""
    from dataclasses import replace

    missed = subject.release.sequence - 1
    device = replace(subject.device, floor=missed - 1, installed=Installed(missed - 1, bytes(32)))
    report = consumer.consume(with_sequence(subject, missed), device, subject.fetch())
    if report.is_refused:
        return ""
    return (
        f"a device that was away at number {missed - 1} takes number {missed} although {subject.release.sequence} is"
        " out; the manifest has no time limit (REQ.SEC.EXP, optional), so an attacker who holds back the newest can"
        " still offer any release above the floor"
    )


def _commands(subject: Subject) -> Iterator[Command]:
    manifest = subject.manifest
    sections: tuple[object, ...] = (
        manifest.shared,
        manifest.payload_fetch,
        manifest.install,
        manifest.validate,
        manifest.load,
        manifest.invoke,
    )
    for section in sections:
        if isinstance(section, tuple):
            sequence: CommandSequence = section
            yield from iterate_commands(sequence)


def _disclosure(subject: Subject, consumer: Consumer) -> str:
    fills = {erased_byte(memory) for memory in subject.device.settings.memories}
    plain = {image.flatten(fill) for files in subject.images.values() for image in files for fill in fills}
    sent = [payload for payload in subject.release.payloads if payload.content in plain]
    encrypted = any(
        number == Parameter.ENCRYPTION_INFO
        for command in _commands(subject)
        if isinstance(command, OverrideParameters)
        for number, _ in command.parameters
    )
    if not sent or encrypted:
        return ""
    names = ", ".join(payload.file_name for payload in sent)
    return f"{len(sent)} payloads travel as plain images ({names}); whoever has the files or the link can read the code"


def _exposure(subject: Subject, consumer: Consumer) -> str:
    manifest = decode_manifest(decode_envelope(subject.release.envelope).manifest)
    named = [payload.uri for payload in subject.release.payloads]
    return (
        f"the manifest is signed and not encrypted: sequence number {manifest.sequence_number}, components, sizes,"
        f" digests, text and the places of payloads ({', '.join(named)}) can be read without a key;"
        " a link that encrypts is the way out"
    )


def _unreadable_fill(subject: Subject, consumer: Consumer) -> str:
    open_blocks = [
        region.block
        for place in subject.places
        if place.staging is None
        for region in place.slots
        if not is_fill_readable(subject.device.settings.memory(region.memory))
    ]
    if not open_blocks:
        return ""
    return (
        f"what lies behind the image in {', '.join(open_blocks)} cannot be read reliably on this part, so data put"
        " there after the check is not seen"
    )


LOOKS = (
    Look(
        "offline",
        ("THREAT.IMG.EXPIRED.OFFLINE",),
        "A device that was away is offered a release that is no longer the newest",
        "someone who holds back the newest release and offers an older one above the device's floor",
        _offline,
    ),
    Look(
        "plain-payload",
        ("THREAT.IMG.DISCLOSURE", "THREAT.NET.ONPATH"),
        "Payloads that can be read on their way",
        "nothing; the files are read as they are sent",
        _disclosure,
    ),
    Look(
        "plain-manifest",
        ("THREAT.MFST.EXPOSURE", "THREAT.NET.ONPATH"),
        "A manifest that can be read on its way",
        "nothing; the file is read as it is sent",
        _exposure,
    ),
    Look(
        "unreadable-fill",
        ("THREAT.IMG.EXTRA",),
        "Room behind an image that the device cannot judge",
        "whoever can write there",
        _unreadable_fill,
    ),
)
