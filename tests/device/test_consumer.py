"""The reference device: what it takes, what it refuses, why, and that a refusal changes nothing that decides."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from consumer_samples import Sample, make_sample
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.chip import BlankRead, MemoryKind
from rootwright.describe.product import PayloadPlace, Procedure
from rootwright.device.consumer import (
    Anchor,
    DeviceState,
    Installed,
    Report,
    Verdict,
    consume,
    keep,
    make_device,
    put_back,
    start,
)
from rootwright.errors import PlanError, ReleaseRefused
from rootwright.release.build import Release, build_release
from rootwright.suit.build import sign_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Condition, Directive, Parameter, Reason
from rootwright.suit.severed import find_text
from rootwright.suit.structures import ConditionCommand, DirectiveCommand, OverrideParameters, SetComponentIndex

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))
STRANGER = P256PrivateKeySigner(ec.derive_private_key(8, ec.SECP256R1()))
OLD = {"application": b"\x00\x40\x00\x20\x01\x01\x00\x08old application", "radio": b"old radio"}
STAGED = [Procedure.COPY_OVER, Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING]


def _release(sample: Sample) -> Release:
    return build_release(sample.product, sample.memory_map, sample.images, SIGNER)


def _device(sample: Sample, *anchors: Anchor, **changes: Any) -> DeviceState:
    device = make_device(
        sample.product,
        sample.memory_map,
        anchors or (Anchor(SIGNER.public(name="author")),),
        installed=Installed(4, bytes(32)),
        images=OLD,
    )
    return replace(device, **changes)


def _remote(release: Release) -> dict[str, bytes]:
    return {payload.uri: payload.content for payload in release.payloads}


def _offer(sample: Sample, device: DeviceState | None = None) -> Report:
    release = _release(sample)
    return consume(release.envelope, device or _device(sample), _remote(release).get)


def _reads(device: DeviceState, sample: Sample, block: str) -> bytes:
    return device.read(sample.memory_map.region(block))


@pytest.mark.parametrize("place", list(PayloadPlace))
@pytest.mark.parametrize("procedure", list(Procedure))
def test_the_genuine_release_goes_in_and_starts(procedure: Procedure, place: PayloadPlace) -> None:
    sample = make_sample(procedure, place)
    before = _device(sample)
    offer = _offer(sample, before)
    # draft-ietf-suit-report-18, reason 12: what was received starts after a restart.
    assert (offer.verdict, offer.reason, offer.detail) == (Verdict.ACCEPTED, Reason.INVOKE_PENDING, "")
    assert offer.sequence == 5
    assert offer.signers == ("author",)
    assert len(offer.fetched) == (2 if place is PayloadPlace.DETACHED else 0)
    prefix = {"in-place": "run", "recovery-image": "run", "either-slot": "second", "bank-flip": "second"}
    where = prefix.get(procedure.value, "stage")
    assert offer.written == (f"{where}:application", f"{where}:radio")
    assert offer.device.installed == before.installed

    begun = start(offer.device)
    assert (begun.verdict, begun.reason) == (Verdict.ACCEPTED, Reason.INVOKE_PENDING)
    assert begun.started == ("application",)
    after = begun.device
    assert after.installed.sequence == 5
    assert after.pending is None
    has_way_back = procedure.value.startswith(("exchange", "either", "bank"))
    assert (after.floor, after.before) == ((4, before.installed) if has_way_back else (5, None))
    assert keep(after).floor == 5
    returned = put_back(after)
    if has_way_back:
        assert (returned.installed, returned.running, returned.floor) == (before.installed, 0, 4)
        for name, old in OLD.items():
            assert _reads(returned, sample, f"run:{name}").startswith(old)
        assert _offer(sample, returned).verdict is Verdict.ACCEPTED
    else:
        assert returned == after
    runs = "second" if where == "second" else "run"
    wanted = {p.image: p.content for p in _release(sample).payloads if p.slot in (None, 1)}
    for name, content in wanted.items():
        assert _reads(after, sample, f"{runs}:{name}").rstrip(b"\xff") == content.rstrip(b"\xff")
    if procedure is Procedure.EXCHANGE_FIXED:
        assert _reads(after, sample, "stage:radio").startswith(OLD["radio"])
    for block in ("boot", "floor", "keep:calibration"):
        assert _reads(after, sample, block) == _reads(before, sample, block)


def test_an_installed_release_is_nothing_to_do() -> None:
    sample = make_sample()
    after = start(_offer(sample).device).device
    again = _offer(sample, after)
    assert (again.verdict, again.reason) == (Verdict.NOTHING_TO_DO, Reason.OK)
    assert again.device == after
    assert again.fetched == again.written == ()
    assert start(after).verdict is Verdict.NOTHING_TO_DO


@pytest.mark.parametrize(
    ("changes", "detail"),
    [
        ({"installed": Installed(6, bytes(32))}, "sequence-number-too-low"),
        ({"installed": Installed(5, bytes(32))}, "sequence-number-taken"),
        ({"floor": 6}, "sequence-number-too-low"),
    ],
)
def test_numbers_that_are_not_above(changes: dict[str, Any], detail: str) -> None:
    sample = make_sample()
    device = _device(sample, **changes)
    report = _offer(sample, device)
    assert (report.verdict, report.reason, report.detail) == (Verdict.REFUSED, Reason.CONDITION_FAILED, detail)
    assert report.device == device


def _settings(device: DeviceState, **changes: Any) -> DeviceState:
    return replace(device, settings=replace(device.settings, **changes))


@pytest.mark.parametrize(
    ("changes", "reason", "detail"),
    [
        ({"vendor": bytes(16)}, Reason.CONDITION_FAILED, "vendor-identifier-differs"),
        ({"class_id": bytes(16)}, Reason.CONDITION_FAILED, "class-identifier-differs"),
        ({"anchors": ()}, Reason.UNAUTHORISED, "unknown-signer"),
        ({"anchors": (Anchor(STRANGER.public()),)}, Reason.UNAUTHORISED, "not-authentic"),
        (
            {"anchors": (Anchor(SIGNER.public(), frozenset({(b"radio",)})),)},
            Reason.COMPONENT_UNAUTHORISED,
            "no-right",
        ),
        ({"envelope_bytes": 200}, Reason.OPERATION_FAILED, "envelope-too-large"),
    ],
)
def test_a_device_of_another_kind_refuses_untouched(changes: dict[str, Any], reason: Reason, detail: str) -> None:
    sample = make_sample()
    device = _settings(_device(sample), **changes)
    report = _offer(sample, device)
    assert (report.reason, report.detail) == (reason, detail)
    assert report.device == device
    assert report.fetched == ()


def test_rights_of_several_signers_add_up() -> None:
    sample = make_sample()
    anchors = (
        Anchor(SIGNER.public(name="author"), frozenset({(b"application",)})),
        Anchor(STRANGER.public(name="supplier"), frozenset({(b"radio",)})),
    )
    release = _release(sample)
    manifest = _manifest(sample)
    device = _device(sample, *anchors)
    assert consume(release.envelope, device, _remote(release).get).detail == "no-right"
    both = sign_envelope(manifest, [SIGNER, STRANGER])
    # Both keys are of one kind and the messages name none, so each block is held against both anchors.
    report = consume(both, device, _remote(release).get)
    assert report.verdict is Verdict.ACCEPTED
    assert report.signers == ("author", "supplier")


@pytest.mark.parametrize("procedure", [*STAGED, Procedure.EITHER_SLOT, Procedure.BANK_FLIP])
@pytest.mark.parametrize(
    ("change", "reason", "detail"),
    [
        (lambda content: None, Reason.OPERATION_FAILED, "not-available"),
        (lambda content: b"", Reason.OPERATION_FAILED, "payload-too-short"),
        (lambda content: content[:-1], Reason.OPERATION_FAILED, "payload-too-short"),
        (lambda content: content + b"\xff", Reason.OPERATION_FAILED, "payload-too-long"),
        (lambda content: content + bytes(1 << 17), Reason.OPERATION_FAILED, "payload-too-long"),
        (lambda content: content[:-1] + b"?", Reason.CONDITION_FAILED, "image-digest-differs"),
    ],
)
@pytest.mark.parametrize("victim", [0, 1])
def test_a_payload_that_differs_never_reaches_what_runs(
    procedure: Procedure,
    change: Callable[[bytes], bytes | None],
    reason: Reason,
    detail: str,
    victim: int,
) -> None:
    sample = make_sample(procedure)
    release = _release(sample)
    device = _device(sample)
    asked: list[str] = []

    def fetch(uri: str) -> bytes | None:
        content = _remote(release)[uri]
        asked.append(uri)
        return change(content) if len(asked) == victim + 1 else content

    report = consume(release.envelope, device, fetch)
    assert (report.verdict, report.reason, report.detail) == (Verdict.REFUSED, reason, detail)
    assert len(asked) == victim + 1
    after = report.device
    assert (after.floor, after.installed, after.running, after.pending) == (4, device.installed, 0, None)
    receiving = set(report.written)
    for region in sample.memory_map.regions:
        if region.block not in receiving:
            assert after.read(region) == device.read(region), region.block
    assert not any(block.startswith("run:") for block in receiving)
    # The same device takes the genuine release afterwards.
    assert _offer(sample, after).verdict is Verdict.ACCEPTED


def _altered(sample: Sample, **members: Any) -> bytes:
    return sign_envelope(replace(_manifest(sample), **members), SIGNER)


def _manifest(sample: Sample) -> Any:
    envelope = decode_envelope(_release(sample).envelope)
    manifest = decode_manifest(envelope.manifest)
    return replace(manifest, text=find_text(manifest, envelope))


def test_sizes_and_digests_are_judged_before_anything_is_fetched() -> None:
    sample = make_sample()

    def no_fetch(uri: str) -> bytes | None:
        raise AssertionError(uri)

    for values, detail in (
        ({Parameter.IMAGE_SIZE: 6 * 1024 + 1}, "image-too-large"),
        ({Parameter.IMAGE_SIZE: (1 << 64) - 1}, "image-too-large"),
        ({Parameter.IMAGE_SIZE: 0}, "image-empty"),
    ):
        late = OverrideParameters.of(values)  # type: ignore[arg-type]
        section = (_manifest(sample).payload_fetch[0], late, *_manifest(sample).payload_fetch[1:])
        report = consume(_altered(sample, payload_fetch=section), _device(sample), no_fetch)
        assert (report.reason, report.detail) == (Reason.OPERATION_FAILED, detail)
        assert report.device == _device(sample)


@pytest.mark.parametrize("parameter", [Parameter.IMAGE_SIZE, Parameter.IMAGE_DIGEST])
def test_an_image_without_size_or_digest(parameter: Parameter) -> None:
    sample = make_sample()
    shared = []
    for command in _manifest(sample).shared:
        if isinstance(command, OverrideParameters):
            kept = tuple(pair for pair in command.parameters if pair[0] != parameter)
            command = OverrideParameters(kept)
        shared.append(command)
    report = consume(_altered(sample, shared=tuple(shared)), _device(sample), lambda uri: None)
    assert report.detail == ("no-size" if parameter == Parameter.IMAGE_SIZE else "no-digest")
    assert report.fetched == ()


def test_the_largest_image_fits_and_one_byte_more_does_not() -> None:
    sample = make_sample()
    manifest = _manifest(sample)
    size = sample.memory_map.region("run:radio").size
    for more, wanted in ((0, ""), (1, "image-too-large")):
        content = bytes(size + more)
        stated = OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(content), Parameter.IMAGE_SIZE: len(content)})
        shared = (*manifest.shared, SetComponentIndex((2, 3)), stated)
        remote = _remote(_release(sample)) | {"coap://updates.example/s-1/radio-5.bin": content}
        report = consume(_altered(sample, shared=shared), _device(sample), remote.get)
        assert report.detail == wanted


def test_header_and_trailer_are_not_for_images() -> None:
    sample = make_sample(header=64)
    product = sample.product
    images = tuple(replace(spec, trailer_bytes=16) for spec in product.images)
    sample = replace(sample, product=replace(product, images=images))
    place = _device(sample).settings.places[0]
    region = sample.memory_map.region("run:application")
    assert place.capacity(region) == region.size - 64 - 16
    after = start(_offer(sample).device).device
    assert _reads(after, sample, "run:application")[:64] == b"\xff" * 64


def test_a_copy_fits_the_memory_it_goes_to() -> None:
    """Staging lies in a memory that erases to zeros, the slots in one that erases to ones."""
    sample = make_sample(Procedure.EXCHANGE_FIXED)
    flash = sample.product.chip.memories[0]
    other = replace(flash, name="outside", base=0x9000_0000, kind=MemoryKind.EXTERNAL, erased=0)
    moved = tuple(
        replace(region, memory="outside", address=region.address - flash.base + other.base)
        if region.block.startswith("stage:")
        else region
        for region in sample.memory_map.regions
    )
    chip = replace(sample.product.chip, memories=(flash, other))
    sample = replace(
        sample,
        product=replace(sample.product, chip=chip),
        memory_map=replace(sample.memory_map, regions=moved),
    )
    before = _device(sample)
    offer = _offer(sample, before)
    assert _reads(offer.device, sample, "stage:radio").endswith(b"\0" * 300)
    after = start(offer.device).device
    assert after.installed.sequence == 5
    assert _reads(after, sample, "run:radio").endswith(b"\xff" * 300)
    returned = put_back(after)
    for name in OLD:
        assert _reads(returned, sample, f"run:{name}") == _reads(before, sample, f"run:{name}")


@pytest.mark.parametrize("procedure", STAGED)
def test_a_manifest_that_would_fail_half_way_is_refused_at_the_offer(procedure: Procedure) -> None:
    sample = make_sample(procedure)
    manifest = _manifest(sample)
    wrong = OverrideParameters.of({Parameter.IMAGE_DIGEST: compute(b"another image")})
    match = ConditionCommand(Condition.IMAGE_MATCH)
    cases = {
        "image-digest-differs": {"validate": (SetComponentIndex(2), wrong, match)},
        "abort": {"install": (*manifest.install, ConditionCommand(Condition.ABORT))},
        "slot-differs": {
            "invoke": (
                SetComponentIndex(0),
                OverrideParameters.of({Parameter.COMPONENT_SLOT: 1}),
                ConditionCommand(Condition.COMPONENT_SLOT),
                *manifest.invoke,
            )
        },
    }
    device = _device(sample)
    for detail, members in cases.items():
        report = consume(_altered(sample, **members), device, _remote(_release(sample)).get)
        assert (report.verdict, report.detail) == (Verdict.REFUSED, detail)
        assert report.device.pending is None
        assert set(report.written) == {"stage:application", "stage:radio"}
        assert _reads(report.device, sample, "run:radio") == _reads(device, sample, "run:radio")


def test_after_an_exchange_staging_means_the_old_image() -> None:
    """The rehearsal of an exchange must know that, or an offer would be accepted that fails with images half moved."""
    sample = make_sample(Procedure.EXCHANGE_FIXED)
    manifest, device = _manifest(sample), _device(sample)
    old = OverrideParameters.of(
        {Parameter.IMAGE_DIGEST: compute(OLD["radio"]), Parameter.IMAGE_SIZE: len(OLD["radio"])}
    )
    match = ConditionCommand(Condition.IMAGE_MATCH)
    for before, detail in (((), "image-digest-differs"), ((old,), "")):
        validate = (*manifest.validate, SetComponentIndex(3), *before, match)
        report = consume(_altered(sample, validate=validate), device, _remote(_release(sample)).get)
        assert report.detail == detail
        assert start(report.device).verdict is (Verdict.NOTHING_TO_DO if detail else Verdict.ACCEPTED)


def test_the_boot_stage_alone_writes_what_runs() -> None:
    sample = make_sample(Procedure.EXCHANGE_ROTATING)
    offer = _offer(sample)
    assert offer.written == ("stage:application", "stage:radio")
    begun = start(offer.device)
    assert begun.written == ("run:application", "stage:application", "run:radio", "stage:radio")
    assert begun.fetched == ()
    copied = start(_offer(make_sample(Procedure.COPY_OVER)).device)
    assert copied.written == ("run:application", "run:radio")
    chosen = start(_offer(make_sample(Procedure.BANK_FLIP)).device)
    assert (chosen.written, chosen.device.running) == ((), 1)


def test_a_right_covers_an_image_wherever_it_lies() -> None:
    anchor = Anchor(SIGNER.public(), frozenset({(b"radio",), (b"application", b"stage")}))
    assert anchor.may_sign((b"radio", b"run"))
    assert anchor.may_sign((b"radio", b"stage"))
    assert anchor.may_sign((b"application", b"stage"))
    assert not anchor.may_sign((b"application", b"run"))
    assert not anchor.may_sign((b"radio2", b"run"))
    assert not anchor.may_sign(())


def test_a_second_offer_waits_for_the_first() -> None:
    sample = make_sample()
    waiting = _offer(sample).device
    report = consume(_altered(sample, sequence_number=9), waiting, _remote(_release(sample)).get)
    assert (report.reason, report.detail) == (Reason.OPERATION_FAILED, "update-pending")
    assert report.device == waiting


def test_no_offer_is_taken_while_new_images_are_on_trial() -> None:
    sample = make_sample()
    trying = start(_offer(sample).device).device
    newer = _altered(sample, sequence_number=9)
    report = consume(newer, trying, _remote(_release(sample)).get)
    assert (report.reason, report.detail) == (Reason.OPERATION_FAILED, "on-trial")
    assert report.device == trying
    assert consume(newer, keep(trying), _remote(_release(sample)).get).verdict is Verdict.ACCEPTED


def test_a_component_without_a_name_is_refused_by_one_who_may_sign_little() -> None:
    sample = make_sample()
    device = _device(sample, Anchor(SIGNER.public(name="tester"), frozenset()))
    first, *rest = _manifest(sample).components
    for name in ((), (b"\xff",), (*first, b"x")):
        report = consume(_altered(sample, components=(name, *rest), text=None), device, lambda uri: None)
        assert report.detail == "no-right"


@pytest.mark.parametrize("procedure", [*STAGED, Procedure.EITHER_SLOT])
def test_what_was_altered_while_it_waited_is_not_started(procedure: Procedure) -> None:
    sample = make_sample(procedure)
    waiting = _offer(sample).device
    assert waiting.pending is not None
    block = "second:radio" if procedure is Procedure.EITHER_SLOT else "stage:radio"
    region = sample.memory_map.region(block)
    cases = [
        (waiting.write(region, b"?", offset=9), "image-digest-differs"),
        (waiting.write(region, b"?", offset=region.size - 1), "extra-data"),
        (replace(waiting, pending=waiting.pending[:-1] + b"?"), "not-authentic"),
        (replace(waiting, pending=b""), "malformed"),
        (replace(waiting, floor=9), "sequence-number-too-low"),
    ]
    for device, detail in cases:
        report = start(device)
        assert (report.verdict, report.detail) == (Verdict.REFUSED, detail)
        assert report.device == replace(device, pending=None)
        assert report.started == ()


def test_fill_is_judged_only_where_it_can_be_read() -> None:
    sample = make_sample(blank_read=BlankRead.UNDEFINED)
    waiting = _offer(sample).device
    region = sample.memory_map.region("stage:radio")
    assert start(waiting.write(region, b"?", offset=region.size - 1)).verdict is Verdict.ACCEPTED


def test_the_envelope_may_change_in_its_buffer() -> None:
    sample = make_sample()
    release = _release(sample)
    buffer = bytearray(release.envelope)

    def fetch(uri: str) -> bytes | None:
        buffer[:] = bytes(len(buffer))
        return _remote(release)[uri]

    report = consume(buffer, _device(sample), fetch)
    assert report.device.pending == release.envelope
    assert start(report.device).verdict is Verdict.ACCEPTED


def test_integrated_payloads_do_not_wait_with_the_manifest() -> None:
    sample = make_sample(place=PayloadPlace.INTEGRATED)
    pending = _offer(sample).device.pending
    assert pending is not None
    assert decode_envelope(pending).payloads == ()
    assert len(pending) < 2000


def test_commands_that_the_device_does_not_offer() -> None:
    sample = make_sample(Procedure.EITHER_SLOT)
    for number in (Directive.COPY, Directive.SWAP, Directive.WRITE, Directive.INVOKE):
        install = (*_manifest(sample).install, DirectiveCommand(number))
        report = consume(_altered(sample, install=install), _device(sample), lambda uri: None)
        assert (report.reason, report.detail) == (Reason.COMMAND_UNSUPPORTED, "command-not-offered")
        assert report.record is not None
        assert report.record.command == number


def test_a_report_is_json_without_memories() -> None:
    report = _offer(make_sample())
    data = json.loads(json.dumps(report.to_dict()))
    assert data["reason_word"] == "invoke-pending"
    assert data["written"] == ["stage:application", "stage:radio"]
    assert data["pending"] is True
    assert len(json.dumps(data)) < 1000
    assert len(repr(report)) < 2000


def test_a_map_without_a_slot_makes_no_device() -> None:
    sample = make_sample()
    regions = tuple(region for region in sample.memory_map.regions if region.block != "run:radio")
    with pytest.raises(ReleaseRefused, match="no region run:radio"):
        _device(replace(sample, memory_map=replace(sample.memory_map, regions=regions)))
    with pytest.raises(PlanError, match="do not fit region"):
        make_device(
            sample.product,
            sample.memory_map,
            (),
            installed=Installed(1, b""),
            images={**OLD, "radio": bytes(1 << 16)},
        )
