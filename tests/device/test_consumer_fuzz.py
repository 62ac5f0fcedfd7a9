"""Whatever is offered: an answer, never an error; nothing that runs changes; what starts is as signed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import given, settings
from hypothesis import strategies as st

from consumer_samples import make_sample
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.product import PayloadPlace, Procedure
from rootwright.device.consumer import Anchor, DeviceState, Installed, Report, Verdict, consume, make_device, start
from rootwright.errors import FormatError
from rootwright.release.build import Release, build_release
from rootwright.suit.build import sign_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Condition, Directive, Parameter
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ConditionCommand,
    DirectiveCommand,
    Manifest,
    OverrideParameters,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))


def _pair(procedure: Procedure, place: PayloadPlace) -> tuple[Release, DeviceState]:
    sample = make_sample(procedure, place)
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER)
    device = make_device(
        sample.product,
        sample.memory_map,
        [Anchor(SIGNER.public(name="author"))],
        installed=Installed(4, bytes(32)),
        images={"application": b"old application", "radio": b"old radio"},
    )
    return release, device


PAIRS = [
    _pair(Procedure.EXCHANGE_FIXED, PayloadPlace.DETACHED),
    _pair(Procedure.COPY_OVER, PayloadPlace.DETACHED),
    _pair(Procedure.EITHER_SLOT, PayloadPlace.INTEGRATED),
    _pair(Procedure.BANK_FLIP, PayloadPlace.DETACHED),
]


def _check(report: Report, before: DeviceState) -> None:
    after = report.device
    assert (after.floor, after.installed, after.running) == (before.floor, before.installed, before.running)
    for place in before.settings.places:
        region = place.runs_in(before.running)
        assert after.read(region) == before.read(region)
    if report.verdict is Verdict.REFUSED:
        assert after.pending is None
        assert report.detail
        assert report.text
    report.to_dict()


@pytest.mark.slow
@settings(max_examples=200)
@given(st.data())
def test_an_envelope_that_was_tampered_with(data: st.DataObject) -> None:
    release, device = data.draw(st.sampled_from(PAIRS))
    genuine = release.envelope
    start_at = data.draw(st.integers(0, min(len(genuine), 1200)))
    cut = data.draw(st.integers(0, 40))
    tampered = genuine[:start_at] + data.draw(st.binary(max_size=40)) + genuine[start_at + cut :]
    report = consume(tampered, device, {p.uri: p.content for p in release.payloads}.get)
    _check(report, device)
    assert report.is_refused or tampered == genuine


@settings(max_examples=200)
@given(st.binary(max_size=200))
def test_bytes_of_no_kind(data: bytes) -> None:
    _, device = PAIRS[0]
    report = consume(data, device, lambda uri: None)
    assert report.is_refused
    assert report.device == device


_IMAGES = [b"\x00\x40\x00\x20\x01\x01\x00\x08" + bytes(60), b"small", b"old radio", b"old application"]
_VALUES = st.one_of(
    st.builds(
        lambda content, more: {Parameter.IMAGE_DIGEST: compute(content), Parameter.IMAGE_SIZE: len(content) + more},
        st.sampled_from(_IMAGES),
        st.sampled_from([0, 0, 0, 1, 1 << 40]),
    ),
    st.builds(
        lambda uri: {Parameter.URI: uri}, st.sampled_from(["", "#x", "coap://a/0", "coap://a/1", "#application"])
    ),
    st.builds(lambda slot: {Parameter.COMPONENT_SLOT: slot}, st.integers(0, 2)),
    st.builds(lambda soft: {Parameter.SOFT_FAILURE: soft}, st.booleans()),
    st.builds(lambda order: {Parameter.STRICT_ORDER: order}, st.booleans()),
    st.builds(lambda content: {Parameter.CONTENT: content}, st.binary(max_size=4)),
    st.builds(lambda source: {Parameter.SOURCE_COMPONENT: source}, st.integers(0, 3)),
)
_SIMPLE: st.SearchStrategy[Command] = st.one_of(
    st.builds(
        ConditionCommand,
        st.sampled_from(
            [
                Condition.IMAGE_MATCH,
                Condition.IMAGE_MATCH,
                Condition.COMPONENT_SLOT,
                Condition.ABORT,
                Condition.CHECK_CONTENT,
                Condition.DEVICE_IDENTIFIER,
            ]
        ),
    ),
    st.builds(
        DirectiveCommand,
        st.sampled_from([Directive.FETCH, Directive.INVOKE, Directive.COPY, Directive.COPY, Directive.SWAP]),
    ),
    st.builds(
        SetComponentIndex, st.one_of(st.integers(0, 4), st.just(True), st.sampled_from([(1, 0), (1, 3), (3, 0)]))
    ),
    st.builds(OverrideParameters.of, _VALUES),
)
_COMMANDS: st.SearchStrategy[CommandSequence] = st.lists(
    st.one_of(
        _SIMPLE,
        st.builds(
            lambda parts, nothing: TryEach(tuple(tuple(part) for part in parts), nothing),
            st.lists(st.lists(_SIMPLE, min_size=1, max_size=3), min_size=2, max_size=3),
            st.booleans(),
        ),
        st.builds(lambda part: RunSequence(tuple(part)), st.lists(_SIMPLE, min_size=1, max_size=3)),
    ),
    max_size=4,
).map(tuple)


@pytest.mark.slow
@settings(max_examples=200)
@given(st.data())
def test_any_manifest_that_the_author_signs(data: st.DataObject) -> None:
    release, device = data.draw(st.sampled_from(PAIRS))
    manifest = decode_manifest(decode_envelope(release.envelope).manifest)
    changed = {}
    for name in ("shared", "payload_fetch", "install", "validate", "load", "invoke"):
        how = data.draw(st.sampled_from(["keep", "keep", "keep", "add", "before", "within", "other", "drop"]))
        own: CommandSequence = getattr(manifest, name) or ()
        # Without a component index in front the whole manifest would be refused for that alone.
        first = (SetComponentIndex(data.draw(st.sampled_from([0, 1, 2, 3, True]))),)
        extra = first + data.draw(_COMMANDS) if how != "keep" else ()
        at = data.draw(st.integers(0, len(own))) if how == "within" else 0
        within = own[:at] + extra[1:] + own[at + data.draw(st.integers(0, 1)) :] if how == "within" else ()
        sequence = {
            "keep": own,
            "add": own + extra,
            "before": extra + own,
            "within": within,
            "other": extra,
            "drop": (),
        }[how]
        changed[name] = sequence or (() if name == "shared" else None)
    contents = {p.uri: p.content for p in release.payloads} | {"coap://a/0": _IMAGES[0], "coap://a/1": _IMAGES[1]}
    integrated = {p.uri: p.content for p in release.payloads} if release.place is PayloadPlace.INTEGRATED else None
    try:
        envelope = sign_envelope(replace(manifest, **changed), SIGNER, payloads=integrated)  # type: ignore[arg-type]
    except FormatError:
        return  # the author's own tool refuses it
    report = consume(envelope, device, contents.get)
    _check(report, device)
    if report.verdict is not Verdict.ACCEPTED:
        return
    _check_started(report, device, decode_manifest(decode_envelope(envelope).manifest), [*contents.values(), *_IMAGES])


def _check_started(report: Report, device: DeviceState, manifest: Manifest, images: Sequence[bytes]) -> None:
    """What an offer accepted starts: images that the manifest states a digest for, with nothing but fill behind."""
    begun = start(report.device)
    assert not begun.is_refused, begun.text
    signed = repr(manifest)
    for place in device.settings.places:
        region = place.runs_in(begun.device.running)
        content = begun.device.read(region).rstrip(b"\xff")
        known = [image for image in images if image.rstrip(b"\xff") == content]
        assert known
        assert any(repr(hashlib.sha256(image).digest()) in signed for image in known)


_SECTIONS = ("shared", "payload_fetch", "install", "validate", "load", "invoke")


@pytest.mark.slow
@settings(max_examples=300)
@given(st.data())
def test_a_genuine_manifest_with_its_own_commands_mislaid(data: st.DataObject) -> None:
    release, device = data.draw(st.sampled_from(PAIRS))
    manifest = decode_manifest(decode_envelope(release.envelope).manifest)
    sections: dict[str, list[Command]] = {name: list(getattr(manifest, name) or ()) for name in _SECTIONS}
    own = [command for sequence in sections.values() for command in sequence]
    images = [p.content[: len(p.content) - cut] for p in release.payloads for cut in (0, 1)]
    stated = st.one_of(
        st.builds(
            lambda image: {Parameter.IMAGE_DIGEST: compute(image), Parameter.IMAGE_SIZE: len(image)},
            st.sampled_from(images),
        ),
        st.builds(lambda source: {Parameter.SOURCE_COMPONENT: source}, st.integers(0, 3)),
        st.builds(lambda payload: {Parameter.URI: payload.uri}, st.sampled_from(release.payloads)),
    )
    extra = st.one_of(
        st.sampled_from(own),
        st.builds(SetComponentIndex, st.sampled_from([0, 1, 2, 3, True, (0, 1), (1, 3), (0, 2)])),
        st.builds(OverrideParameters.of, stated),
    )
    for _ in range(data.draw(st.integers(1, 4))):
        sequence = sections[data.draw(st.sampled_from(_SECTIONS))]
        # Behind the first command, without which the whole manifest would be refused for that alone.
        at = data.draw(st.integers(min(1, len(sequence)), len(sequence)))
        if at < len(sequence) and data.draw(st.booleans()):
            del sequence[at]
        else:
            sequence.insert(at, data.draw(extra))
    changed = {name: tuple(sequence) or None for name, sequence in sections.items()}
    contents = {p.uri: p.content for p in release.payloads}
    integrated = contents if release.place is PayloadPlace.INTEGRATED else None
    try:
        envelope = sign_envelope(replace(manifest, **changed), SIGNER, payloads=integrated)  # type: ignore[arg-type]
    except FormatError:
        return
    report = consume(envelope, device, contents.get)
    _check(report, device)
    if report.verdict is Verdict.ACCEPTED:
        _check_started(report, device, decode_manifest(decode_envelope(envelope).manifest), images)
