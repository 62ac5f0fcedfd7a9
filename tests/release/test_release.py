"""Releases of the demo product: what they hold, what is refused, and what a crash leaves."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from rootwright.cli import main
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.loading import load_product
from rootwright.describe.product import PayloadPlace, Procedure, Product
from rootwright.errors import ReleaseRefused, RootwrightError
from rootwright.image.model import Image, Segment
from rootwright.pipeline import ReleaseInputs, read_release_inputs, require_installable
from rootwright.release import record
from rootwright.release.build import Release, build_release
from rootwright.suit.check import check_envelope
from rootwright.suit.structures import Digest, OverrideParameters, iterate_commands

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))
ANCHOR = SIGNER.public()


@pytest.fixture
def product(repository: Path) -> Product:
    return load_product(repository / "demo" / "river-gauge" / "product.toml")


@pytest.fixture
def demo(repository: Path, tmp_path: Path) -> Path:
    source = repository / "demo" / "river-gauge"
    shutil.copytree(source / "firmware" / "built", tmp_path / "demo" / "firmware" / "built")
    for name in ("product.toml", "gx-512.toml"):
        shutil.copy(source / name, tmp_path / "demo" / name)
    return tmp_path / "demo" / "product.toml"


def _inputs(product: Product, repository: Path) -> ReleaseInputs:
    return read_release_inputs(product, repository / "demo" / "river-gauge")


def _with_update(product: Product, **changes: Any) -> Product:
    return replace(product, update=replace(product.update, **changes))


def _build(product: Product, repository: Path) -> Release:
    inputs = _inputs(product, repository)
    return build_release(product, inputs.map, inputs.images, SIGNER)


def _run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as caught:
        main(["release", *arguments])
    code = caught.value.code
    assert isinstance(code, int)
    return code


@pytest.mark.parametrize("place", list(PayloadPlace))
@pytest.mark.parametrize(
    "procedure",
    [p for p in Procedure if p is not Procedure.BANK_FLIP],  # the demo's part cannot map its banks
)
def test_a_release_is_whole_signed_and_the_same_again(
    product: Product, repository: Path, place: PayloadPlace, procedure: Procedure
) -> None:
    product = _with_update(product, payload=place, procedure=procedure)
    inputs = _inputs(product, repository)
    release = build_release(product, inputs.map, inputs.images, SIGNER)
    assert release == _build(product, repository)
    require_installable(product, inputs, release, ANCHOR)
    checked = check_envelope(release.envelope, [ANCHOR])
    assert checked.manifest.sequence_number == 12
    staged = procedure.value.startswith(("copy", "exchange"))
    places = (b"run", b"stage") if staged else (b"run",)
    names = (b"application", b"radio")
    assert checked.manifest.components == tuple((name, place) for name in names for place in places)
    assert checked.text is not None
    assert isinstance(checked.manifest.text, Digest)
    links = 2 if procedure is Procedure.EITHER_SLOT else 1
    assert len(release.payloads) == 2 * links
    assert len(checked.payloads) == (2 * links if place is PayloadPlace.INTEGRATED else 0)
    assert len(release.files) == (1 if place is PayloadPlace.INTEGRATED else 1 + 2 * links)
    named = {
        value.value
        for command in iterate_commands(checked.manifest.shared)
        if isinstance(command, OverrideParameters)
        for _, value in command.parameters
        if isinstance(value, Digest)
    }
    assert named == {hashlib.sha256(payload.content).digest() for payload in release.payloads}
    altered = bytearray(release.envelope)
    altered[-10] ^= 1
    with pytest.raises(RootwrightError):
        check_envelope(bytes(altered), [ANCHOR])


def _change(image: Image, **changes: Any) -> list[Image]:
    return [replace(image, **changes)]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda i: _change(i, segments=(Segment(i.start, i.flatten() + bytes(131072)),)), "takes .* bytes, region"),
        (lambda i: _change(i, segments=(Segment(i.start + 4096, i.flatten()),)), "is linked for 0x00019000"),
        (lambda i: _change(i, entry=0x1001), "starts at 0x00001001, outside"),
        (
            lambda i: _change(
                i,
                symbols=(),
                sections=(),
                segments=(Segment(i.start, i.flatten()[:4] + b"\x01\0\0\0" + i.flatten()[8:]),),
            ),
            "no vector table",
        ),
        (lambda i: [i, i], "comes with 2 files"),
    ],
)
def test_images_that_would_not_start_are_refused(
    product: Product, repository: Path, change: Callable[[Image], list[Image]], expected: str
) -> None:
    inputs = _inputs(product, repository)
    images = {**inputs.images, "application": change(inputs.images["application"][0])}
    with pytest.raises(ReleaseRefused, match=expected):
        build_release(product, inputs.map, images, SIGNER)


def test_the_second_link_must_be_for_the_second_slot(product: Product, repository: Path) -> None:
    product = _with_update(product, procedure=Procedure.EITHER_SLOT)
    inputs = _inputs(product, repository)
    images = {**inputs.images, "radio": inputs.images["radio"][::-1]}
    with pytest.raises(ReleaseRefused, match="region run:radio runs it at 0x00038000"):
        build_release(product, inputs.map, images, SIGNER)


def test_the_record_takes_each_number_once(product: Product, repository: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    release = _build(product, repository)
    record.write_release(out, release)
    for sequence in (12, 11):
        with pytest.raises(ReleaseRefused, match="not above the last one, 12"):
            record.write_release(out, replace(release, sequence=sequence))
    record.write_release(out, _build(_with_update(product, sequence=13), repository))
    found = json.loads((out / record.RECORD_NAME).read_text())
    assert [(e["sequence"], e["state"]) for e in found["releases"]] == [(12, "complete"), (13, "complete")]
    with pytest.raises(ReleaseRefused, match="another product"):
        record.write_release(out, replace(release, sequence=14, class_id=bytes(16)))
    (out / record.RECORD_NAME).write_text('{"vendor": 1}')
    with pytest.raises(ReleaseRefused, match="damaged"):
        record.write_release(out, replace(release, sequence=14))
    (out / record.RECORD_NAME).unlink()
    with pytest.raises(ReleaseRefused, match="no record"):
        record.write_release(out, replace(release, sequence=14))


def test_a_link_in_a_temporary_file_s_place_is_not_written_through(
    product: Product, repository: Path, tmp_path: Path
) -> None:
    out, victim = tmp_path / "out", tmp_path / "victim"
    out.mkdir()
    victim.write_text("mine")
    release = _build(product, repository)
    for name in (record.RECORD_NAME, *dict(release.files)):
        (out / f".{name}.{os.getpid()}.new").symlink_to(victim)
        (out / f".{name}.1.new").symlink_to(victim)
    record.write_release(out, release)
    assert victim.read_text() == "mine"
    assert {path.name for path in out.iterdir()} == {*dict(release.files), record.RECORD_NAME}


def test_detached_payloads_are_not_named_like_integrated_ones(product: Product, repository: Path) -> None:
    with pytest.raises(ReleaseRefused, match="uri '#x' names a part of the envelope"):
        _build(_with_update(product, uri="#x"), repository)


def test_what_the_reference_device_does_not_install_is_not_released(product: Product, repository: Path) -> None:
    inputs = _inputs(product, repository)
    release = build_release(product, inputs.map, inputs.images, SIGNER)
    require_installable(product, inputs, release, ANCHOR)
    altered = replace(release, payloads=(release.payloads[0], replace(release.payloads[1], content=b"?")))
    with pytest.raises(ReleaseRefused, match="does not install this release: 1 bytes came"):
        require_installable(product, inputs, altered, ANCHOR)
    for change in ({"vendor_domain": "other.example"}, {"class_name": "another"}):
        with pytest.raises(ReleaseRefused, match="does not answer to"):
            require_installable(replace(product, **change), inputs, release, ANCHOR)


class _Cut(Exception):
    """The power goes."""


@pytest.mark.parametrize("place", list(PayloadPlace))
def test_a_cut_at_any_step_leaves_a_true_record(
    product: Product, repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: PayloadPlace
) -> None:
    release = _build(_with_update(product, payload=place), repository)
    other = replace(release, envelope=release.envelope + b"x")
    content = dict(release.files)
    # The new folder's parent; then fsync, replace, fsync of the folder for each file, and for the record twice.
    steps = 1 + 3 * (len(release.files) + 2)
    for cut in range(steps + 1):
        out = tmp_path / f"out-{cut}"
        left = [cut]

        def counted(call: Callable[..., Any], left: list[int] = left) -> Callable[..., Any]:
            def run(*arguments: Any) -> Any:
                if left[0] == 0:
                    raise _Cut
                left[0] -= 1
                return call(*arguments)

            return run

        with monkeypatch.context() as patched:
            patched.setattr(os, "replace", counted(os.replace))
            patched.setattr(os, "fsync", counted(os.fsync))
            if cut == steps:
                record.write_release(out, release)
                assert left == [0]
            else:
                with pytest.raises(_Cut):
                    record.write_release(out, release)
        there = {p.name for p in out.iterdir()} - {record.RECORD_NAME}
        assert all((out / name).read_bytes() == content[name] for name in there)
        path = out / record.RECORD_NAME
        state = json.loads(path.read_text())["releases"][-1]["state"] if path.exists() else None
        assert state is not None or not there
        assert (state == "complete") <= (there == set(content))
        if state == "begun":
            with pytest.raises(ReleaseRefused, match="begun with other bytes"):
                record.write_release(out, other)
        if state != "complete":
            record.write_release(out, release)
        assert json.loads(path.read_text())["releases"][-1]["state"] == "complete"
        assert {p.name for p in out.iterdir()} == {*content, record.RECORD_NAME}


@pytest.mark.slow
def test_the_command(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "out")
    assert _run(str(demo), "--out", out, "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["sequence"] == 12
    assert shown["demo_key_made"]
    assert [(row["name"], row["size"], row["sha256"]) for row in shown["files"]] == [
        (path.name, path.stat().st_size, hashlib.sha256(path.read_bytes()).hexdigest())
        for path in (Path(out) / row["name"] for row in shown["files"])
    ]
    assert len(shown["files"]) == 3
    assert _run(str(demo), "--out", out, "--json") == 2
    assert "not above" in json.loads(capsys.readouterr().out)["refused"]
    again = tmp_path / "again"
    assert _run(str(demo), "--out", str(again)) == 0
    assert (again / "release-12.suit").read_bytes() == (tmp_path / "out" / "release-12.suit").read_bytes()


def test_the_command_says_in_json_that_it_cannot_write(
    demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    assert _run(str(demo), "--out", str(tmp_path / "file"), "--json") == 2
    assert json.loads(capsys.readouterr().out)["where"].endswith("file")


def test_the_command_refuses_a_bad_key(demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    key = demo.parent / "keys" / "release-demo.pem"
    key.parent.mkdir()
    key.write_text("x")
    key.chmod(0o644)
    assert _run(str(demo), "--out", str(out)) == 2
    assert "mode 0644" in capsys.readouterr().err
    demo.write_text(demo.read_text().replace("demo = true", "demo = false"))
    key.unlink()
    assert _run(str(demo), "--out", str(out)) == 2
    assert "no such key file" in capsys.readouterr().err
    assert not out.exists()
