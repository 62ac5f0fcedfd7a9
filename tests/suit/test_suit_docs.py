"""The manual's pages on COSE, SUIT and `inspect`: files are reproducible, commands and code do what is said."""

from __future__ import annotations

import os
import re
import shlex
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
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


def _blocks(page: Path, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", page.read_text(), flags=re.DOTALL)


@pytest.mark.parametrize("page", ["inspect.md", "cose-and-suit.md"])
def test_commands_print_what_the_page_shows(page: str, repository: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rootwright.cli import cli

    monkeypatch.chdir(repository)
    blocks = _blocks(repository / "docs" / page, "console")
    assert blocks
    for block in blocks:
        command, _, expected = block.removeprefix("$ ").partition("\n")
        program, *arguments = shlex.split(command)
        assert program == "rootwright"
        result = CliRunner().invoke(cli, arguments, standalone_mode=False)
        assert result.exception is None
        # A block that shows no output is only run.
        assert result.output == expected or not expected
        assert result.return_value == 0


def test_code_on_the_page_runs(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    blocks = _blocks(repository / "docs" / "cose-and-suit.md", "python")
    assert blocks
    scope: dict[str, object] = {}
    for block in blocks:
        exec(block, scope)
    assert (tmp_path / "update.suit").is_file()
