"""Controls: the genuine release must go in, or no refusal means anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rootwright.device.consumer import Consumer, keep
from rootwright.prove.trials.model import Attempt, NotApplicable, NothingToDo, Trial, Unaffected
from rootwright.prove.trials.subject import Subject
from rootwright.suit.numbers import ManifestKey


def _genuine(subject: Subject) -> Sequence[Attempt]:
    return [Attempt(subject.release.envelope, subject.fetch(), subject.device)]


def _severed(subject: Subject) -> Sequence[Attempt]:
    members = (ManifestKey.INSTALL, ManifestKey.TEXT)
    return [Attempt(subject.sign(subject.manifest, severed=members), subject.fetch(), subject.device)]


def _second(subject: Subject) -> Sequence[Attempt]:
    if all(len(place.slots) == 1 for place in subject.places):
        raise NotApplicable("the procedure runs code from one slot")
    device = subject.device
    for place, payload in zip(subject.places, subject.received(), strict=True):
        device = device.write(place.slots[1], payload.content[:-1] + b"\x00", offset=place.slots[1].header)
    return [Attempt(subject.release.envelope, subject.fetch(), replace(device, running=1))]


def _again(subject: Subject) -> Sequence[Attempt]:
    reference = Consumer()
    offer = reference.consume(subject.release.envelope, subject.device, subject.fetch())
    begun = reference.start(offer.device)
    return [
        Attempt(subject.release.envelope, subject.fetch(), begun.device, label="on trial"),
        Attempt(subject.release.envelope, subject.fetch(), keep(begun.device), label="kept"),
    ]


TRIALS = (
    Trial("genuine", (), "The genuine release", "nothing", Unaffected(), _genuine),
    Trial(
        "genuine-severed", (), "Install section and text stand beside the manifest", "nothing", Unaffected(), _severed
    ),
    Trial("genuine-second", (), "The second slot runs", "nothing", Unaffected(), _second),
    Trial("genuine-again", (), "What is installed is offered again", "nothing", NothingToDo(), _again),
)
