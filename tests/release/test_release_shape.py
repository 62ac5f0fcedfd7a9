"""What a release is like: by our procedures' names, by an own procedure's word, or by the blocks it asks for."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from consumer_samples import Sample, make_sample
from rootwright.cli import main
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.product import Procedure
from rootwright.errors import ReleaseRefused
from rootwright.image.model import Image, Segment
from rootwright.prove.trials import run_trials
from rootwright.release.build import build_release
from rootwright.release.shape import find_shape
from rootwright.suit.check import check_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.encode import encode_sequence
from rootwright.suit.structures import CommandSequence

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))


def _as_own(sample: Sample) -> Sample:
    return replace(sample, memory_map=replace(sample.memory_map, procedure="mine:Mine"))


def _sections(sample: Sample, like: str | None = None) -> list[CommandSequence | None]:
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER, like=like)
    manifest = decode_manifest(decode_envelope(release.envelope).manifest)
    assert isinstance(manifest.install, tuple)
    assert manifest.payload_fetch is None or isinstance(manifest.payload_fetch, tuple)
    return [manifest.shared, manifest.payload_fetch, manifest.install, manifest.validate, manifest.invoke]


@pytest.mark.parametrize("procedure", list(Procedure))
def test_an_own_procedure_is_released_like_ours(procedure: Procedure) -> None:
    sample = make_sample(procedure)
    own = _as_own(sample)
    assert _sections(own, procedure.value) == _sections(sample)
    expected = {"second": Procedure.EITHER_SLOT, "stage": Procedure.COPY_OVER}
    prefixes = {region.block.partition(":")[0] for region in own.memory_map.regions}
    by_blocks = next((shape for name, shape in expected.items() if name in prefixes), Procedure.IN_PLACE)
    assert find_shape(own.product, own.memory_map) is by_blocks


@pytest.mark.parametrize(
    ("like", "expected"),
    [
        ("either-slot", "no region second:application, which a release like either-slot writes"),
        ("bank-flip", "no region second:application"),
        ("sideways", "release_like is 'sideways', which is no update procedure"),
        (7, "release_like is 7"),
        (["copy-over"], "release_like is \\['copy-over'\\]"),
        ("", "release_like is ''"),
    ],
)
def test_a_release_that_the_map_cannot_hold_is_refused(like: Any, expected: str) -> None:
    own = _as_own(make_sample(Procedure.COPY_OVER))
    with pytest.raises(ReleaseRefused, match=expected):
        build_release(own.product, own.memory_map, own.images, SIGNER, like=like)


@pytest.mark.slow
def test_the_trials_pass_on_an_own_procedure() -> None:
    own = _as_own(make_sample(Procedure.EXCHANGE_FIXED))
    report = run_trials(own.product, own.memory_map, own.images, like="exchange-fixed")
    assert report.passed
    assert {trial.id for trial in report.trials if trial.attempts == 0} == {
        "genuine-second",
        "other-slot",
        "redirected-to-other-slot",
    }


def test_the_boot_stage_s_commands_are_few_bytes() -> None:
    """Vendor and class are stated once for all components, and one match tests all that waits."""
    shared, fetch, install, validate, invoke = _sections(make_sample(Procedure.EXCHANGE_FIXED))
    assert fetch is not None
    assert install is not None
    # Per image: index 2, source parameter 5, swap 3, match 2; once: index of two 4, match 2, array head 1-2.
    assert len(encode_sequence(install)) <= 2 * 14 + 10
    assert len(encode_sequence(shared or ())) <= 60 + 2 * 60
    assert len(encode_sequence(validate or ())) <= 10
    assert len(encode_sequence(invoke or ())) <= 10


@pytest.mark.parametrize("erased", [0x00, 0xFF])
def test_gaps_hold_what_erased_memory_holds(erased: int) -> None:
    sample = make_sample(Procedure.COPY_OVER, erased=erased)
    whole = sample.images["radio"][0]
    data = whole.flatten()
    gapped = Image(
        "radio.elf", "elf", "arm", (Segment(whole.start, data[:100]), Segment(whole.start + 300, data[300:]))
    )
    release = build_release(sample.product, sample.memory_map, {**sample.images, "radio": [gapped]}, SIGNER)
    content = next(p.content for p in release.payloads if p.image == "radio")
    assert content == data[:100] + bytes([erased]) * 200 + data[300:]


def test_what_people_read_names_components_and_versions() -> None:
    sample = make_sample(Procedure.COPY_OVER)
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER)
    text = check_envelope(release.envelope, [SIGNER.public()]).text
    assert text is not None
    (english,) = text.languages
    assert [value for _, value in english.fields] == [
        "S-1, release 5: application 1.1, radio 1.1",
        "Release 5 of Sample",
    ]
    described = dict(english.components)
    assert set(described) == {(n, p) for n in (b"application", b"radio") for p in (b"run", b"stage")}
    assert dict(described[b"radio", b"run"])[6] == "1.1"  # suit-text-component-version


def _own_product(repository: Path, folder: Path, lines: str) -> Path:
    """Return a copy of the demo with the manual's own procedure, `lines` added to its class."""
    demo = repository / "demo" / "river-gauge"
    shutil.copytree(demo / "firmware" / "built", folder / "firmware" / "built")
    shutil.copy(demo / "gx-512.toml", folder)
    code = (repository / "demo" / "own-procedure" / "two_slots.py").read_text()
    (folder / "two_slots.py").write_text(code.replace("    claims =", f"{lines}    claims =", 1))
    text = (demo / "product.toml").read_text().replace('"exchange-rotating" ', '"two_slots:TwoSlots" ')
    (folder / "product.toml").write_text(text)
    return folder / "product.toml"


def _release(*arguments: str) -> int:
    with pytest.raises(SystemExit) as caught:
        main(["release", *arguments])
    assert isinstance(caught.value.code, int)
    return caught.value.code


@pytest.mark.slow
def test_the_command_releases_an_own_procedure(
    repository: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    product = _own_product(repository, tmp_path, "")
    assert _release(str(product), "--out", str(tmp_path / "out"), "--json") == 0
    names = [row["name"] for row in json.loads(capsys.readouterr().out)["files"]]
    assert names[:2] == ["application-first-12.bin", "application-second-12.bin"]
    for lines, expected in (
        ('    release_like = "copy-over"\n', "no region stage:application"),
        ("    release_like = 3\n", "release_like is 3"),
        ("    demand = staticmethod(lambda product, sizes: None)\n", ""),
        ("    demand = 1 / 0\n", "ZeroDivisionError"),
    ):
        other = tmp_path / f"other-{len(lines)}"
        other.mkdir()
        found = _own_product(repository, other, lines)
        if "staticmethod" in lines:
            found.with_name("two_slots.py").write_text(
                found.with_name("two_slots.py").read_text().replace("def demand(", "def other(")
            )
            expected = "demand() returned a NoneType"
        assert _release(str(found), "--out", str(other / "out")) == 2
        assert expected in capsys.readouterr().err
        assert not (other / "out").exists()
