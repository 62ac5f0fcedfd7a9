"""The update that the manual shows is made again byte for byte; tests/test_docs.py runs the pages themselves."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from suit_samples import APP, IMAGE, MANIFEST, SIGNER

from rootwright.suit.build import sign_envelope
from rootwright.suit.check import check_envelope
from rootwright.suit.numbers import ManifestKey
from rootwright.suit.structures import LanguageText, Text

DATA = Path(__file__).parent / "data"
TEXT = Text(
    (
        LanguageText(
            "en",
            ((2, "Steadier readings in frost."),),
            ((APP, ((3, "alderwater.example"), (4, "RL-2"), (6, "1.4.0"))),),
        ),
    )
)


def update() -> bytes:
    severed = [ManifestKey.INSTALL, ManifestKey.TEXT]
    return sign_envelope(replace(MANIFEST, text=TEXT), SIGNER, payloads={"#app": IMAGE}, severed=severed)


def author_pem() -> bytes:
    return SIGNER.key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


@pytest.mark.parametrize(("name", "make"), [("update.suit", update), ("author.pem", author_pem)])
def test_the_manual_s_files_are_made_again_byte_for_byte(name: str, make: object) -> None:
    content = make()  # type: ignore[operator]
    if os.environ.get("ROOTWRIGHT_REWRITE"):
        (DATA / name).write_bytes(content)
    assert (DATA / name).read_bytes() == content


def test_the_manual_s_envelope_is_good() -> None:
    check_envelope(update(), [SIGNER.public()])
