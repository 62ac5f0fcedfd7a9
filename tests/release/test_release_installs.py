"""A released manifest, executed: each procedure's own directives, in its own order, by the standard's interpreter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from consumer_samples import make_sample
from rootwright.cose.keys import P256PrivateKeySigner
from rootwright.describe.loading import load_product
from rootwright.describe.product import PayloadPlace, Procedure
from rootwright.pipeline import read_release_inputs
from rootwright.release.build import Release, build_release
from rootwright.suit.interpreter import process
from rootwright.suit.numbers import Reason
from rootwright.suit.store import MemoryStore
from rootwright.suit.structures import ComponentIdentifier

SIGNER = P256PrivateKeySigner(ec.derive_private_key(7, ec.SECP256R1()))
APPLICATION, RADIO = (b"application", b"run"), (b"radio", b"run")
STAGED_APPLICATION, STAGED_RADIO = (b"application", b"stage"), (b"radio", b"stage")
OLD = {APPLICATION: b"old application", RADIO: b"old radio"}


def _release(repository: Path, procedure: Procedure) -> Release:
    folder = repository / "demo" / "river-gauge"
    product = load_product(folder / "product.toml")
    product = replace(product, update=replace(product.update, procedure=procedure))
    inputs = read_release_inputs(product, folder)
    return build_release(product, inputs.map, inputs.images, SIGNER)


def _store(release: Release, slot: int = 0, *, staged: bool = False) -> MemoryStore:
    contents = dict(OLD)
    if staged:
        contents |= {STAGED_APPLICATION: b"", STAGED_RADIO: b""}
    return MemoryStore(
        contents,
        remote={payload.uri: payload.content for payload in release.payloads},
        vendors=[release.vendor],
        classes=[release.class_id],
        slots={APPLICATION: slot, RADIO: slot},
    )


def _new(release: Release, slot: int = 0) -> dict[ComponentIdentifier, bytes]:
    return {(p.image.encode(), b"run"): p.content for p in release.payloads if p.slot in (None, slot)}


@pytest.mark.parametrize(
    ("procedure", "slot"),
    [(Procedure.IN_PLACE, 0), (Procedure.RECOVERY_IMAGE, 0), (Procedure.EITHER_SLOT, 0), (Procedure.EITHER_SLOT, 1)],
)
def test_what_is_not_staged_is_fetched_straight_to_where_it_runs(
    repository: Path, procedure: Procedure, slot: int
) -> None:
    release = _release(repository, procedure)
    store = _store(release, slot)
    outcome = process(release.envelope, [SIGNER.public()], store)
    assert outcome.reason is Reason.INVOKE_PENDING, outcome
    assert store.contents == _new(release, slot)
    assert store.operations == [("fetch", APPLICATION), ("fetch", RADIO), ("invoke", APPLICATION)]


def test_copy_over_copies_from_staging_what_was_tested_there(repository: Path) -> None:
    release = _release(repository, Procedure.COPY_OVER)
    store = _store(release, staged=True)
    assert process(release.envelope, [SIGNER.public()], store).reason is Reason.INVOKE_PENDING
    new = _new(release)
    assert store.contents == new | {STAGED_APPLICATION: new[APPLICATION], STAGED_RADIO: new[RADIO]}
    assert store.operations == [
        ("fetch", STAGED_APPLICATION),
        ("fetch", STAGED_RADIO),
        ("copy", APPLICATION),
        ("copy", RADIO),
        ("invoke", APPLICATION),
    ]


@pytest.mark.parametrize("procedure", [Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING])
def test_an_exchange_leaves_the_old_images_in_staging(repository: Path, procedure: Procedure) -> None:
    release = _release(repository, procedure)
    store = _store(release, staged=True)
    assert process(release.envelope, [SIGNER.public()], store).reason is Reason.INVOKE_PENDING
    assert store.contents == _new(release) | {STAGED_APPLICATION: OLD[APPLICATION], STAGED_RADIO: OLD[RADIO]}
    assert [name for name, _ in store.operations] == ["fetch", "fetch", "swap", "swap", "invoke"]


@dataclass
class _TwoBanks(MemoryStore):
    """Slot 1, mapped high, until the boot stage flips: here, once both images were fetched."""

    flips: bool = True

    def read_slot(self, component: ComponentIdentifier) -> int:
        fetched = sum(name == "fetch" for name, _ in self.operations)
        return 0 if self.flips and fetched == 2 else 1


@pytest.mark.parametrize("flips", [True, False])
def test_a_bank_that_was_not_flipped_is_not_started(flips: bool) -> None:
    sample = make_sample(Procedure.BANK_FLIP)
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER)
    plain = _store(release)
    store = _TwoBanks(plain.contents, plain.remote, plain.vendors, plain.classes, flips=flips)
    outcome = process(release.envelope, [SIGNER.public()], store)
    assert outcome.reason is (Reason.INVOKE_PENDING if flips else Reason.CONDITION_FAILED)
    assert outcome.detail == ("" if flips else "slot-differs")
    assert (("invoke", APPLICATION) in store.operations) is flips
    # Nor is anything fetched into the bank that runs.
    running = replace(plain, operations=[])
    assert process(release.envelope, [SIGNER.public()], running).detail == "slot-differs"
    assert running.operations == []


@pytest.mark.parametrize("place", list(PayloadPlace))
@pytest.mark.parametrize("procedure", [Procedure.COPY_OVER, Procedure.EXCHANGE_FIXED])
def test_a_staged_image_that_differs_moves_nowhere(procedure: Procedure, place: PayloadPlace) -> None:
    sample = make_sample(procedure, place)
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER)
    store = _store(release, staged=True)
    altered = {uri: content[:-1] + b"?" for uri, content in store.remote.items() if "radio" in uri}
    store.remote = {**store.remote, **altered}
    outcome = process(release.envelope, [SIGNER.public()], store)
    if place is PayloadPlace.DETACHED:
        assert outcome.detail == "image-digest-differs"
        assert {name for name, _ in store.operations} == {"fetch"}
        assert {name: store.contents[name] for name in OLD} == OLD
    else:
        assert outcome.reason is Reason.INVOKE_PENDING  # what is integrated never comes from the server


def test_one_image_alone_needs_no_lists() -> None:
    sample = make_sample(Procedure.COPY_OVER, images=1)
    release = build_release(sample.product, sample.memory_map, sample.images, SIGNER)
    store = _store(release, staged=True)
    for name in (RADIO, STAGED_RADIO):
        del store.contents[name]
    assert process(release.envelope, [SIGNER.public()], store).reason is Reason.INVOKE_PENDING
    assert store.contents[APPLICATION] == release.payloads[0].content


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
        store = replace(_store(release, staged=True), **change)  # type: ignore[arg-type]
        assert process(release.envelope, [SIGNER.public()], store).reason == Reason.CONDITION_FAILED
        assert store.operations == []
