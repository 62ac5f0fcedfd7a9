"""A released envelope, executed: the right payloads arrive in each slot, and another class of device refuses them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from rootwright.cli.release import _find_map, _read_images
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.loading import load_product
from rootwright.describe.product import Procedure
from rootwright.release.build import Release, build_release
from rootwright.suit.interpreter import process
from rootwright.suit.numbers import Reason
from rootwright.suit.store import MemoryStore

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))
APPLICATION, RADIO = (b"application",), (b"radio",)


def _release(repository: Path, procedure: Procedure) -> Release:
    product = load_product(repository / "demo" / "river-gauge" / "product.toml")
    product = replace(product, update=replace(product.update, procedure=procedure))
    images = _read_images(product, repository / "demo" / "river-gauge")
    return build_release(product, _find_map(product, images, "product"), images, SIGNER)


def _store(release: Release, slot: int = 0) -> MemoryStore:
    return MemoryStore(
        {APPLICATION: b"", RADIO: b""},
        remote={payload.uri: payload.content for payload in release.payloads},
        vendors=[release.vendor],
        classes=[release.class_id],
        slots={APPLICATION: slot, RADIO: slot},
    )


@pytest.mark.parametrize(
    ("procedure", "slot"),
    [(Procedure.EXCHANGE_ROTATING, 0), (Procedure.EITHER_SLOT, 0), (Procedure.EITHER_SLOT, 1)],
)
def test_a_device_installs_the_link_of_its_slot(repository: Path, procedure: Procedure, slot: int) -> None:
    release = _release(repository, procedure)
    store = _store(release, slot)
    outcome = process(release.envelope, [SIGNER.public()], store)
    assert outcome.reason in (Reason.OK, Reason.INVOKE_PENDING), outcome
    wanted = {(p.image.encode(),): p.content for p in release.payloads if p.slot in (None, slot)}
    assert store.contents == wanted
    assert store.operations == [("fetch", APPLICATION), ("fetch", RADIO), ("invoke", APPLICATION)]


def test_a_payload_for_the_other_slot_is_not_accepted(repository: Path) -> None:
    release = _release(repository, Procedure.EITHER_SLOT)
    store = _store(release, 1)
    first = {p.image: p.content for p in release.payloads if p.slot == 0}
    store.remote = {p.uri: first[p.image] for p in release.payloads}
    assert process(release.envelope, [SIGNER.public()], store).reason == Reason.CONDITION_FAILED
    assert ("invoke", APPLICATION) not in store.operations


def test_another_class_and_an_older_release_are_refused(repository: Path) -> None:
    release = _release(repository, Procedure.COPY_OVER)
    for change in ({"classes": [bytes(16)]}, {"vendors": [bytes(16)]}, {"floor": 13}):
        store = replace(_store(release), **change)  # type: ignore[arg-type]
        assert process(release.envelope, [SIGNER.public()], store).reason == Reason.CONDITION_FAILED
        assert store.operations == []
