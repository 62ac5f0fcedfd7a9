"""The hostile trials of a product as what they put into staging: bytes of an image, altered as each trial says.

The trials offer envelopes to the reference device. Here the manifest has had its say: what an image's payload holds is
put where the boot program looks for it, as an application would do that was fooled or is exploited. So the boot program
is asked alone, and a manifest that is wrong around a genuine image leads to the genuine image.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from rootwright.errors import RootwrightError
from rootwright.prove.trials import TRIALS, Subject
from rootwright.prove.trials.formats import TRIALS as FORMAT_TRIALS
from rootwright.prove.trials.model import Attempt, NotApplicable
from rootwright.release.packing import UnreadableImage
from rootwright.release.sections import Payload
from rootwright.suit.decode import decode_envelope

EDGES = (0, 1, 2, 3, 4, 7, 8, 16, 64)
"""Lengths of code, and distances from a full slot, that are packed anew."""


@dataclass(frozen=True, slots=True)
class Update:
    """One update to offer.

    Attributes:
        origin: Where it comes from, in words.
        kind: What it is counted as.
        signed: Whether the product's own reader takes it as authentic under the trial key: then it may run.
    """

    origin: str
    kind: str
    data: bytes = field(repr=False)
    signed: bool = False


def trial_updates(subject: Subject, image: str) -> list[Update]:
    """Return what the hostile trials would leave in staging of one image; each content once."""
    genuine = _payload(subject, image)
    found: dict[bytes, Update] = {}
    for trial in (*TRIALS, *(FORMAT_TRIALS if subject.form is not None else ())):
        try:
            attempts = trial.attempts(subject)
        except NotApplicable:
            continue
        for attempt in attempts:
            data = _received(attempt, genuine.uri)
            if data is not None and data != genuine.content:
                label = f", {attempt.label}" if attempt.label else ""
                update = Update(f"trial {trial.id}{label}", "trials", data, _is_signed(subject, genuine, data))
                found.setdefault(data, update)
    return list(found.values())


def packed_updates(subject: Subject, image: str, room: int) -> list[Update]:
    """Return images that the product's own packer signs although they are odd: very short, and longer than the slot.

    Args:
        room: Bytes of the staging area.
    """
    if subject.form is None:
        return []
    genuine = _payload(subject, image)
    about, code = subject.about(genuine), subject.code_of(genuine)
    longest = room - about.header_bytes - about.trailer_bytes
    lengths = {*EDGES, *(longest - n for n in EDGES), *(longest + n for n in EDGES)}
    found = []
    for length in sorted(n for n in lengths if n >= 0):
        data = subject.with_code(genuine, code[:length].ljust(length, b"\xa5"))
        found.append(Update(f"packed anew with {length} bytes of code", "packed anew", data, signed=True))
    for moved in (about.address + 4, about.address ^ 0x1000, 0):
        assert subject.form is not None
        data = subject.form.pack(code, replace(about, address=moved))
        found.append(Update(f"packed anew for 0x{moved:08X}", "packed anew", data))
    return found


@dataclass(frozen=True, slots=True)
class Repacker:
    """Packs mutated code with the product's own packer, so that what lies behind the signature is reached too."""

    subject: Subject = field(repr=False)
    image: str

    @property
    def code(self) -> bytes:
        """The genuine code."""
        return self.subject.code_of(_payload(self.subject, self.image))

    def pack(self, code: bytes) -> bytes:
        """Return an image that holds other code, signed with the trial key."""
        return self.subject.with_code(_payload(self.subject, self.image), code)


def _payload(subject: Subject, image: str) -> Payload:
    return next(payload for payload in subject.received() if payload.image == image)


def _received(attempt: Attempt, uri: str) -> bytes | None:
    """Return what a device would have received for an image, None where there is nothing to tell."""
    try:
        for name, content in _integrated(attempt):
            if name == uri:
                return content
    except RootwrightError:
        return None
    return attempt.fetch(uri)


def _integrated(attempt: Attempt) -> Iterator[tuple[str, bytes]]:
    yield from decode_envelope(bytes(attempt.envelope)).payloads


def _is_signed(subject: Subject, genuine: Payload, data: bytes) -> bool:
    if subject.form is None:
        return False
    try:
        subject.form.read(data, subject.about(genuine))
    except UnreadableImage:
        return False
    return True
