"""`rootwright inspect` shows any envelope in the standard's words, and its exit code says whether all is well."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

sys.path.insert(0, str(Path(__file__).parent / "suit"))

from suit_samples import (
    ANCHOR,
    APP,
    EXAMPLE_0,
    EXAMPLE_3,
    IMAGE,
    MANIFEST,
    SHARED,
    SIGNER,
    Parameter,
)

from rootwright.cose import cbor, keys
from rootwright.errors import FormatError, KeyFileError
from rootwright.suit.build import add_signature, sever, sign_envelope, unsigned_envelope
from rootwright.suit.decode import decode_envelope
from rootwright.suit.digest import compute_wrapped
from rootwright.suit.encode import encode_envelope
from rootwright.suit.inspection import inspect_envelope
from rootwright.suit.listing import component_text, listing, plain
from rootwright.suit.numbers import ManifestKey
from rootwright.suit.structures import (
    CborPen,
    ExtensionCommand,
    LanguageText,
    OverrideParameters,
    Raw,
    RunSequence,
    SetComponentIndex,
    Text,
    TryEach,
)

SEVERED = [ManifestKey.INSTALL, ManifestKey.TEXT]
OURS = sign_envelope(MANIFEST, SIGNER, payloads={"#app": IMAGE}, severed=SEVERED)


def pem(signer: keys.P256PrivateKeySigner) -> bytes:
    return signer.key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


@pytest.fixture
def inspect(tmp_path: Path) -> object:
    """Run the command on bytes, with the given anchors."""
    from rootwright.cli.inspect import command

    def call(data: bytes, *options: str, anchors: tuple[keys.P256PrivateKeySigner, ...] = ()) -> Result:
        file = tmp_path / "x.suit"
        file.write_bytes(data)
        arguments = [str(file), *options]
        for number, signer in enumerate(anchors):
            (tmp_path / f"{number}.pem").write_bytes(pem(signer))
            arguments += ["--anchor", str(tmp_path / f"{number}.pem")]
        return CliRunner().invoke(command, arguments, standalone_mode=False)

    return call


def test_a_published_envelope(inspect) -> None:  # type: ignore[no-untyped-def]
    result = inspect(EXAMPLE_3)
    assert result.return_value == 0
    lines = result.output.splitlines()
    assert lines[0].split() == ["SUIT_Envelope", "396", "bytes"]
    assert "  block 1       COSE_Sign1 ES256: not verified: no anchor was given" in lines
    # Words and values as in the draft's own rendering of Example 3.
    for words in (
        "suit-parameter-vendor-identifier  fa6b4a53-d5ad-5fdf-be9d-e663e4d41ffe",
        "suit-parameter-image-size    34768 bytes",
        "suit-parameter-uri  http://example.com/file2.bin",
        "suit-directive-fetch        record on failure",
        "suit-condition-image-match  record always, sysinfo always",
        "alternative 2",
    ):
        assert words in result.output
    assert lines[-1] == "  suit-condition-image-match  record always, sysinfo always"


def test_verified_with_an_anchor(inspect) -> None:  # type: ignore[no-untyped-def]
    result = inspect(OURS, anchors=(SIGNER,))
    assert result.return_value == 0
    assert "authentication  verified" in result.output
    assert "COSE_Sign1 ESP256: verified by " in result.output
    assert "suit-install  (severed member, digest matches)" in result.output
    assert "(matches, for component 0)" in result.output
    assert "['app']" in result.output


def test_findings_give_exit_code_1(inspect) -> None:  # type: ignore[no-untyped-def]
    stranger = keys.P256PrivateKeySigner(ec.derive_private_key(13, ec.SECP256R1()))
    opened = decode_envelope(OURS)
    other_payload = encode_envelope(replace(opened, payloads=(("#app", IMAGE[::-1]),)))
    cases = [
        (inspect(OURS, anchors=(stranger,)), "authentication block 1: does not hold"),
        (inspect(encode_envelope(unsigned_envelope(MANIFEST)), anchors=(SIGNER,)), "the envelope is not signed"),
        (inspect(other_payload, anchors=(SIGNER,)), "DIFFERS"),
        (inspect(other_payload), "integrated payload '#app': SHA-256"),
        (inspect(encode_envelope(replace(opened, payloads=(("#x", b""),)))), "NOT COVERED"),
        (
            inspect(
                encode_envelope(
                    replace(opened, severed=((20, dict(opened.severed)[20]), (23, cbor.encode({"en": {}}))))
                )
            ),
            "suit-text  (severed member, DIGEST DIFFERS)",
        ),
        (
            inspect(encode_envelope(replace(opened, severed=((16, cbor.encode([3, 0])), *opened.severed)))),
            "suit-payload-fetch stands in the envelope",
        ),
        (inspect(encode_envelope(replace(opened, digest=compute_wrapped(b"")))), "(DIFFERS)"),
        (inspect(encode_envelope(replace(opened, blocks=(b"\xd8\x62\x80",))), anchors=(SIGNER,)), "COSE_Sign is not"),
    ]
    for result, words in cases:
        assert result.return_value == 1, words
        assert words in result.output
        assert "finding: " in result.output


def test_no_anchor_fits(inspect) -> None:  # type: ignore[no-untyped-def]
    mac = keys.HmacKey(bytes(32), kid=b"\x01")
    result = inspect(add_signature(OURS, mac), anchors=(SIGNER,))
    assert result.return_value == 1
    assert "NOT VERIFIED" in result.output
    assert "COSE_Mac0 HMAC 256/256, kid 01: no anchor given is for it" in result.output


def test_unsigned_and_unsupported_are_shown_without_an_anchor(inspect) -> None:  # type: ignore[no-untyped-def]
    result = inspect(encode_envelope(unsigned_envelope(MANIFEST)))
    assert (result.return_value, "not signed" in result.output) == (0, True)
    result = inspect(encode_envelope(replace(decode_envelope(OURS), blocks=(b"\xd8\x62\x80",))))
    assert (result.return_value, "not accepted: COSE_Sign" in result.output) == (0, True)


def test_malformed_files_name_file_and_byte(inspect) -> None:  # type: ignore[no-untyped-def]
    # Key 10 of the manifest is unknown; so is a file cut in the middle.
    unknown = cbor.encode({1: 1, 2: 0, 3: cbor.encode({2: [[b"a"]]}), 10: 0})
    opened = replace(unsigned_envelope(MANIFEST), manifest=unknown, digest=compute_wrapped(unknown))
    for data, words in ((encode_envelope(opened), "manifest key 10 is not known"), (EXAMPLE_0[:100], "byte ")):
        result = inspect(data)
        assert isinstance(result.exception, FormatError)
        assert words in str(result.exception)
        assert "x.suit: byte " in str(result.exception)


def test_malformed_files_leave_with_code_2(tmp_path: Path) -> None:
    from rootwright.cli import main

    (tmp_path / "x.suit").write_bytes(b"\xd8\x6b\xa0\x00")
    for name in ("x.suit", "missing.suit"):
        with pytest.raises(SystemExit) as left:
            main(["inspect", str(tmp_path / name)])
        assert left.value.code == 2


def test_an_anchor_that_is_no_public_key(inspect, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "bad.pem").write_bytes(b"nothing")
    result = inspect(OURS, "--anchor", str(tmp_path / "bad.pem"))
    assert isinstance(result.exception, KeyFileError)


def test_text_cannot_steer_the_terminal(inspect) -> None:  # type: ignore[no-untyped-def]
    evil = "\x1b[2J\x07\x9b31m\u202eabc\u2028\r\nsecond\tline\u200b"
    manifest = replace(
        MANIFEST,
        components=(APP, (b"\x1b[2J",)),
        shared=(SetComponentIndex(True), *SHARED),
        validate=(SetComponentIndex(0), *(MANIFEST.validate or ())),
        invoke=None,
        reference_uri=evil,
        install=(SetComponentIndex(0), OverrideParameters.of({Parameter.URI: "#" + evil})),
        text=Text((LanguageText("en", ((1, evil),), ((APP, ((3, evil), (4, evil))),)),)),
        extensions=((5, Raw(cbor.encode([evil]))),),
    )
    data = sign_envelope(manifest, SIGNER, payloads={evil: b""})
    for options in ((), ("--json",), ("--name", evil)):
        output = inspect(data, *options).output
        assert output.isprintable() or set(filter(lambda c: not c.isprintable(), output)) == {"\n"}
        assert "\u202e" not in output
    assert plain("\x1b") == "\\x1b"
    assert "\\x1b[2J" in inspect(data).output


def test_component_names() -> None:
    assert component_text(()) == "[]"
    assert component_text((b"a b", b"", b"it's", b"\x00")) == "['a b', 0x, 0x69742773, 0x00]"


def test_identifiers_are_recognised(inspect) -> None:  # type: ignore[no-untyped-def]
    output = inspect(OURS, "--name", "alderwater.example/RL-2").output
    assert "(vendor alderwater.example)" in output
    assert "(class RL-2 of alderwater.example)" in output
    text = Text((LanguageText("en", (), ((APP, ((3, "alderwater.example"), (4, "RL-2"))),)),))
    output = inspect(sign_envelope(replace(MANIFEST, text=text), SIGNER, payloads={"#app": IMAGE})).output
    assert "(vendor alderwater.example)" in output
    assert "(class RL-2 of alderwater.example)" in output


def every_form() -> bytes:
    values = {1: CborPen(b"\x01"), 4: Raw(b"\x00"), 12: True, 18: bytes(40), 23: b"x"}
    install = (
        SetComponentIndex(True),
        OverrideParameters(tuple(values.items())),  # type: ignore[arg-type]
        SetComponentIndex((0, 1)),
        RunSequence((ExtensionCommand(29, Raw(b"\x00")),)),
        TryEach(((SetComponentIndex(0),), (SetComponentIndex(1),)), or_nothing=True),
    )
    manifest = replace(
        MANIFEST,
        components=(APP, (b"stage",)),
        shared=(SetComponentIndex(0), *SHARED),
        install=install,
        text=Text((LanguageText("en", ((1, "one\ntwo"),)),)),
        reference_uri="https://alderwater.example/7.suit",
        extensions=((24, Raw(cbor.encode(cbor.encode([12, 0])))), (5, Raw(cbor.encode([b"m"])))),
        common_extensions=((1, Raw(cbor.encode({0: {}}))),),
    )
    return sign_envelope(replace(manifest, extensions=manifest.extensions[::-1]), SIGNER)


def test_every_form_of_command_is_shown(inspect) -> None:  # type: ignore[no-untyped-def]
    output = inspect(every_form()).output
    for words in (
        "private enterprise number 01",
        "components 0, 1",
        "all components",
        "suit-directive-wait  0  (extension)",
        "or nothing",
        "(40 bytes)",
        "suit-dependencies  (extension)  {0: {}}",
        "suit-manifest-component-id  (extension)  [h'6d']",
        "suit-uninstall  (extension)",
        "note: would be refused: ",
        "reference URI",
    ):
        assert words in output


def test_json_holds_the_same(inspect) -> None:  # type: ignore[no-untyped-def]
    data = json.loads(inspect(OURS, "--json", anchors=(SIGNER,)).output)
    assert data["authentication"]["state"] == "verified"
    assert data["manifest"]["sequence-number"] == 7
    assert data["manifest"]["suit-install"]["commands"][1]["command"] == "suit-directive-fetch"
    assert data["manifest"]["suit-text"]["text"]["en"]["manifest"] == {"suit-text-manifest-description": "An update."}
    assert data["payloads"][0]["size-bytes"] == len(IMAGE)
    assert data["findings"] == []
    forms = json.loads(inspect(every_form(), "--json").output)
    commands = forms["manifest"]["suit-install"]["commands"]
    assert [command["command"] for command in commands][-1] == "suit-directive-try-each"
    assert commands[0]["index"] is True
    assert commands[2]["index"] == [0, 1]


def test_members_that_are_not_here(inspect) -> None:  # type: ignore[no-untyped-def]
    output = inspect(sever(OURS, [ManifestKey.TEXT])).output
    assert "suit-text  (severed from this envelope)" in output


def test_encrypted_and_uncheckable_payloads() -> None:
    encrypted = OverrideParameters.of({Parameter.URI: "#app", Parameter.ENCRYPTION_INFO: b"i"})
    assert MANIFEST.install is not None
    data = sign_envelope(
        replace(MANIFEST, install=(encrypted, *MANIFEST.install[1:])),  # type: ignore[misc]
        SIGNER,
        payloads={"#app": b"?"},
    )
    assert inspect_envelope(data, [ANCHOR]).payloads[0].state.startswith("encrypted")
    extension = sign_envelope(
        replace(MANIFEST, install=(ExtensionCommand(29, Raw(b"\0")),)), SIGNER, payloads={"#app": IMAGE}
    )
    inspection = inspect_envelope(extension, [ANCHOR])
    assert inspection.payloads[0].state == "NOT COVERED by any digest"
    assert inspection.notes == ("would be refused: suit-directive-wait is not executed here",)


def test_a_missing_identity_check_is_noted() -> None:
    inspection = inspect_envelope(sign_envelope(replace(MANIFEST, shared=SHARED[:1]), SIGNER), [ANCHOR])
    assert "any device would take this manifest" in inspection.notes[0]
    assert list(listing(inspection))


def test_digests_of_extension_members() -> None:
    content = cbor.encode([12, 0])
    digest = compute_wrapped(content)
    raw = Raw(cbor.encode([digest.algorithm, digest.value]))
    opened = unsigned_envelope(replace(MANIFEST, extensions=((15, raw),)))
    good = replace(opened, severed=((15, content),))
    assert inspect_envelope(encode_envelope(good)).findings == ()
    bad = replace(opened, severed=((15, content + b"\0"),))
    assert "suit-dependency-resolution: SHA-256" in inspect_envelope(encode_envelope(bad)).findings[0]
