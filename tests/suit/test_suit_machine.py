"""The manifest processor: every command, what fails and how, in the order the draft gives."""

from __future__ import annotations

from dataclasses import replace

import pytest
from suit_samples import (
    ANCHOR,
    APP,
    IMAGE,
    MANIFEST,
    OUR_CLASS,
    OUR_VENDOR,
    SHARED,
    SIGNER,
    STAGE,
    Condition,
    Directive,
    Parameter,
)

from rootwright.cose import cbor
from rootwright.errors import VerificationError
from rootwright.suit.build import sever, sign_envelope
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import compute
from rootwright.suit.encode import encode_envelope
from rootwright.suit.interpreter import INVOCATION, UPDATE, process
from rootwright.suit.numbers import ManifestKey, Reason, ReportingPolicy
from rootwright.suit.outcome import Outcome
from rootwright.suit.parameters import Parameters
from rootwright.suit.store import MemoryStore, StoreRefusal
from rootwright.suit.structure_check import Limits
from rootwright.suit.structures import (
    CborPen,
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    DirectiveCommand,
    ExtensionCommand,
    Manifest,
    OverrideParameters,
    ParameterValue,
    Raw,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

FETCH, COPY, SWAP, WRITE, INVOKE = (
    DirectiveCommand(number)
    for number in (Directive.FETCH, Directive.COPY, Directive.SWAP, Directive.WRITE, Directive.INVOKE)
)
MATCH, ABORT = ConditionCommand(Condition.IMAGE_MATCH), ConditionCommand(Condition.ABORT)


def put(**parameters: ParameterValue) -> OverrideParameters:
    return OverrideParameters.of({Parameter[name.upper()]: value for name, value in parameters.items()})


def device(**kwargs: object) -> MemoryStore:
    store = MemoryStore({APP: b"old", STAGE: b""}, vendors=[OUR_VENDOR], classes=[OUR_CLASS])
    for name, value in kwargs.items():
        setattr(store, name, value)
    return store


def run(
    install: CommandSequence, store: MemoryStore | None = None, *, limits: Limits | None = None, **changes: object
) -> Outcome:
    manifest = replace(MANIFEST, install=install, validate=None, invoke=None, **changes)  # type: ignore[arg-type]
    data = sign_envelope(manifest, SIGNER, payloads={"#app": IMAGE})
    return process(data, [ANCHOR], store or device(), limits=limits or Limits())


def two(*install: Command) -> dict[str, object]:
    return {
        "components": (APP, STAGE),
        "shared": (SetComponentIndex(True), *SHARED),
        "install": (SetComponentIndex(0), *install),
    }


def failure(outcome: Outcome) -> tuple[Reason, str]:
    return outcome.reason, outcome.detail


def test_an_update_and_an_invocation() -> None:
    store = device()
    data = sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=[ManifestKey.INSTALL])
    update = process(data, [ANCHOR], store, sections=UPDATE)
    assert (update.reason, update.invoked) == (Reason.OK, ())
    assert store.contents[APP] == IMAGE
    started = process(data, [ANCHOR], store, sections=INVOCATION)
    assert (started.reason, started.invoked) == (Reason.INVOKE_PENDING, (APP,))
    assert store.operations == [("write", APP), ("invoke", APP)]
    started.require_success()


def test_sections_run_in_the_draft_s_order_each_after_the_shared_sequence() -> None:
    # Section 8.4.6; parameters are cleared before each, so the URI of one section is not there in the next.
    seen: list[str | None] = []

    class Noting(MemoryStore):
        __slots__ = ()

        def fetch(self, component: ComponentIdentifier, uri: str, parameters: Parameters) -> None:
            seen.append(uri)

        def invoke(self, component: ComponentIdentifier, parameters: Parameters) -> None:
            seen.append(parameters.uri)
            assert parameters.image_digest == compute(IMAGE)

    manifest = replace(
        MANIFEST,
        invoke=(INVOKE,),
        load=(put(uri="load"), FETCH),
        validate=(put(uri="validate"), FETCH),
        install=(put(uri="install"), FETCH),
        payload_fetch=(put(uri="payload-fetch"), FETCH),
    )
    store = Noting({APP: b""}, vendors=[OUR_VENDOR], classes=[OUR_CLASS])
    process(sign_envelope(manifest, SIGNER), [ANCHOR], store).require_success()
    assert seen == ["payload-fetch", "install", "validate", "load", None]


def test_nothing_happens_before_the_envelope_is_authentic() -> None:
    class Untouchable:
        """Any use is an AttributeError."""

    data = sign_envelope(MANIFEST, SIGNER)
    forged = encode_envelope(replace(decode_envelope(data), blocks=(b"\x00",)))
    outcomes = [
        process(content, anchors, Untouchable())  # type: ignore[arg-type]
        for content, anchors in ((b"", [ANCHOR]), (data, []), (forged, [ANCHOR]))
    ]
    assert [failure(outcome) for outcome in outcomes] == [
        (Reason.CBOR_PARSE, "malformed"),
        (Reason.UNAUTHORISED, "not-authentic"),
        (Reason.CBOR_PARSE, "malformed"),
    ]
    opened = decode_envelope(data)
    for block, reason in (
        (b"\xd8\x62\x80", Reason.COSE_UNSUPPORTED),
        (cbor.encode(cbor.Tag(18, [cbor.encode({1: -35}), {}, None, b""])), Reason.ALG_UNSUPPORTED),
    ):
        outcome = process(encode_envelope(replace(opened, blocks=(block,))), [ANCHOR], Untouchable())  # type: ignore[arg-type]
        assert outcome.reason == reason


def test_the_rollback_floor() -> None:
    assert run((MATCH,), device(floor=8)).detail == "sequence-number-too-low"
    assert run((put(uri="#app"), FETCH), device(floor=7)).reason == Reason.OK


def test_a_member_that_was_severed_away_or_replaced() -> None:
    data = sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=[ManifestKey.INSTALL])
    slim = sever(data, [ManifestKey.INSTALL])
    assert process(slim, [ANCHOR], device()).detail == "severed-away"
    assert process(slim, [ANCHOR], device(contents={APP: IMAGE}), sections=INVOCATION).is_success
    opened = decode_envelope(data)
    replaced = encode_envelope(replace(opened, severed=((20, cbor.encode([23, 0])),)))
    assert failure(process(replaced, [ANCHOR], device())) == (Reason.UNAUTHORISED, "not-authentic")


@pytest.mark.parametrize(
    ("condition", "parameters", "detail"),
    [
        (Condition.VENDOR_IDENTIFIER, {"vendor_identifier": bytes(16)}, "vendor-identifier-differs"),
        (Condition.VENDOR_IDENTIFIER, {"vendor_identifier": CborPen(b"\x01")}, "vendor-identifier-differs"),
        (Condition.CLASS_IDENTIFIER, {"class_identifier": bytes(16)}, "class-identifier-differs"),
        (Condition.DEVICE_IDENTIFIER, {"device_identifier": bytes(16)}, "device-identifier-differs"),
        (Condition.DEVICE_IDENTIFIER, {"uri": ""}, "parameter-missing"),
        (Condition.IMAGE_MATCH, {"image_digest": compute(b"new"), "image_size": 3}, "image-digest-differs"),
        (Condition.IMAGE_MATCH, {"image_size": 4}, "size-differs"),
        (Condition.COMPONENT_SLOT, {"component_slot": 1}, "slot-differs"),
        (Condition.COMPONENT_SLOT, {"uri": ""}, "parameter-missing"),
        (Condition.CHECK_CONTENT, {"content": b"olD"}, "content-differs"),
        (Condition.CHECK_CONTENT, {"content": b"ol"}, "content-differs"),
        (Condition.CHECK_CONTENT, {"uri": ""}, "parameter-missing"),
        (Condition.ABORT, {"uri": ""}, "abort"),
    ],
)
def test_conditions_that_fail(condition: Condition, parameters: dict[str, ParameterValue], detail: str) -> None:
    outcome = run((put(**parameters), ConditionCommand(condition)))
    assert failure(outcome) == (Reason.CONDITION_FAILED, detail)
    record = outcome.result_record
    assert record is not None
    assert (record.section, record.command, record.component_index, record.passed) == (20, condition, 0, False)
    with pytest.raises(VerificationError, match=detail):
        outcome.require_success()


def test_conditions_that_hold() -> None:
    pen = CborPen(b"\x86\x48")
    install = (
        put(vendor_identifier=pen, device_identifier=bytes(16), component_slot=2, content=b"old"),
        put(image_digest=compute(b"old"), image_size=3),
        *(ConditionCommand(Condition(number)) for number in (1, 2, 3, 5, 6, 24)),
    )
    store = device(vendors=[OUR_VENDOR, pen], devices=[bytes(16)], slots={APP: 2})
    assert run(install, store).reason == Reason.OK
    without_size = (put(image_digest=compute(b"old")), MATCH)
    bare = (put(vendor_identifier=OUR_VENDOR, class_identifier=OUR_CLASS), *SHARED[1:])
    assert run(without_size, shared=bare).reason == Reason.OK
    missing = run((MATCH,), shared=bare)
    assert failure(missing) == (Reason.CONDITION_FAILED, "parameter-missing")


def test_directives_act_on_their_component() -> None:
    store = device(remote={"https://alderwater.example/app": IMAGE})
    install = (
        put(uri="https://alderwater.example/app", source_component=1, content=b"seen"),
        FETCH,
        SWAP,
        SetComponentIndex(1),
        put(source_component=0),
        COPY,
        SetComponentIndex(0),
        WRITE,
        INVOKE,
    )
    outcome = run(**two(*install), store=store)  # type: ignore[arg-type]
    assert outcome.reason == Reason.INVOKE_PENDING
    assert store.contents == {APP: b"seen", STAGE: b""}
    assert [name for name, _ in store.operations] == ["fetch", "swap", "copy", "write", "invoke"]


@pytest.mark.parametrize(
    ("install", "reason", "detail"),
    [
        ((FETCH,), Reason.OPERATION_FAILED, "parameter-missing"),
        ((WRITE,), Reason.OPERATION_FAILED, "parameter-missing"),
        ((COPY,), Reason.OPERATION_FAILED, "parameter-missing"),
        ((SWAP,), Reason.OPERATION_FAILED, "parameter-missing"),
        ((put(uri="https://a"), FETCH), Reason.OPERATION_FAILED, "not-available"),
        ((put(source_component=0), COPY), Reason.OPERATION_FAILED, "same-component"),
        ((put(source_component=5), COPY), Reason.COMPONENT_UNSUPPORTED, "index-out-of-range"),
        ((SetComponentIndex(5),), Reason.COMPONENT_UNSUPPORTED, "index-out-of-range"),
        ((SetComponentIndex((0, 5)),), Reason.COMPONENT_UNSUPPORTED, "index-out-of-range"),
        ((put(content=b"x", encryption_info=b"i"), WRITE), Reason.PARAMETER_UNSUPPORTED, "no-decryption"),
        ((put(soft_failure=True),), Reason.OPERATION_FAILED, "soft-failure-outside"),
        ((ExtensionCommand(29, Raw(b"\0")),), Reason.COMMAND_UNSUPPORTED, "extension-command"),
        ((ExtensionCommand(-300, Raw(b"\0")),), Reason.COMMAND_UNSUPPORTED, "custom-command"),
        ((RunSequence((ExtensionCommand(29, Raw(b"\0")),)),), Reason.COMMAND_UNSUPPORTED, "extension-command"),
        ((OverrideParameters(((26, Raw(b"\0")),)),), Reason.PARAMETER_UNSUPPORTED, "extension-parameter"),
        ((OverrideParameters(((-300, Raw(b"\0")),)),), Reason.PARAMETER_UNSUPPORTED, "custom-parameter"),
    ],
)
def test_directives_that_fail(install: CommandSequence, reason: Reason, detail: str) -> None:
    store = device()
    outcome = run(install, store)
    assert failure(outcome) == (reason, detail)
    assert outcome.result_record is not None
    assert store.contents[APP] == b"old"


def test_a_failed_directive_is_hard_even_where_conditions_are_soft() -> None:
    # Section 6.4: the interpreter must abort if a directive reports failure, regardless of soft failure.
    outcome = run((TryEach(((put(uri="https://a"), FETCH), (put(uri="#app"), FETCH))),))
    assert failure(outcome) == (Reason.OPERATION_FAILED, "not-available")
    outcome = run((RunSequence((put(soft_failure=True, uri="https://a"), FETCH)),))
    assert failure(outcome) == (Reason.OPERATION_FAILED, "not-available")


def test_unsupported_commands_are_found_before_anything_is_done() -> None:
    store = device()
    manifest = replace(MANIFEST, load=(ExtensionCommand(29, Raw(b"\0")),))
    data = sign_envelope(manifest, SIGNER, payloads={"#app": IMAGE})
    assert process(data, [ANCHOR], store, sections=UPDATE).detail == "extension-command"
    assert store.operations == []


def test_manifests_that_are_refused_as_a_whole() -> None:
    def outcome(manifest: Manifest, store: MemoryStore | None = None) -> tuple[Reason, str]:
        return failure(process(sign_envelope(manifest, SIGNER), [ANCHOR], store or device()))

    extension = (Reason.COMMAND_UNSUPPORTED, "extension-member")
    assert outcome(replace(MANIFEST, extensions=((24, Raw(cbor.encode(b""))),))) == extension
    assert outcome(replace(MANIFEST, common_extensions=((1, Raw(b"\xa0")),))) == extension
    assert outcome(replace(MANIFEST, components=(), text=None)) == (Reason.COMPONENT_UNSUPPORTED, "no-component")
    many = tuple((bytes([number]),) for number in range(65))
    assert outcome(replace(MANIFEST, components=many, text=None))[1] == "too-many-components"
    assert outcome(replace(MANIFEST, components=(APP, STAGE)))[1] == "no-component-index"
    assert outcome(MANIFEST, device(contents={STAGE: b""})) == (Reason.COMPONENT_UNSUPPORTED, "unknown-component")
    assert outcome(replace(MANIFEST, shared=())) == (Reason.CONDITION_FAILED, "no-identity-check")


def test_try_each() -> None:
    store = device(slots={APP: 1})
    alternatives = tuple(
        (put(component_slot=number), ConditionCommand(Condition.COMPONENT_SLOT), put(content=bytes([number])))
        for number in range(3)
    )
    assert run((TryEach(alternatives), WRITE), store).reason == Reason.OK
    assert store.contents[APP] == b"\x01"
    store = device(slots={APP: 9})
    assert failure(run((TryEach(alternatives),), store)) == (Reason.CONDITION_FAILED, "no-alternative")
    assert run((TryEach(alternatives, or_nothing=True),), store).reason == Reason.OK
    hard = ((put(soft_failure=False), ABORT), (put(uri="#app"),))
    assert failure(run((TryEach(hard),))) == (Reason.CONDITION_FAILED, "abort")
    inner: Command = TryEach(((ABORT,), (ABORT,)))
    assert run((TryEach(((inner,), (put(uri="#app"),))),)).reason == Reason.OK


def test_run_sequence_and_soft_failure() -> None:
    # Section 8.4.8.12: false at first in run-sequence, true in try-each, and discarded at the end.
    assert run((RunSequence((put(soft_failure=True), ABORT, WRITE)),)).reason == Reason.OK
    assert failure(run((RunSequence((ABORT,)),))) == (Reason.CONDITION_FAILED, "abort")
    nested = RunSequence((put(soft_failure=True), RunSequence((ABORT,)), WRITE))
    assert run((nested,)).reason == Reason.OK
    assert failure(run((RunSequence((put(soft_failure=True),)), ABORT))) == (Reason.CONDITION_FAILED, "abort")


def test_commands_apply_to_each_chosen_component() -> None:
    store = device()
    write = (SetComponentIndex(True), put(content=b"all"), WRITE)
    assert run(**two(*write), store=store).reason == Reason.OK  # type: ignore[arg-type]
    assert store.contents == {APP: b"all", STAGE: b"all"}
    # Try-each and run-sequence see one index at a time, and what they set ends with them (section 6.5).
    per_component = (
        SetComponentIndex((1, 0)),
        put(content=b"x"),
        RunSequence((WRITE, SetComponentIndex(0), put(content=b"y"))),
        WRITE,
    )
    assert run(**two(*per_component), store=store).reason == Reason.OK  # type: ignore[arg-type]
    assert [component for _, component in store.operations[2:]] == [STAGE, APP, STAGE, APP]
    assert store.contents == {APP: b"y", STAGE: b"x"}


def test_strict_order_off() -> None:
    # Section 6.7.
    off = put(strict_order=False, source_component=1, content=b"c")

    def detail(*install: Command) -> str:
        return run(**two(*install)).detail  # type: ignore[arg-type]

    assert detail(off, COPY) == ""
    assert detail(off, SWAP) == "order"
    assert detail(off, COPY, SetComponentIndex(1), put(content=b"d"), WRITE) == "order"
    assert detail(off, COPY, put(strict_order=True), SetComponentIndex(1), put(content=b"d"), WRITE) == ""
    assert detail(off, RunSequence((WRITE,))) == "order"
    assert detail(off, RunSequence((SetComponentIndex(0), WRITE))) == ""
    assert detail(off, RunSequence((SetComponentIndex(0), WRITE, SetComponentIndex(1)))) == "order"
    every = (SetComponentIndex(True), off)
    assert detail(*every, RunSequence((SetComponentIndex(0),))) == "order"
    assert detail(*every, RunSequence((WRITE,))) == ""


def test_limits() -> None:
    assert run((put(uri="#app"),), limits=Limits(commands=4)).commands == 4
    outcome = run((put(uri="#app"), FETCH), limits=Limits(commands=4))
    assert failure(outcome) == (Reason.OPERATION_FAILED, "command-limit")


def test_records_follow_the_reporting_policy() -> None:
    def records(policy: ReportingPolicy, install: tuple[Command, ...] = ()) -> list[tuple[int, bool, bool]]:
        shared = (SHARED[0], *(replace(command, policy=ReportingPolicy.NONE) for command in SHARED[1:]))  # type: ignore[arg-type]
        sequence = (*install, replace(MATCH, policy=policy))
        outcome = run(sequence, shared=shared)
        return [(record.command, record.passed, bool(record.properties)) for record in outcome.records]

    policy = ReportingPolicy
    good = (put(image_digest=compute(b"old"), image_size=3),)
    bad = (put(image_digest=compute(b"new"), image_size=3),)
    assert records(policy.NONE, good) == records(policy.NONE, bad) == []
    assert records(policy.SEND_RECORD_ON_SUCCESS, good) == [(3, True, False)]
    assert records(policy.SEND_RECORD_ON_SUCCESS, bad) == []
    assert records(policy.SEND_RECORD_ON_FAILURE, bad) == [(3, False, False)]
    assert records(policy.SEND_SYSINFO_ON_FAILURE, bad) == [(3, False, True)]
    assert records(policy.ALL, good) == [(3, True, True)]
    failed = run((FETCH,))
    assert failed.records[-1].command == Directive.FETCH
    assert "suit-directive-fetch failed (suit-install offset 1, component 0)" in failed.records[-1].describe()


def test_a_store_may_give_its_own_reason() -> None:
    class Guarded(MemoryStore):
        __slots__ = ()

        def read_slot(self, component: ComponentIdentifier) -> int:
            raise StoreRefusal("guarded", "not for this manifest", reason=Reason.COMPONENT_UNAUTHORISED)

    store = Guarded({APP: b""}, vendors=[OUR_VENDOR], classes=[OUR_CLASS])
    check = (put(component_slot=0), ConditionCommand(Condition.COMPONENT_SLOT))
    outcome = run((TryEach((check, (put(uri="#app"),))),), store)
    assert failure(outcome) == (Reason.COMPONENT_UNAUTHORISED, "guarded")


def test_other_errors_of_a_store_pass_through() -> None:
    class PowerCut(BaseException):
        """The device lost its supply."""

    class Cut(MemoryStore):
        __slots__ = ()

        def write(self, component: ComponentIdentifier, content: bytes, parameters: Parameters) -> None:
            raise PowerCut

    with pytest.raises(PowerCut):
        run((put(uri="#app"), FETCH), Cut({APP: b""}, vendors=[OUR_VENDOR], classes=[OUR_CLASS]))
