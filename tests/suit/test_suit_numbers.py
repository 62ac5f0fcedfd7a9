"""Registry numbers and their words are those of the drafts."""

from __future__ import annotations

import json
import uuid
from enum import IntEnum
from pathlib import Path

import pytest

from rootwright.suit import numbers
from rootwright.suit.identifiers import class_identifier, uuid_text, vendor_identifier
from rootwright.suit.numbers import Condition, Directive, Parameter, Reason
from rootwright.suit.words import (
    command_word,
    digest_word,
    manifest_word,
    parameter_word,
    policy_word,
    text_word,
    word,
)


def test_a_few_numbers_as_published() -> None:
    # draft-ietf-suit-manifest-34 Appendix A; draft-ietf-suit-report-18 for the reason.
    assert (Condition.IMAGE_MATCH, Directive.RUN_SEQUENCE, Parameter.URI, Reason.INVOKE_PENDING) == (3, 32, 21, 12)
    assert word(Directive.OVERRIDE_PARAMETERS) == "suit-directive-override-parameters"
    assert word(numbers.CommonKey.SHARED_SEQUENCE) == "suit-shared-sequence"


def _registry(published: dict[str, object], registry: type[IntEnum]) -> None:
    expected = {name: number for name, number in published.items() if isinstance(number, int)}
    ours = {word(member): member.value for member in registry}
    for name, number in expected.items():
        assert ours.get(name) == number, name


@pytest.mark.vectors
def test_every_number_of_the_registries(published_vectors: Path) -> None:
    data = json.loads((published_vectors / "suit" / "registry_numbers.json").read_text())
    envelope = {name: number for name, number in data["envelope_keys"].items() if name.startswith("suit-")}
    _registry(envelope, numbers.EnvelopeKey)
    _registry(data["manifest_keys"], numbers.ManifestKey)
    _registry(data["common_keys"], numbers.CommonKey)
    _registry(data["conditions"], Condition)
    _registry(data["directives"], Directive)
    _registry(data["parameters"], Parameter)
    _registry(data["text_keys"], numbers.TextKey)
    _registry(data["component_text_keys"], numbers.ComponentTextKey)
    for extension in (data["extensions"]["trust_domains"], data["extensions"]["update_management"]):
        _registry(extension["manifest_keys"], numbers.ManifestKey)
        _registry(extension.get("common_keys", {}), numbers.CommonKey)
        _registry(extension["conditions"], Condition)
        _registry(extension["directives"], Directive)
        _registry(extension.get("parameters", {}), Parameter)
    _registry(data["extensions"]["report"]["reasons"], Reason)
    assert len(Reason) == len(data["extensions"]["report"]["reasons"])
    for name, number in data["digest_algorithms"].items():
        assert digest_word(number) == name
    for name, bit in data["reporting_bits"].items():
        flag = numbers.ReportingPolicy["SEND_" + name.upper().replace("-", "_").replace("RECORD_ON", "RECORD_ON")]
        assert flag == 1 << bit
    assert data["cbor_tags"]["SUIT_Envelope"] == numbers.ENVELOPE_TAG
    # Nothing of ours is a number the drafts do not have.
    known = set(data["conditions"]) | set(data["directives"])
    for extension in ("trust_domains", "update_management"):
        known |= set(data["extensions"][extension]["conditions"]) | set(data["extensions"][extension]["directives"])
    assert {word(member) for registry in (Condition, Directive) for member in registry} == known


def test_unregistered_numbers_have_words_too() -> None:
    assert command_word(-300) == "suit-command-custom(-300)"
    assert command_word(99) == "command(99)"
    assert parameter_word(-300) == "suit-parameter-custom(-300)"
    assert parameter_word(99) == "parameter(99)"
    assert manifest_word(99) == "member(99)"
    assert text_word(99, component=True) == "suit-text-custom(99)"
    assert text_word(1, component=True) == "suit-text-vendor-name"
    assert digest_word(-99) == "algorithm -99"


def test_policies_in_words() -> None:
    assert policy_word(5) == "record on success, sysinfo on success"
    assert policy_word(10) == "record on failure, sysinfo on failure"


def test_identifiers_of_the_published_examples() -> None:
    # draft-ietf-suit-manifest-34 Appendix B gives the identifiers; the names behind them are its example text's domain
    # and class, checked here by their parts: a version 5 UUID each.
    from suit_samples import CLASS, VENDOR

    for raw in (VENDOR, CLASS):
        assert uuid.UUID(bytes=raw).version == 5


def test_identifiers_are_version_5_uuids() -> None:
    # RFC 9562 Appendix A.4: the version 5 UUID of www.example.com in the DNS namespace.
    vendor = vendor_identifier("www.example.com")
    assert uuid_text(vendor) == "2ed6657d-e927-568b-95e1-2665a8aea6a2"
    assert class_identifier(vendor, "x") == uuid.uuid5(uuid.UUID(bytes=vendor), "x").bytes
