"""The consumer's three moments: an offer, the start of what was accepted, the good report.

Each check is a method of its own, in the order of the standard: authenticate, then judge the manifest, then act.
"""

from __future__ import annotations

from dataclasses import replace

from rootwright.device.consumer.report import Report, Verdict, refusal
from rootwright.device.consumer.state import DeviceState, Installed, Settings
from rootwright.device.consumer.store import Fetch, FlashStore, View, put_back_images
from rootwright.errors import FormatError, VerificationError
from rootwright.suit.authentication import AuthenticatedManifest, authenticate
from rootwright.suit.check import check_payload
from rootwright.suit.coverage import fetched_payloads
from rootwright.suit.decode import decode_envelope
from rootwright.suit.encode import encode_envelope
from rootwright.suit.interpreter import INVOCATION, run
from rootwright.suit.numbers import Condition, Directive, ManifestKey, Parameter, Reason
from rootwright.suit.outcome import SHARED_SECTION, Outcome, Record, Refused
from rootwright.suit.severed import SeveredAway, find_sequence, find_text, require_severed_match
from rootwright.suit.structure_check import SECTIONS, require_structure
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ComponentIdentifier,
    OverrideParameters,
    TryEach,
)
from rootwright.suit.words import command_word, manifest_word, parameter_word

#: Commands that the device offers anywhere; those that write or start something have sections of their own.
_OFFERED = frozenset(
    {
        Condition.VENDOR_IDENTIFIER,
        Condition.CLASS_IDENTIFIER,
        Condition.IMAGE_MATCH,
        Condition.COMPONENT_SLOT,
        Condition.ABORT,
        Directive.SET_COMPONENT_INDEX,
        Directive.OVERRIDE_PARAMETERS,
        Directive.TRY_EACH,
    }
)
#: What an alternative may hold. With nothing but slots to choose by, no other condition can fail softly.
_IN_ALTERNATIVES = frozenset({Condition.COMPONENT_SLOT, Condition.ABORT, Directive.OVERRIDE_PARAMETERS})
_PARAMETERS = frozenset(
    {
        Parameter.VENDOR_IDENTIFIER,
        Parameter.CLASS_IDENTIFIER,
        Parameter.IMAGE_DIGEST,
        Parameter.IMAGE_SIZE,
        Parameter.COMPONENT_SLOT,
        Parameter.URI,
    }
)


class Consumer:
    """The reference device's code. It holds no state: a device goes in, a report with the later device comes out."""

    def consume(self, envelope: bytes | bytearray, device: DeviceState, fetch: Fetch) -> Report:
        """Return how the device takes an offered envelope.

        On refusal everything that decides what runs or is accepted next is as before. Where nothing was fetched, every
        byte is; otherwise the receiving regions, in which nothing runs, may hold what arrived.

        Args:
            envelope: As it arrived.
            device: The device; it is not changed.
            fetch: Obtains the payload at a URI; None where that fails.
        """
        data = self.take(envelope)
        store = self.make_store(device, fetch, View.OFFER)
        authenticated: AuthenticatedManifest | None = None
        try:
            self.require_small(data, device.settings)
            authenticated = self.authenticate(data, device.settings)
            if self.is_installed(authenticated, device):
                return self._report("offer", Verdict.NOTHING_TO_DO, store, authenticated, device=device)
            self.require_acceptable(authenticated, device)
            self.execute(authenticated, store, self.fetching(device.settings))
            self.require_received(store)
            self.rehearse(authenticated, store)
            # Only what is authentic is looked into.
            for place in device.settings.places:
                store.require_linked_here(place)
                store.require_readable(place)
        except Refused as refused:
            changed = replace(device, flash=store.device.flash)
            return self._report("offer", Verdict.REFUSED, store, authenticated, refused, device=changed)
        accepted = replace(store.device, pending=self.pending_bytes(data, envelope))
        return self._report("offer", Verdict.ACCEPTED, store, authenticated, device=accepted)

    def start(self, device: DeviceState) -> Report:
        """Return how the boot stage starts what was accepted: it is rehearsed again as it lies, then done.

        On refusal the old images run on, the accepted envelope is dropped, and no slot that runs was written. A device
        without a second place for an image has nothing to go back to: it waits for the loader.
        """
        store = self.make_store(device, lambda uri: None, View.REHEARSAL)
        if device.pending is None:
            return self._report("start", Verdict.NOTHING_TO_DO, store, None, device=device)
        authenticated: AuthenticatedManifest | None = None
        try:
            authenticated = self.authenticate(device.pending, device.settings)
            self.require_acceptable(authenticated, replace(device, pending=None))
            self.rehearse(authenticated, store)
            store.run()
            outcome = self.execute(authenticated, store, (*self.moving(device.settings), *INVOCATION))
        except Refused as refused:
            dropped = replace(store.device, pending=None)
            return self._report("start", Verdict.REFUSED, store, authenticated, refused, device=dropped)
        installed = Installed(authenticated.manifest.sequence_number, authenticated.digest.value)
        started = replace(store.device, pending=None, installed=installed)
        started = replace(started, before=device.installed) if device.settings.tries_first else keep(started)
        return self._report("start", Verdict.ACCEPTED, store, authenticated, device=started, outcome=outcome)

    # Before anything inside is looked at

    def take(self, envelope: bytes | bytearray) -> bytes:
        """Return the device's own copy, so that what was authenticated is what is used (RFC 9124 section 4.3.21)."""
        return bytes(envelope)

    def pending_bytes(self, data: bytes, envelope: bytes | bytearray) -> bytes:
        """Return what is kept for the boot stage: the copy that was authenticated, without its payloads."""
        return encode_envelope(replace(decode_envelope(data), payloads=()))

    def make_store(self, device: DeviceState, fetch: Fetch, view: View) -> FlashStore:
        """Return the component store that the interpreter works on."""
        return FlashStore(device, fetch, view)

    def require_small(self, data: bytes, settings: Settings) -> None:
        """Refuse an envelope that the device could not hold."""
        if len(data) > settings.envelope_bytes:
            text = f"the envelope has {len(data)} bytes, {settings.envelope_bytes} are the limit"
            raise Refused(Reason.OPERATION_FAILED, "envelope-too-large", text)

    def authenticate(self, data: bytes, settings: Settings) -> AuthenticatedManifest:
        """Return the manifest, after every authentication block was verified by a trust anchor."""
        try:
            return authenticate(decode_envelope(data), [anchor.verifier for anchor in settings.anchors])
        except (FormatError, VerificationError) as error:
            raise refusal(error) from None

    # What may be installed

    def is_installed(self, authenticated: AuthenticatedManifest, device: DeviceState) -> bool:
        """Whether this very manifest is the one whose images run."""
        installed = device.installed
        return (authenticated.manifest.sequence_number, authenticated.digest.value) == (
            installed.sequence,
            installed.digest,
        )

    def require_acceptable(self, authenticated: AuthenticatedManifest, device: DeviceState) -> None:
        """Refuse a manifest that this device must not install, before anything is fetched or written."""
        self.require_higher(authenticated, device)
        sections = self._sections(authenticated)
        self.require_rights(authenticated, device.settings)
        self.require_offered(authenticated, sections, device.settings)
        self.require_whole_set(authenticated, device.settings)
        self.require_payloads_covered(authenticated, sections)
        if device.pending is not None:
            text = "an accepted update waits for the boot stage"
            raise Refused(Reason.OPERATION_FAILED, "update-pending", text)
        if device.before is not None:
            text = "what runs is on trial; receiving now would overwrite the images that it may give way to"
            raise Refused(Reason.OPERATION_FAILED, "on-trial", text)

    def require_higher(self, authenticated: AuthenticatedManifest, device: DeviceState) -> None:
        """Refuse a sequence number that is not above what is installed, or below the floor."""
        number, installed = authenticated.manifest.sequence_number, device.installed.sequence
        if number < max(device.floor, installed):
            text = f"sequence number {number}, installed is {installed}, the floor is {device.floor}"
            raise Refused(Reason.CONDITION_FAILED, "sequence-number-too-low", text)
        if number == installed:
            text = f"sequence number {number} is installed, with another manifest"
            raise Refused(Reason.CONDITION_FAILED, "sequence-number-taken", text)

    def _sections(self, authenticated: AuthenticatedManifest) -> dict[ManifestKey, CommandSequence]:
        manifest, envelope = authenticated.manifest, authenticated.envelope
        found: dict[ManifestKey, CommandSequence] = {}
        try:
            require_severed_match(manifest, envelope)
            for key in SECTIONS:
                sequence = find_sequence(manifest, envelope, key)
                if sequence is not None:
                    found[key] = sequence
        except (FormatError, VerificationError) as error:
            raise refusal(error) from None
        try:
            find_text(manifest, envelope)
        except SeveredAway:
            pass  # text is for people; a device does without
        except (FormatError, VerificationError) as error:
            raise refusal(error) from None
        return found

    def require_rights(self, authenticated: AuthenticatedManifest, settings: Settings) -> None:
        """Refuse components that none of the signers may sign for (RFC 9124 section 4.3.13)."""
        names = {signature.anchor for signature in authenticated.signatures}
        signed = [anchor for anchor in settings.anchors if anchor.verifier.name in names]
        for component in authenticated.manifest.components:
            if not any(anchor.may_sign(component) for anchor in signed):
                text = f"{', '.join(sorted(names))} may not sign for component {_path(component)}"
                raise Refused(Reason.COMPONENT_UNAUTHORISED, "no-right", text)

    def require_offered(
        self,
        authenticated: AuthenticatedManifest,
        sections: dict[ManifestKey, CommandSequence],
        settings: Settings,
    ) -> None:
        """Refuse commands and parameters that the device does not offer, wherever they stand."""
        require_structure(authenticated.manifest, sections, limits=settings.limits)
        for section, sequence in {SHARED_SECTION: authenticated.manifest.shared, **sections}.items():
            offered: set[int] = set(_OFFERED)
            parameters: set[int] = set(_PARAMETERS)
            if section == self.fetching(settings)[-1]:
                offered.add(Directive.FETCH)
            if section in self.moving(settings):
                offered.add(Directive.SWAP if settings.exchanges else Directive.COPY)
                parameters.add(Parameter.SOURCE_COMPONENT)
            if section == ManifestKey.INVOKE:
                offered.add(Directive.INVOKE)
            for command in sequence:
                self._require_command(section, command, offered, parameters)

    def _require_command(self, section: ManifestKey, command: Command, offered: set[int], parameters: set[int]) -> None:
        record = Record(section, command.offset, 0, int(command.number), passed=False)
        if command.number not in offered:
            text = f"{command_word(int(command.number))} is not offered in this place of {manifest_word(section)}"
            raise Refused(Reason.COMMAND_UNSUPPORTED, "command-not-offered", text, record)
        if isinstance(command, OverrideParameters):
            for number, _ in command.parameters:
                if number not in parameters:
                    text = f"{parameter_word(number)} is not used by this device"
                    raise Refused(Reason.PARAMETER_UNSUPPORTED, "parameter-not-offered", text, record)
        if isinstance(command, TryEach):
            for sequence in command.sequences:
                for inner in sequence:
                    self._require_command(section, inner, set(_IN_ALTERNATIVES), parameters)

    def require_whole_set(self, authenticated: AuthenticatedManifest, settings: Settings) -> None:
        """Refuse components the device lacks, and a part of the images that belong together."""
        named = set(authenticated.manifest.components)
        for component in authenticated.manifest.components:
            if settings.find_place(component) is None:
                text = f"component {_path(component)} is not one of this device"
                raise Refused(Reason.COMPONENT_UNSUPPORTED, "unknown-component", text)
        for component in settings.components:
            if component not in named:
                text = f"component {_path(component)} is missing; the device's images are released together"
                raise Refused(Reason.COMPONENT_UNSUPPORTED, "incomplete-set", text)

    def require_payloads_covered(
        self, authenticated: AuthenticatedManifest, sections: dict[ManifestKey, CommandSequence]
    ) -> None:
        """Refuse an integrated payload that is not the one the manifest fetches; nothing else covers it."""
        envelope, manifest = authenticated.envelope, authenticated.manifest
        names = [name for name, _ in envelope.payloads]
        if not names:
            return
        try:
            ways = fetched_payloads(manifest, sections, names)
            for name, content in envelope.payloads:
                own = [way for way in ways if way.name == name]
                if not own:
                    text = f"the envelope holds {name!r}, which the manifest does not fetch"
                    raise Refused(Reason.UNAUTHORISED, "payload-not-covered", text)
                check_payload(name, content, own)
        except VerificationError as error:
            raise Refused(Reason.CONDITION_FAILED, "payload-differs", error.found) from None

    # Acting

    def fetching(self, settings: Settings) -> tuple[ManifestKey, ...]:
        """Return the sections that an offer executes; the last one receives images.

        Into staging they are received while the old ones run. Where the install section receives them, as into the slot
        that does not run, the section before it can only test.
        """
        return (ManifestKey.PAYLOAD_FETCH,) if settings.is_staged else (ManifestKey.PAYLOAD_FETCH, ManifestKey.INSTALL)

    def moving(self, settings: Settings) -> tuple[ManifestKey, ...]:
        """Return the sections in which the boot stage copies or swaps."""
        return (ManifestKey.INSTALL,) if settings.is_staged else ()

    def rehearse(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        """Refuse a manifest that would not hold to its end, before anything that runs is written.

        Moves are noted and not made, so that each run component is read where its new image lies.
        """
        store.rehearse()
        self.execute(authenticated, store, self.moving(store.device.settings))
        self.require_moved(store)
        self.validate(authenticated, store)
        self.require_start(authenticated, store)
        store.forget()

    def require_moved(self, store: FlashStore) -> None:
        """Refuse a manifest that leaves an old image in a new set."""
        for place in store.device.settings.places:
            if place.staging is not None and place.component not in store.moved:
                text = f"component {_path(place.component)} keeps its old image"
                raise Refused(Reason.OPERATION_FAILED, "not-moved", text)

    def execute(
        self, authenticated: AuthenticatedManifest, store: FlashStore, sections: tuple[ManifestKey, ...]
    ) -> Outcome:
        """Run sections of the manifest; a failure is raised as Refused."""
        limits = store.device.settings.limits
        outcome = run(authenticated, store, sections=sections, limits=limits)
        if not outcome.is_success:
            raise Refused(outcome.reason, outcome.detail, outcome.text, outcome.result_record)
        return outcome

    def require_received(self, store: FlashStore) -> None:
        """Refuse a manifest that left a component without its new image."""
        for place in store.device.settings.places:
            if place.receiving not in store.received:
                text = f"component {_path(place.receiving)} received no image"
                raise Refused(Reason.OPERATION_FAILED, "not-received", text)

    def validate(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        """Run the validate section; refuse a manifest under which some new image would start without a digest."""
        store.measured.clear()
        self.execute(authenticated, store, (ManifestKey.VALIDATE,))
        for place in store.device.settings.places:
            if place.component not in store.measured:
                text = f"suit-validate does not test the image of component {_path(place.component)}"
                raise Refused(Reason.CONDITION_FAILED, "not-validated", text)

    def require_start(self, authenticated: AuthenticatedManifest, store: FlashStore) -> None:
        """Refuse a manifest that would start nothing, while the old images are still in place."""
        outcome = self.execute(authenticated, store, INVOCATION)
        if not outcome.invoked:
            raise Refused(Reason.OPERATION_FAILED, "nothing-started", "the manifest starts no component")

    def _report(
        self,
        step: str,
        verdict: Verdict,
        store: FlashStore,
        authenticated: AuthenticatedManifest | None,
        refused: Refused | None = None,
        *,
        device: DeviceState,
        outcome: Outcome | None = None,
    ) -> Report:
        # What was received starts after a restart: 12, invoke pending.
        success = Reason.INVOKE_PENDING if verdict is Verdict.ACCEPTED else Reason.OK
        reason = refused.reason if refused else success
        return Report(
            step,
            verdict,
            outcome.reason if outcome else reason,
            device,
            refused.detail if refused else "",
            refused.text if refused else "",
            refused.record if refused else None,
            authenticated.manifest.sequence_number if authenticated else None,
            tuple(signature.anchor for signature in authenticated.signatures) if authenticated else (),
            tuple(store.fetched),
            tuple(store.written),
            tuple(store.started),
        )


def consume(envelope: bytes | bytearray, device: DeviceState, fetch: Fetch) -> Report:
    """Return how a device takes an offered envelope; see `Consumer.consume`."""
    return Consumer().consume(envelope, device, fetch)


def start(device: DeviceState) -> Report:
    """Return how the boot stage starts what was accepted; see `Consumer.start`."""
    return Consumer().start(device)


def keep(device: DeviceState) -> DeviceState:
    """Return the device after its new images reported themselves good: the floor rises to their number."""
    return replace(device, before=None, floor=max(device.floor, device.installed.sequence))


def put_back(device: DeviceState) -> DeviceState:
    """Return the device after a failed trial: the old images run again. Without a trial nothing changes."""
    if device.before is None:
        return device
    return replace(put_back_images(device), installed=device.before, before=None)


def _path(component: ComponentIdentifier) -> str:
    return "/".join(part.decode(errors="backslashreplace") for part in component) or "without a name"
