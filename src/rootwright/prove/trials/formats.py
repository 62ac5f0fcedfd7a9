"""Images in the product's own format, altered where only the boot stage's reader can see it.

The manifest is right in all of them: these are the trials of the last check, and for a boot stage that reads a header
and no manifest they are the only one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Protocol, runtime_checkable

from rootwright.prove.trials.model import Attempt, NotApplicable, Refusal, Trial
from rootwright.prove.trials.subject import Subject, altered, with_contents
from rootwright.release.packing import About, ImageFormat
from rootwright.release.sections import Payload
from rootwright.suit.numbers import Reason

MOST_HEADER_PLACES, MOST_PLACES = 256, 64
"""How many places of a header, and of code or trailer, are altered; spread evenly where there are more."""

_REFUSED = Refusal(((Reason.OPERATION_FAILED, "image-format"),))
_THREATS = ("THREAT.IMG.FORMAT", "THREAT.IMG.NON_AUTH")
_BY = "whoever can write where a new image waits, past the check of the manifest"


@runtime_checkable
class HasStranger(Protocol):
    """A format that knows a second trial key, which no device trusts."""

    def as_stranger(self) -> ImageFormat | None:
        """Return the format with that key, or None."""


def _form(subject: Subject) -> ImageFormat:
    if subject.form is None:
        raise NotApplicable("the product has no image format of its own")
    return subject.form


def _attempt(subject: Subject, change: Callable[[Payload], bytes], label: str) -> Attempt:
    envelope, fetch = with_contents(subject, change)
    return Attempt(envelope, fetch, subject.device, label=label)


def _shape(subject: Subject, payload: Payload) -> tuple[int, int]:
    """Return where the code of a packed image begins and ends."""
    head = subject.about(payload).header_bytes
    return head, head + len(subject.code_of(payload))


def _places(start: int, end: int, most: int) -> list[int]:
    step = max(1, -(-(end - start) // most))
    return sorted({*range(start, end, step), *([end - 1] if end > start else [])})


def _flipped(image: str, at: int, payload: Payload) -> bytes:
    return altered(payload.content, at, 1) if payload.image == image else payload.content


def _flips(subject: Subject, part: str, span: Callable[[int, int, int], tuple[int, int]]) -> Sequence[Attempt]:
    _form(subject)
    attempts = []
    for payload in subject.received():
        start, end = span(*_shape(subject, payload), len(payload.content))
        for at in _places(start, end, MOST_HEADER_PLACES if part == "header" else MOST_PLACES):
            label = f"{payload.image}, byte {at - start} of its {part}"
            attempts += [_attempt(subject, partial(_flipped, payload.image, at), label)]
    if not attempts:
        raise NotApplicable(f"packed images have no {part}")
    return attempts


def _header(subject: Subject) -> Sequence[Attempt]:
    return _flips(subject, "header", lambda head, end, size: (0, head))


def _code(subject: Subject) -> Sequence[Attempt]:
    return _flips(subject, "code", lambda head, end, size: (head, end))


def _trailer(subject: Subject) -> Sequence[Attempt]:
    return _flips(subject, "trailer", lambda head, end, size: (end, size))


def _cut(subject: Subject) -> Sequence[Attempt]:
    _form(subject)
    return [
        _attempt(subject, lambda p: p.content[:-1], "a byte less"),
        _attempt(subject, lambda p: p.content[: _shape(subject, p)[0] + 8], "header and eight bytes"),
        _attempt(subject, lambda p: p.content[: _shape(subject, p)[0] // 2 or 1], "half of the header"),
    ]


def _bare(subject: Subject) -> Sequence[Attempt]:
    _form(subject)
    return [
        _attempt(subject, lambda p: subject.code_of(p), "the code alone"),
        _attempt(subject, lambda p: b"\xff" * len(p.content), "erased flash"),
        _attempt(subject, lambda p: bytes(len(p.content)), "zeros"),
    ]


def _mixed(subject: Subject) -> Sequence[Attempt]:
    """Header and trailer of another image around the genuine code, and the other way round."""
    _form(subject)

    def other(payload: Payload) -> bytes:
        return subject.with_code(payload, altered(subject.code_of(payload), -1))

    def around(payload: Payload) -> bytes:
        head, end = _shape(subject, payload)
        return other(payload)[:head] + payload.content[head:end] + other(payload)[end:]

    def inside(payload: Payload) -> bytes:
        head, end = _shape(subject, payload)
        return payload.content[:head] + other(payload)[head:end] + payload.content[end:]

    return [
        _attempt(subject, around, "another image's header and trailer"),
        _attempt(subject, inside, "another image's code"),
    ]


def _packed_as(subject: Subject, change: Callable[[About], About], what: str) -> Sequence[Attempt]:
    form = _form(subject)
    made = {
        (p.image, p.slot): form.pack(subject.code_of(p), change(subject.about(p))) for p in subject.release.payloads
    }
    if all(made[p.image, p.slot] == p.content for p in subject.release.payloads):
        raise NotApplicable(f"the format does not state the {what}")
    return [_attempt(subject, lambda p: made[p.image, p.slot], f"another {what}")]


def _elsewhere(subject: Subject) -> Sequence[Attempt]:
    return _packed_as(subject, lambda about: replace(about, address=about.address ^ 0x1000), "address")


def _renamed(subject: Subject) -> Sequence[Attempt]:
    return _packed_as(subject, lambda about: replace(about, name="x" + about.name[1:]), "name")


def _stranger(subject: Subject) -> Sequence[Attempt]:
    form = _form(subject)
    other = form.as_stranger() if isinstance(form, HasStranger) else None
    if other is None:
        raise NotApplicable("the product names no second trial key")

    def repack(payload: Payload) -> bytes:
        return other.pack(subject.code_of(payload), replace(subject.about(payload), key=other.key))

    return [_attempt(subject, repack, "packed with a key that no device trusts")]


TRIALS = (
    Trial("format-header", _THREATS, "A bit turned in the image's own header", _BY, _REFUSED, _header),
    Trial("format-code", _THREATS, "A bit turned in the code behind its header", _BY, _REFUSED, _code),
    Trial("format-trailer", _THREATS, "A bit turned in the image's own trailer", _BY, _REFUSED, _trailer),
    Trial("format-cut", _THREATS, "A packed image cut short", _BY, _REFUSED, _cut),
    Trial("format-bare", _THREATS, "What is no packed image at all", _BY, _REFUSED, _bare),
    Trial("format-mixed", _THREATS, "Parts of two packed images put together", _BY, _REFUSED, _mixed),
    Trial("format-elsewhere", _THREATS, "An image packed for another address", _BY, _REFUSED, _elsewhere),
    Trial("format-renamed", _THREATS, "An image packed under another name", _BY, _REFUSED, _renamed),
    Trial("format-stranger", _THREATS, "An image packed with a stranger's key", _BY, _REFUSED, _stranger),
)
