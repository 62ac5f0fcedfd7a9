"""The trials: the reference passes them on every procedure, and each of its checks, taken out, makes trials fail."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from consumer_samples import Sample, make_sample
from rootwright.cose.keys import Verifier
from rootwright.describe.chip import Architecture, BlankRead
from rootwright.describe.loading import load_product
from rootwright.describe.product import PayloadPlace, Procedure
from rootwright.device.consumer import Consumer, DeviceState, Fetch, FlashStore, Place, Report, Settings, Verdict
from rootwright.device.consumer.store import View
from rootwright.layout.map import Region
from rootwright.pipeline import read_release_inputs
from rootwright.prove.trials import TRIALS, Status, Subject, TrialReport, make_subject, run_trials
from rootwright.prove.trials.run import run_trial
from rootwright.release.build import build_release
from rootwright.suit.authentication import AuthenticatedManifest, Signature, authenticate
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.numbers import Reason
from rootwright.suit.outcome import Refused
from rootwright.suit.parameters import Parameters
from rootwright.suit.structure_check import Limits
from rootwright.suit.structures import ComponentIdentifier

# What the product's choices leave open, whatever the device does: plain files, no time limit.
OPEN = {"THREAT.IMG.EXPIRED.OFFLINE", "THREAT.NET.ONPATH", "THREAT.IMG.DISCLOSURE", "THREAT.MFST.EXPOSURE"}


def _run(sample: Sample, **arguments: Any) -> TrialReport:
    return run_trials(sample.product, sample.memory_map, sample.images, **arguments)


def _failures(report: TrialReport) -> dict[str, str]:
    return {trial.id: trial.why for trial in report.trials if trial.status is Status.FAILED}


@pytest.mark.slow
@pytest.mark.parametrize("place", list(PayloadPlace))
@pytest.mark.parametrize("procedure", list(Procedure))
def test_the_reference_passes_on_every_procedure(procedure: Procedure, place: PayloadPlace) -> None:
    report = _run(make_sample(procedure, place))
    assert _failures(report) == {}
    assert report.passed
    assert {threat.id for threat in report.open_threats} == OPEN
    assert len(report.threats) == 18


@pytest.mark.slow
@pytest.mark.parametrize(
    "form",
    [
        {"algorithm": "Ed25519"},
        {"images": 1},
        {"header": 32},
        {"header": 32, "procedure": Procedure.EITHER_SLOT},
        {"erased": 0},
        {"keep": False},
        {"architecture": Architecture.RV32},
    ],
)
def test_the_reference_passes_on_other_products(form: dict[str, Any]) -> None:
    assert _failures(_run(make_sample(**form))) == {}


@pytest.mark.slow
def test_the_demo_product_passes_and_its_release_goes_in(repository: Path) -> None:
    folder = repository / "demo" / "river-gauge"
    product = load_product(folder / "product.toml")
    inputs = read_release_inputs(product, folder)
    memory_map, own = inputs.map, inputs.images
    subject = make_subject(product, memory_map, own)
    released = build_release(product, memory_map, own, subject.stranger)
    anchors: list[Verifier] = [subject.stranger.public(name="release")]
    report = run_trials(product, memory_map, own, older=inputs.older, released=released, anchors=anchors)
    assert _failures(report) == {}
    assert [trial.id for trial in report.trials[:2]] == ["genuine", "released"]
    assert report == run_trials(product, memory_map, own, older=inputs.older, released=released, anchors=anchors)
    wrong = run_trials(product, memory_map, own, released=released, anchors=[subject.signer.public()])
    assert set(_failures(wrong)) == {"released"}


@pytest.mark.slow
@pytest.mark.parametrize("procedure", [Procedure.RECOVERY_IMAGE, Procedure.COPY_OVER, Procedure.EITHER_SLOT])
def test_the_demo_product_passes_under_other_procedures(repository: Path, procedure: Procedure) -> None:
    folder = repository / "demo" / "river-gauge"
    product = load_product(folder / "product.toml")
    product = replace(product, update=replace(product.update, procedure=procedure.value))
    inputs = read_release_inputs(product, folder)
    report = run_trials(product, inputs.map, inputs.images, older=inputs.older)
    assert _failures(report) == {}
    assert sum(trial.attempts for trial in report.trials) > 1800


@pytest.mark.slow
def test_the_report_is_json_and_says_what_is_open() -> None:
    report = _run(make_sample())
    data = json.loads(json.dumps(report.to_dict()))
    assert data["passed"] is True
    assert len(data["trials"]) > 90
    threats = {threat["id"]: threat for threat in data["threats"]}
    assert threats["THREAT.KEY.EXPOSURE"]["status"] == "not a device's to meet"
    assert threats["THREAT.KEY.EXPOSURE"]["why"]
    assert threats["THREAT.IMG.DISCLOSURE"]["status"] == "not met"
    assert "radio-5.bin" in threats["THREAT.IMG.DISCLOSURE"]["why"]
    assert threats["THREAT.IMG.EXPIRED"]["status"] == "passed"
    assert "old-number" in threats["THREAT.IMG.EXPIRED"]["trials"]
    skipped = {trial["id"]: trial["why"] for trial in data["trials"] if trial["status"] == "not applicable"}
    assert skipped == {
        "genuine-second": "the procedure runs code from one slot",
        "other-slot": "each image travels in one file, for one slot",
        "redirected-to-other-slot": "each image travels in one file, for one slot",
    }
    genuine = data["trials"][0]
    assert genuine["reports"][1]["reason_word"] == "invoke-pending"


@pytest.mark.slow
def test_room_that_cannot_be_judged_is_said_to_be_open() -> None:
    report = _run(make_sample(Procedure.EITHER_SLOT, blank_read=BlankRead.UNDEFINED))
    assert report.passed
    extra = next(threat for threat in report.threats if threat.id == "THREAT.IMG.EXTRA")
    assert extra.status is Status.OPEN
    assert "second:radio" in extra.why


def test_hostile_files_are_signed_by_trial_keys_alone() -> None:
    sample = make_sample()
    subject = make_subject(sample.product, sample.memory_map, sample.images)
    # The key of number 101 is known to everyone: P-256, private scalar 101.
    assert subject.signer.key.private_numbers().private_value == 101  # type: ignore[union-attr]


# Teeth: one check taken out at a time. No switch does that; each weak device is a subclass made here.


def _with_store(store: type[FlashStore]) -> type[Consumer]:
    class Weak(Consumer):
        def make_store(self, device: DeviceState, fetch: Fetch, view: View) -> FlashStore:
            return store(device, fetch, view)

    return Weak


class TrustsEveryone(Consumer):
    def authenticate(self, data: bytes, settings: Settings) -> AuthenticatedManifest:
        try:
            envelope = decode_envelope(data)
            name = settings.anchors[0].verifier.name
            return AuthenticatedManifest(
                decode_manifest(envelope.manifest), envelope, (Signature("COSE_Sign1", 0, name),)
            )
        except Exception:
            return super().authenticate(data, settings)


class AllowsStrangers(Consumer):
    def authenticate(self, data: bytes, settings: Settings) -> AuthenticatedManifest:
        anchors = [anchor.verifier for anchor in settings.anchors]
        try:
            return authenticate(decode_envelope(data), anchors, allow_unknown_signers=True)
        except Exception:
            return super().authenticate(data, settings)


class ReadsPadding(Consumer):
    def take(self, envelope: bytes | bytearray) -> bytes:
        return bytes(envelope).strip(b"\x00")


class _NoFloorStore(FlashStore):
    def lowest_sequence_number(self) -> int:
        return 0


class NoFloor(_with_store(_NoFloorStore)):  # type: ignore[misc]
    def require_higher(self, authenticated: AuthenticatedManifest, device: DeviceState) -> None:
        pass


class _Anything(list[Any]):
    def __contains__(self, item: object) -> bool:
        return True


class _AnyIdentity(FlashStore):
    def vendor_identifiers(self, component: ComponentIdentifier) -> Collection[Any]:
        super().vendor_identifiers(component)
        return _Anything()

    def class_identifiers(self, component: ComponentIdentifier) -> Collection[Any]:
        super().class_identifiers(component)
        return _Anything()


class _Unidentified(FlashStore):
    def require_identified(self, component: ComponentIdentifier) -> None:
        pass


class EveryoneHasRights(Consumer):
    def require_rights(self, authenticated: AuthenticatedManifest, settings: Settings) -> None:
        pass


class OffersEverything(Consumer):
    def require_offered(self, *arguments: Any) -> None:
        pass


class TakesParts(Consumer):
    def require_whole_set(self, authenticated: AuthenticatedManifest, settings: Settings) -> None:
        pass

    def require_received(self, store: FlashStore) -> None:
        pass

    def require_moved(self, store: FlashStore) -> None:
        pass

    def validate(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        pass


class LeavesPayloadsUncovered(Consumer):
    def require_payloads_covered(self, *arguments: Any) -> None:
        pass


class DoesNotValidate(Consumer):
    def validate(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        pass


class DoesNotCheckAtStart(Consumer):
    def start(self, device: DeviceState) -> Report:
        report = super().start(device)
        if not report.is_refused or device.pending is None:
            return report
        installed = replace(device.installed, sequence=99)
        return replace(report, verdict=Verdict.ACCEPTED, device=replace(device, pending=None, installed=installed))


class StartsNothing(Consumer):
    def require_start(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        pass


class ForgetsWhatIsInstalled(Consumer):
    def is_installed(self, authenticated: AuthenticatedManifest, device: DeviceState) -> bool:
        return False


class ForgetsWhatWaits(Consumer):
    def require_acceptable(self, authenticated: AuthenticatedManifest, device: DeviceState) -> None:
        super().require_acceptable(authenticated, replace(device, pending=None, before=None))


class TakesAnySize(Consumer):
    def require_small(self, data: bytes, settings: Settings) -> None:
        pass


class ReadsTheBufferAgain(Consumer):
    def pending_bytes(self, data: bytes, envelope: bytes | bytearray) -> bytes:
        return bytes(envelope)


class NeverTires(Consumer):
    def execute(self, authenticated: AuthenticatedManifest, store: FlashStore, sections: Any) -> Any:
        settings = replace(store.device.settings, limits=Limits(1 << 30, 1 << 30))
        store.device = replace(store.device, settings=settings)
        return super().execute(authenticated, store, sections)


class _Overruns(FlashStore):
    """Stores past the end of a region, as code without a bounds check does."""

    def require_sizes(self, place: Place, region: Region, parameters: Parameters) -> int:
        return parameters.image_size or 0

    def require_no_more(self, content: bytes, size: int) -> None:
        pass

    def store(self, region: Region, content: bytes, size: int) -> None:
        self.written.append(region.block)
        memory = self.device.settings.memory(region.memory)
        at = region.address - memory.base + region.header
        flash = bytearray(self.device.flash[region.memory])
        flash[at : at + len(content)] = content
        self.device = replace(self.device, flash={**self.device.flash, region.memory: bytes(flash[: memory.size])})


class _TakesMore(FlashStore):
    def require_no_more(self, content: bytes, size: int) -> None:
        pass


class _MovesUntested(FlashStore):
    """The boot stage moves whatever it is told to, from wherever it lies."""

    def require_movable(self, component: ComponentIdentifier, source: ComponentIdentifier, place: Place) -> None:
        self.measured.setdefault(source, self.received.get(source, 0))


class _ReceivesAnywhere(FlashStore):
    def require_receiving(self, component: ComponentIdentifier, place: Place) -> None:
        pass


class RehearsesNothing(Consumer):
    """Finds out what a manifest does by doing it, when the boot stage runs."""

    def rehearse(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        pass


class ForgetsToFlip(Consumer):
    """Starts whatever bank is mapped low, as it was."""

    def make_store(self, device: DeviceState, fetch: Fetch, view: View) -> FlashStore:
        class Weak(FlashStore):
            def run(self) -> None:
                super().run()
                self.device = replace(self.device, running=device.running)

        return Weak(device, fetch, view)


class _BlindBehind(FlashStore):
    def require_nothing_behind(self, region: Region, size: int) -> None:
        pass


class _AnyFormat(FlashStore):
    def require_linked_here(self, place: Place) -> None:
        pass


class _FetchesTwice(FlashStore):
    """Tests what comes first and stores what comes second."""

    def fetch(self, component: ComponentIdentifier, uri: str, parameters: Parameters) -> None:
        self._fetch(uri)
        super().fetch(component, uri, parameters)


class _WritesWhereItRuns(FlashStore):
    def receive(self, component: ComponentIdentifier, obtain: Callable[[], bytes], parameters: Parameters) -> None:
        super().receive(component, obtain, parameters)
        place = self.place(component)
        self.store(place.runs_in(self.device.running), b"straight into the slot that runs", 32)


class _AnyDigest(FlashStore):
    """Believes that a component holds what the manifest says, so that every image test passes."""

    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        self.measured[component] = size_bytes or 0
        return _Equal(32)


class _Equal(bytes):
    """Bytes that the interpreter's comparison is bent to accept; see `bend`."""


class _NoPrecursor(FlashStore):
    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        if self.view is View.OFFER and component not in self.received:
            return _Equal(32)
        return super().read_digest(component, algorithm, size_bytes)


class RefusesEverything(Consumer):
    def require_small(self, data: bytes, settings: Settings) -> None:
        raise Refused(Reason.OPERATION_FAILED, "tired", "not today")


@pytest.fixture
def bend(monkeypatch: pytest.MonkeyPatch) -> None:
    import hmac

    from rootwright.suit import machine

    class Bent:
        @staticmethod
        def compare_digest(first: bytes, second: bytes) -> bool:
            return isinstance(first, _Equal) or hmac.compare_digest(first, second)

    monkeypatch.setattr(machine, "hmac", Bent)


SUBJECTS: dict[str, Subject] = {}


def _subject(form: str) -> Subject:
    if form not in SUBJECTS:
        forms: dict[str, dict[str, Any]] = {
            "detached": {},
            "integrated": {"place": PayloadPlace.INTEGRATED},
            "two links": {"procedure": Procedure.EITHER_SLOT},
            "copied": {"procedure": Procedure.COPY_OVER},
            "two banks": {"procedure": Procedure.BANK_FLIP},
        }
        sample = make_sample(**forms[form])
        SUBJECTS[form] = make_subject(sample.product, sample.memory_map, sample.images)
    return SUBJECTS[form]


WEAK: list[tuple[type[Consumer], str, set[str]]] = [
    (
        TrustsEveryone,
        "detached",
        {"unsigned", "unknown-key", "false-signature", "raised-number", "redirected-by-hand", "public-key-as-secret",
         "other-digest", "revoked-key", "relabelled", "foreign-algorithm", "mixed-releases", "two-signatures",
         "waiting-manifest", "named-key"},
    ),
    (AllowsStrangers, "detached", {"two-signatures"}),
    (ReadsPadding, "detached", {"padded-envelope"}),
    (NoFloor, "detached", {"old-number", "below-floor", "replay", "same-number", "waiting-manifest-older"}),
    (_with_store(_AnyIdentity), "detached", {"other-product", "odd-identity"}),
    (_with_store(_Unidentified), "detached", {"identity-of-one"}),
    (EveryoneHasRights, "detached", {"no-right"}),
    (OffersEverything, "detached", {"soft-identity", "misplaced-command", "unknown-handling", "moving-components"}),
    (TakesParts, "detached", {"part-of-the-set", "nothing-received"}),
    (LeavesPayloadsUncovered, "detached", {"shadowed-payload", "stowaway-payload"}),
    (LeavesPayloadsUncovered, "integrated", {"stowaway-payload"}),
    (DoesNotValidate, "detached", {"no-validation"}),
    (DoesNotCheckAtStart, "detached", {"waiting-manifest", "waiting-image", "waiting-manifest-older"}),
    (StartsNothing, "detached", {"nothing-started"}),
    (ForgetsWhatIsInstalled, "detached", {"genuine-again"}),
    (ForgetsWhatWaits, "detached", {"second-offer", "offer-on-trial"}),
    (TakesAnySize, "detached", {"too-large-envelope"}),
    (ReadsTheBufferAgain, "detached", {"manifest-altered-while-fetching"}),
    (NeverTires, "detached", {"endless"}),
    (_with_store(_Overruns), "detached", {"too-large-image", "extra-data", "huge-size", "empty-image"}),
    (_with_store(_TakesMore), "detached", {"extra-data", "covered-in-part"}),
    (_with_store(_BlindBehind), "detached", {"waiting-extra"}),
    (_with_store(_AnyFormat), "detached", {"wrong-format", "other-address"}),
    (_with_store(_AnyFormat), "two links", {"other-slot"}),
    (_with_store(_FetchesTwice), "detached", {"changing-payload"}),
    (_with_store(_WritesWhereItRuns), "detached", {"genuine"}),
    (_with_store(_AnyDigest), "detached", {"altered-payload", "altered-last-payload", "redirected-to-older",
                                           "wrong-precursor", "waiting-image"}),
    (_with_store(_NoPrecursor), "detached", {"wrong-precursor"}),
    (_with_store(_MovesUntested), "detached", {"moved-twice", "wrong-source", "moved-untested"}),
    (_with_store(_MovesUntested), "copied", {"moved-twice", "wrong-source", "moved-untested"}),
    (_with_store(_ReceivesAnywhere), "detached", {"received-where-it-runs"}),
    (RehearsesNothing, "detached", {"no-validation", "nothing-started", "not-moved", "second-digest"}),
    (RehearsesNothing, "copied", {"not-moved", "moved-untested", "second-digest"}),
    (ForgetsToFlip, "two banks", {"genuine"}),
    (RefusesEverything, "detached", {"genuine", "genuine-severed", "right-precursor"}),
]  # fmt: skip


@pytest.mark.usefixtures("bend")
@pytest.mark.parametrize(
    ("weak", "form", "expected"), WEAK, ids=[f"{w.__name__}-{n}" for n, (w, _, _) in enumerate(WEAK)]
)
def test_a_check_taken_out_makes_its_trials_fail(weak: type[Consumer], form: str, expected: set[str]) -> None:
    subject = _subject(form)
    tried = [trial for trial in TRIALS if trial.id in expected]
    assert {trial.id for trial in tried} == expected
    results = {trial.id: run_trial(subject, trial, weak()).status for trial in tried}
    assert results == dict.fromkeys(expected, Status.FAILED)
    # The same trials pass with the check in place, so it is the check that they try.
    assert {run_trial(subject, trial, Consumer()).status for trial in tried} == {Status.PASSED}
