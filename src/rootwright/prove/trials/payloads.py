"""Payloads redirected, altered, cut, extended or shadowed on their way, and sizes that lie."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from rootwright.prove.trials.identities import signed_attempt
from rootwright.prove.trials.model import Attempt, NotApplicable, Refusal, Trial, Unaffected
from rootwright.prove.trials.subject import Subject, altered, change_parameters, with_contents
from rootwright.release.sections import Payload
from rootwright.suit.encode import encode_envelope
from rootwright.suit.numbers import Directive, Parameter, Reason
from rootwright.suit.structures import DirectiveCommand, ParameterValue

_REDIRECT = ("THREAT.NET.REDIRECT", "THREAT.NET.ONPATH")
_ONPATH = ("THREAT.NET.ONPATH", "THREAT.IMG.NON_AUTH")
_EXTRA = ("THREAT.IMG.EXTRA",)
# An integrated payload is judged with the envelope, a fetched one as it arrives.
_DIFFERS = ((Reason.CONDITION_FAILED, "image-digest-differs"), (Reason.CONDITION_FAILED, "payload-differs"))
_SHORT = ((Reason.OPERATION_FAILED, "payload-too-short"), (Reason.CONDITION_FAILED, "payload-differs"))
_LONG = ((Reason.OPERATION_FAILED, "payload-too-long"), (Reason.CONDITION_FAILED, "payload-differs"))


def _delivered(subject: Subject, change: Callable[[Payload], bytes | None], label: str = "") -> Attempt:
    envelope, fetch = subject.deliver(subject.contents(change))
    return Attempt(envelope, fetch, subject.device, label=label)


def _flipped(subject: Subject) -> Sequence[Attempt]:
    size = min(len(payload.content) for payload in subject.release.payloads)
    places = sorted({0, 4, size // 3, size // 2, size - 1})
    attempts = [
        _delivered(subject, lambda p, at=at: altered(p.content, at, 1), f"bit 0 of byte {at}")  # type: ignore[misc]
        for at in places
    ]
    attempts.append(_delivered(subject, lambda p: bytes(len(p.content)), "zeros"))
    attempts.append(_delivered(subject, lambda p: b"\xff" * len(p.content), "erased flash"))
    attempts.append(_delivered(subject, lambda p: p.content[16:32] + p.content[:16] + p.content[32:], "pieces traded"))
    attempts.append(_delivered(subject, lambda p: p.content[1:] + p.content[:1], "shifted by a byte"))
    return attempts


def _last_altered(subject: Subject) -> Sequence[Attempt]:
    if len(subject.places) < 2:
        raise NotApplicable("the release has one component")
    last = subject.places[-1].image
    return [_delivered(subject, lambda p: altered(p.content, -1) if p.image == last else p.content)]


def _older(subject: Subject) -> Sequence[Attempt]:
    def older(payload: Payload) -> bytes:
        content = subject.older[payload.image]
        # An older image that happens to be identical would be the genuine one.
        return altered(content, -2) if content == payload.content else content

    same_size = _delivered(subject, lambda p: older(p)[: len(p.content)].ljust(len(p.content), b"\xff"))
    return [same_size]


def _short(subject: Subject) -> Sequence[Attempt]:
    attempts = [
        _delivered(subject, lambda p, n=n: p.content[: len(p.content) * n // 8], f"{n} of 8 parts")  # type: ignore[misc]
        for n in range(8)
    ]
    return [*attempts, _delivered(subject, lambda p: p.content[:-1], "a byte less")]


def _long(subject: Subject) -> Sequence[Attempt]:
    room = {place.image: place.receives_in(0).size for place in subject.places}
    return [
        _delivered(subject, lambda p: p.content + b"\x00", "a byte more"),
        _delivered(subject, lambda p: p.content + b"\xff", "an erased byte more"),
        _delivered(subject, lambda p: p.content.ljust(room[p.image], b"\xa5"), "up to the end of the region"),
        _delivered(subject, lambda p: p.content.ljust(room[p.image] + 4096, b"\xa5"), "past the end of the region"),
        _delivered(subject, lambda p: p.content + p.content, "twice"),
    ]


def _other_image(subject: Subject) -> Sequence[Attempt]:
    if len(subject.places) < 2:
        raise NotApplicable("the release has one component")
    names = [place.image for place in subject.places]
    trade = dict(zip(names, names[1:] + names[:1], strict=True))
    contents = {(p.image, p.slot): p.content for p in subject.release.payloads}
    return [_delivered(subject, lambda p: contents[trade[p.image], p.slot])]


def _other_slot(subject: Subject) -> Sequence[Attempt]:
    by_slot = {(p.image, p.slot): p.content for p in subject.release.payloads}
    if not any(slot == 1 for _, slot in by_slot):
        raise NotApplicable("each image travels in one file, for one slot")
    return [_delivered(subject, lambda p: by_slot[p.image, 1 - (p.slot or 0)])]


def _gone(subject: Subject) -> Sequence[Attempt]:
    last = subject.places[-1].image
    return [
        _delivered(subject, lambda p: None, "nothing at all"),
        _delivered(subject, lambda p: None if p.image == last else p.content, f"all but {last}"),
    ]


def _moved_uri(subject: Subject) -> Sequence[Attempt]:
    manifest = subject.envelope.manifest
    attempts = []
    for payload in subject.received():
        old = payload.uri.encode()
        new = old[:-1] + (b"x" if old[-1:] != b"x" else b"y")
        forged = encode_envelope(replace(subject.envelope, manifest=manifest.replace(old, new)))
        evil = {new.decode(): altered(payload.content, -1)}
        attempts.append(Attempt(forged, evil.get, subject.device, label=payload.image))
    return attempts


def _shadowed(subject: Subject) -> Sequence[Attempt]:
    attempts = []
    for payload in subject.received():
        if subject.is_integrated:
            raise NotApplicable("payloads travel in the envelope; a second one of the same name is no CBOR map")
        shadow = ((payload.uri, altered(payload.content, -1)),)
        envelope = encode_envelope(replace(subject.envelope, payloads=shadow))
        attempts.append(Attempt(envelope, subject.fetch(), subject.device, label=payload.uri))
    return attempts


def _stowaway(subject: Subject) -> Sequence[Attempt]:
    extra = (*subject.envelope.payloads, ("#stowaway", b"anything"))
    envelope = encode_envelope(replace(subject.envelope, payloads=extra))
    return [Attempt(envelope, subject.fetch(), subject.device)]


def _changing(subject: Subject) -> Sequence[Attempt]:
    if subject.is_integrated:
        raise NotApplicable("payloads travel in the envelope")
    asked: dict[str, int] = {}
    contents = subject.contents()

    def fetch(uri: str) -> bytes | None:
        asked[uri] = asked.get(uri, 0) + 1
        content = contents.get(uri)
        return content if content is None or asked[uri] == 1 else altered(content, -1)

    return [Attempt(subject.release.envelope, fetch, subject.device)]


def _twice(subject: Subject) -> Sequence[Attempt]:
    section = (*subject.receiving, DirectiveCommand(Directive.FETCH))
    return [signed_attempt(subject, subject.with_receiving(section))]


def _nameless(subject: Subject) -> Sequence[Attempt]:
    def edit(index: int, parameters: dict[int, ParameterValue]) -> None:
        if Parameter.URI in parameters:
            parameters[Parameter.URI] = "#not-here"

    manifest = subject.with_receiving(change_parameters(subject.receiving, edit))
    everything = next(iter(subject.release.payloads)).content
    return [Attempt(subject.sign(manifest, contents={}), lambda uri: everything, subject.device)]


def _stating(subject: Subject, edit: Callable[[dict[int, ParameterValue]], None], label: str = "") -> Attempt:
    def edit_image(index: int, parameters: dict[int, ParameterValue]) -> None:
        if Parameter.IMAGE_DIGEST in parameters:
            edit(parameters)

    manifest = replace(subject.manifest, shared=change_parameters(subject.manifest.shared, edit_image))
    return Attempt(subject.sign(manifest), subject.fetch(), subject.device, label=label)


def _without(subject: Subject, parameter: Parameter) -> Sequence[Attempt]:
    def drop(parameters: dict[int, ParameterValue]) -> None:
        parameters.pop(parameter, None)

    return [_stating(subject, drop)]


def _sized(subject: Subject, *sizes: int) -> Sequence[Attempt]:
    def state(size: int) -> Callable[[dict[int, ParameterValue]], None]:
        return lambda parameters: parameters.update({Parameter.IMAGE_SIZE: size})

    return [_stating(subject, state(size), f"{size} bytes") for size in sizes]


def _prefix(subject: Subject) -> Sequence[Attempt]:
    # Digest and size cover a first part; the rest travels along unseen.
    envelope, _ = with_contents(subject, lambda payload: payload.content[:-64])
    envelope, fetch = subject.deliver(subject.contents(), envelope)
    return [Attempt(envelope, fetch, subject.device)]


def _too_large(subject: Subject) -> Sequence[Attempt]:
    room = {
        place.image: min(place.capacity(region) for region in (place.receives_in(0), *place.slots))
        for place in subject.places
    }
    envelope, fetch = with_contents(subject, lambda p: p.content.ljust(room[p.image] + 1, b"\x00"))
    return [Attempt(envelope, fetch, subject.device, label="a byte more than the slot")]


_NOT_SIZED = Refusal(((Reason.OPERATION_FAILED, "no-size"), (Reason.CONDITION_FAILED, "no-size")), before_fetch=True)

TRIALS = (
    Trial(
        "altered-payload",
        _ONPATH,
        "A payload altered on its way",
        "anyone between server and device",
        Refusal(_DIFFERS),
        _flipped,
    ),
    Trial(
        "altered-last-payload",
        _ONPATH,
        "The last of several payloads altered",
        "anyone between server and device",
        Refusal(_DIFFERS),
        _last_altered,
    ),
    Trial("cut-payload", _ONPATH, "A payload cut short", "the link, or anyone on it", Refusal(_SHORT), _short),
    Trial(
        "missing-payload",
        _REDIRECT,
        "A payload that does not come",
        "the link, or anyone on it",
        Refusal(((Reason.OPERATION_FAILED, "not-available"), (Reason.CONDITION_FAILED, "payload-differs"))),
        _gone,
    ),
    Trial(
        "redirected-to-other-image",
        _REDIRECT,
        "The server sends another component's genuine image",
        "whoever answers for the server's name",
        Refusal((*_DIFFERS, *_SHORT, *_LONG)),
        _other_image,
    ),
    Trial(
        "redirected-to-other-slot",
        (*_REDIRECT, "THREAT.IMG.LOCATION"),
        "The server sends the file for the other slot",
        "whoever answers for the server's name",
        Refusal((*_DIFFERS, *_SHORT, *_LONG)),
        _other_slot,
    ),
    Trial(
        "redirected-to-older",
        (*_REDIRECT, "THREAT.IMG.EXPIRED"),
        "The server sends the older image under the new manifest",
        "whoever answers for the server's name",
        Refusal(_DIFFERS),
        _older,
    ),
    Trial(
        "redirected-by-hand",
        _REDIRECT,
        "The manifest is edited to name another place",
        "an attacker without the key",
        Refusal(((Reason.UNAUTHORISED, "not-authentic"),), before_fetch=True),
        _moved_uri,
    ),
    Trial(
        "shadowed-payload",
        (*_REDIRECT, "THREAT.MFST.OVERRIDE"),
        "The envelope gets an unsigned payload under the name that the manifest fetches",
        "an attacker without the key",
        Refusal(((Reason.CONDITION_FAILED, "payload-differs"),), before_fetch=True),
        _shadowed,
    ),
    Trial(
        "stowaway-payload",
        ("THREAT.IMG.NON_AUTH",),
        "The envelope gets a payload that nothing names",
        "an attacker without the key",
        Refusal(((Reason.UNAUTHORISED, "payload-not-covered"),), before_fetch=True),
        _stowaway,
    ),
    Trial(
        "changing-payload",
        ("THREAT.MFST.TOCTOU", "THREAT.IMG.REPLACE"),
        "A server that sends other content when asked again",
        "whoever answers for the server's name",
        Unaffected(),
        _changing,
    ),
    Trial(
        "fetched-twice",
        ("THREAT.IMG.REPLACE",),
        "The manifest fetches a component again after its image was tested",
        "signed by the author, by mistake",
        Refusal(((Reason.OPERATION_FAILED, "received-twice"),)),
        _twice,
    ),
    Trial(
        "not-in-the-envelope",
        ("THREAT.NET.REDIRECT",),
        "The manifest names an integrated payload that the envelope lacks",
        "signed by the author, by mistake",
        Refusal(((Reason.OPERATION_FAILED, "not-available"),), before_fetch=True),
        _nameless,
    ),
    Trial(
        "extra-data",
        (*_EXTRA, "THREAT.NET.ONPATH"),
        "Data after the image",
        "anyone between server and device",
        Refusal(_LONG),
        _long,
    ),
    Trial(
        "covered-in-part",
        _EXTRA,
        "Digest and size cover only a first part of what is sent",
        "signed by the author, by mistake",
        Refusal(_LONG),
        _prefix,
    ),
    Trial(
        "no-size",
        _EXTRA,
        "A manifest that states no size",
        "signed by the author, by mistake",
        _NOT_SIZED,
        lambda subject: _without(subject, Parameter.IMAGE_SIZE),
    ),
    Trial(
        "no-digest",
        ("THREAT.IMG.NON_AUTH",),
        "A manifest that states no digest",
        "signed by the author, by mistake",
        Refusal(
            ((Reason.OPERATION_FAILED, "no-digest"), (Reason.CONDITION_FAILED, "payload-differs")), before_fetch=True
        ),
        lambda subject: _without(subject, Parameter.IMAGE_DIGEST),
    ),
    Trial(
        "empty-image",
        ("THREAT.IMG.FORMAT",),
        "An image of no bytes",
        "signed by the author, by mistake",
        Refusal(((Reason.OPERATION_FAILED, "image-empty"),), before_fetch=True),
        lambda subject: [
            Attempt(*with_contents(subject, lambda payload: b""), subject.device),
        ],
    ),
    Trial(
        "too-large-image",
        ("THREAT.IMG.LOCATION",),
        "An image that is larger than its slot",
        "signed by the author, by mistake",
        Refusal(
            ((Reason.OPERATION_FAILED, "image-too-large"), (Reason.OPERATION_FAILED, "envelope-too-large")),
            before_fetch=True,
        ),
        _too_large,
    ),
    Trial(
        "huge-size",
        ("THREAT.IMG.LOCATION",),
        "A stated size that no device has",
        "signed by the author, by mistake",
        Refusal(
            ((Reason.OPERATION_FAILED, "image-too-large"), (Reason.CONDITION_FAILED, "payload-differs")),
            before_fetch=True,
        ),
        lambda subject: _sized(subject, 1 << 31, 1 << 32, (1 << 64) - 1),
    ),
)
