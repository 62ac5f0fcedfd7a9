"""The product as it is tried: its release under trial keys, a device that has the version before, a forger's tools.

Hostile manifests with a valid signature are as dangerous as the key. So nothing here is signed by the product's key:
release and device are made again with keys that everyone can compute, which no product trusts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rootwright.cose.keys import Ed25519PrivateKeySigner, P256PrivateKeySigner, Signer, Verifier
from rootwright.describe.product import PayloadPlace, Product
from rootwright.device.consumer import Anchor, DeviceState, Fetch, Installed, Place, make_device
from rootwright.layout.map import Map
from rootwright.release.build import ImageFiles, Release, build_release
from rootwright.release.packing import About, ImageFormat, describe_image, without_headers
from rootwright.release.sections import Payload
from rootwright.suit.build import sign_envelope
from rootwright.suit.decode import decode_envelope, decode_manifest
from rootwright.suit.digest import compute
from rootwright.suit.encode import encode_envelope
from rootwright.suit.numbers import ManifestKey, Parameter
from rootwright.suit.severed import find_text
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    Digest,
    Envelope,
    Manifest,
    OverrideParameters,
    ParameterValue,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

TrialKey = P256PrivateKeySigner | Ed25519PrivateKeySigner
Change = Callable[[int, dict[int, ParameterValue]], None]


def trial_key(algorithm: str, number: int) -> TrialKey:
    """Return the trial key of a number; its private half is the number itself, so it protects nothing."""
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519

    if algorithm == "Ed25519":
        return Ed25519PrivateKeySigner(ed25519.Ed25519PrivateKey.from_private_bytes(number.to_bytes(32, "big")))
    return P256PrivateKeySigner(ec.derive_private_key(number, ec.SECP256R1()))


@dataclass(frozen=True, slots=True)
class Subject:
    """One product under trial.

    Attributes:
        signer: Stands for the author.
        stranger: A key that no device trusts.
        release: The product's release, signed by `signer`.
        device: A device with the version before, that trusts `signer`.
        form: The image format of the product's own, under trial keys.
    """

    product: Product
    memory_map: Map
    images: ImageFiles
    algorithm: str
    signer: TrialKey = field(repr=False)
    stranger: TrialKey = field(repr=False)
    release: Release = field(repr=False)
    device: DeviceState = field(repr=False)
    older: Mapping[str, bytes] = field(repr=False)
    like: str | None = None
    form: ImageFormat | None = field(default=None, repr=False)

    @property
    def manifest(self) -> Manifest:
        """The genuine manifest, its text in it, so that it can be altered and signed again."""
        return replace(self.signed_manifest, text=find_text(self.signed_manifest, self.envelope))

    @property
    def signed_manifest(self) -> Manifest:
        """The genuine manifest as it was signed: its text stands beside it in the envelope."""
        return decode_manifest(self.envelope.manifest)

    @property
    def is_staged(self) -> bool:
        """Whether the boot stage copies or swaps what was received."""
        return self.device.settings.is_staged

    @property
    def receiving(self) -> CommandSequence:
        """The commands that receive the images."""
        section = self.manifest.payload_fetch if self.is_staged else self.manifest.install
        assert isinstance(section, tuple)
        return section

    def with_receiving(self, section: CommandSequence | None, manifest: Manifest | None = None) -> Manifest:
        """Return the genuine or another manifest, with other commands in the section that receives the images."""
        own = manifest or self.manifest
        return replace(own, payload_fetch=section) if self.is_staged else replace(own, install=section)

    @property
    def envelope(self) -> Envelope:
        """The genuine envelope."""
        return decode_envelope(self.release.envelope)

    @property
    def is_integrated(self) -> bool:
        """Whether payloads travel in the envelope."""
        return self.release.place is PayloadPlace.INTEGRATED

    @property
    def places(self) -> tuple[Place, ...]:
        """Where the device's components live."""
        return self.device.settings.places

    def received(self, running: int = 0) -> tuple[Payload, ...]:
        """Return the payloads that a device with that slot running receives."""
        two = any(len(place.slots) > 1 for place in self.places)
        slot = 1 - running if two else 0
        return tuple(payload for payload in self.release.payloads if payload.slot in (None, slot))

    def contents(self, change: Callable[[Payload], bytes | None] | None = None) -> dict[str, bytes | None]:
        """Return what each URI yields; `change` gives other content."""
        return {p.uri: p.content if change is None else change(p) for p in self.release.payloads}

    def fetch(self, contents: Mapping[str, bytes | None] | None = None) -> Fetch:
        """Return what a device fetches by; by default the genuine payloads."""
        yields = self.contents() if contents is None else contents
        return lambda uri: yields.get(uri)

    def sign(
        self,
        manifest: Manifest,
        signers: Signer | Sequence[Signer] | None = None,
        *,
        contents: Mapping[str, bytes | None] | None = None,
        severed: Sequence[ManifestKey] = (),
    ) -> bytes:
        """Return a manifest's signed envelope, with its payloads where they are integrated."""
        own = self.contents() if contents is None else contents
        payloads = {uri: content for uri, content in own.items() if content is not None}
        return sign_envelope(
            manifest,
            self.signer if signers is None else signers,
            payloads=payloads if self.is_integrated else None,
            severed=severed,
        )

    def about(self, payload: Payload) -> About:
        """Return what packer and reader are told of a payload."""
        place = next(place for place in self.places if place.image == payload.image)
        key = "" if self.form is None else self.form.key
        return describe_image(self.product.image(payload.image), place.linked[payload.slot or 0], key)

    def code_of(self, payload: Payload) -> bytes:
        """Return a payload's code, without what a format of the product's own puts around it."""
        return payload.content if self.form is None else self.form.read(payload.content, self.about(payload)).code

    def with_code(self, payload: Payload, code: bytes) -> bytes:
        """Return a payload that holds other code, packed anew where there is a format of the product's own."""
        return code if self.form is None else self.form.pack(code, self.about(payload))

    def deliver(self, contents: Mapping[str, bytes | None], envelope: bytes | None = None) -> tuple[bytes, Fetch]:
        """Return envelope and fetch under which other payloads arrive with an unchanged manifest."""
        whole = self.release.envelope if envelope is None else envelope
        if not self.is_integrated:
            return whole, self.fetch(contents)
        payloads = tuple((uri, content) for uri, content in contents.items() if content is not None)
        return encode_envelope(replace(decode_envelope(whole), payloads=payloads)), self.fetch({})


def make_subject(
    product: Product,
    memory_map: Map,
    images: ImageFiles,
    *,
    older: Mapping[str, bytes] | None = None,
    like: str | None = None,
    form: ImageFormat | None = None,
) -> Subject:
    """Return a product ready for trials; the same every time.

    Args:
        product: As described.
        memory_map: The map of its procedure.
        images: For each updatable image its file; for either-slot two, by slot.
        older: Content of each image's earlier version; by default the new one with its last bytes altered.
        like: For a procedure of the user's own, which of ours its release is like; see `find_shape`.
        form: The image format of the product's own, under trial keys; `older` is packed in it.

    Raises:
        ReleaseRefused: No release can be built from this.
    """
    algorithm = product.keys[0].algorithm if product.keys else "ESP256"
    # The trials need numbers below: the one that is installed, and one under it.
    product = replace(product, update=replace(product.update, sequence=max(3, product.update.sequence)))
    signer = trial_key(algorithm, 101)
    release = build_release(product, memory_map, images, signer, like=like, form=form)
    before = {p.image: altered(p.content, -1) for p in release.payloads if p.slot in (None, 0)}
    before.update(older or {})
    earlier = replace(product, update=replace(product.update, sequence=release.sequence - 1))
    installed = build_release(earlier, memory_map, images, signer, like=like, form=form)
    device = make_device(
        product,
        memory_map,
        [Anchor(named(signer, "author"))],
        installed=Installed(installed.sequence, decode_envelope(installed.envelope).digest.value),
        images=before,
        machine=next((files[0].machine for files in images.values() if files[0].machine), None),
        like=like,
        form=form,
    )
    stranger = trial_key(algorithm, 102)
    memory_map = without_headers(memory_map, form)
    return Subject(product, memory_map, images, algorithm, signer, stranger, release, device, before, like, form)


def named(key: TrialKey, name: str) -> Verifier:
    """Return a trial key's anchor under a name."""
    return key.public(name=name)


def rebuild(subject: Subject, product: Product) -> Release:
    """Return the release of another product description with the same images, signed by the author's trial key."""
    return build_release(
        product, subject.memory_map, subject.images, subject.signer, like=subject.like, form=subject.form
    )


def altered(content: bytes, at: int, mask: int = 0xFF) -> bytes:
    """Return content with the bits of one byte turned."""
    changed = bytearray(content)
    changed[at] ^= mask
    return bytes(changed)


def with_sequence(subject: Subject, number: int) -> bytes:
    """Return the genuine release under another sequence number, signed."""
    return subject.sign(replace(subject.manifest, sequence_number=number))


def change_parameters(sequence: CommandSequence, change: Change, index: int = 0) -> CommandSequence:
    """Return a sequence after `change(component index, parameters)` edited every set of parameters; empty ones go.

    Where a set is for several components, `change` is told of the first.
    """
    result: list[Command] = []
    for command in sequence:
        if isinstance(command, SetComponentIndex):
            index = first_index(command)
            result.append(command)
        elif isinstance(command, OverrideParameters):
            parameters = dict(command.parameters)
            change(index, parameters)
            if parameters:
                result.append(OverrideParameters(tuple(sorted(parameters.items()))))
        elif isinstance(command, TryEach):
            inner = tuple(change_parameters(part, change, index) for part in command.sequences)
            result.append(TryEach(inner, command.or_nothing))
        elif isinstance(command, RunSequence):
            result.append(RunSequence(change_parameters(command.sequence, change, index)))
        else:
            result.append(command)
    return tuple(result)


def first_index(command: SetComponentIndex) -> int:
    """Return the first component that a command selects."""
    if isinstance(command.index, tuple):
        return command.index[0]
    return 0 if command.index is True else command.index


def with_contents(subject: Subject, change: Callable[[Payload], bytes]) -> tuple[bytes, Fetch]:
    """Return envelope and fetch of a release whose images are other ones, digests, sizes and signature to match."""
    by_digest = {p.content: change(p) for p in subject.release.payloads}
    new = {compute(old): content for old, content in by_digest.items()}

    def edit(index: int, parameters: dict[int, ParameterValue]) -> None:
        stated = parameters.get(Parameter.IMAGE_DIGEST)
        content = new.get(stated) if isinstance(stated, Digest) else None
        if content is not None:
            parameters[Parameter.IMAGE_DIGEST] = compute(content)
            parameters[Parameter.IMAGE_SIZE] = len(content)

    contents: dict[str, bytes | None] = {p.uri: by_digest[p.content] for p in subject.release.payloads}
    manifest = replace(subject.manifest, shared=change_parameters(subject.manifest.shared, edit))
    return subject.sign(manifest, contents=contents), subject.fetch(contents)
