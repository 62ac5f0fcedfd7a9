"""One release: the signed envelope of all updatable images of a product, and its payload files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from rootwright.cose.keys import Signer
from rootwright.describe.product import ImageRole, PayloadPlace, Procedure, Product
from rootwright.errors import ReleaseRefused
from rootwright.image.model import Image
from rootwright.layout.map import Map, Region
from rootwright.release.checks import require_bootable
from rootwright.suit.build import sign_envelope
from rootwright.suit.digest import compute
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.numbers import ComponentTextKey, Condition, Directive, Parameter, TextKey
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    DirectiveCommand,
    LanguageText,
    Manifest,
    OverrideParameters,
    ParameterValue,
    SetComponentIndex,
    Text,
    TryEach,
)

#: Files of each updatable image by its name: one, or for either-slot those linked for the first and second slot.
ImageFiles = Mapping[str, Sequence[Image]]


@dataclass(frozen=True, slots=True)
class Payload:
    """One image as it travels.

    Attributes:
        image: The image's name in the product.
        slot: Component slot it is linked for; None where the procedure runs code from one slot only.
        file_name: Name of its file beside the envelope.
        uri: What the manifest fetches it by; `#...` when integrated.
        content: The bytes from the image's first to its last address; gaps hold FF.
    """

    image: str
    version: str
    slot: int | None
    file_name: str
    uri: str
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Release:
    """One signed release, not yet written anywhere.

    Attributes:
        envelope: The signed SUIT envelope.
        payloads: All payloads, the integrated ones too.
    """

    sequence: int
    vendor: bytes
    class_id: bytes
    place: PayloadPlace
    envelope: bytes = field(repr=False)
    payloads: tuple[Payload, ...]

    @property
    def envelope_name(self) -> str:
        """File name of the envelope."""
        return f"release-{self.sequence}.suit"

    @property
    def files(self) -> tuple[tuple[str, bytes], ...]:
        """Name and content of every file to deliver: detached payloads first, the envelope last."""
        detached = self.payloads if self.place is PayloadPlace.DETACHED else ()
        return (*((p.file_name, p.content) for p in detached), (self.envelope_name, self.envelope))


def build_release(product: Product, memory_map: Map, images: ImageFiles, signer: Signer) -> Release:
    """Return the release that a product describes; with a deterministic signer the same bytes every time.

    Args:
        product: Names the sequence number, the images and where payloads travel.
        memory_map: The map of the product's own update procedure.
        images: For each updatable image its file; for either-slot two, by slot.
        signer: The author's key.

    Raises:
        ReleaseRefused: No updatable image, a file missing, or an image that would not start where it is put.
    """
    if not product.updatable_images:
        raise ReleaseRefused(
            "the product has no updatable image", where=product.model, next_step="describe an application"
        )
    payloads = _payloads(product, memory_map, images)
    manifest = _manifest(product, payloads)
    integrated = product.update.payload is PayloadPlace.INTEGRATED
    envelope = sign_envelope(manifest, signer, payloads={p.uri: p.content for p in payloads} if integrated else None)
    vendor = vendor_identifier(product.vendor_domain)
    return Release(
        product.update.sequence,
        vendor,
        class_identifier(vendor, product.class_name),
        product.update.payload,
        envelope,
        payloads,
    )


def _payloads(product: Product, memory_map: Map, images: ImageFiles) -> tuple[Payload, ...]:
    two_links = product.update.procedure == Procedure.EITHER_SLOT
    result = []
    for spec in product.updatable_images:
        files = images.get(spec.name, ())
        if len(files) != (2 if two_links else 1):
            wanted = "two files, linked for the first and the second slot" if two_links else "one file"
            raise ReleaseRefused(
                f"image {spec.name!r} comes with {len(files)} files, this procedure wants {wanted}",
                where=product.model,
                next_step="name file, and for either-slot second_file, in the product",
            )
        regions = {region.block: region for region in memory_map.regions}
        for slot, image in enumerate(files):
            runs_in = _region(regions, f"{'second' if slot else 'run'}:{spec.name}")
            # A copied or exchanged image passes through staging; a flipped bank through the other bank's slot.
            names = () if two_links else (f"stage:{spec.name}", f"second:{spec.name}")
            require_bootable(spec, image, runs_in, [regions[name] for name in names if name in regions])
            label = f"{spec.name}-{('first', 'second')[slot]}" if two_links else spec.name
            file_name = f"{label}-{product.update.sequence}.bin"
            base = product.update.uri
            detached = f"{base}{'' if not base or base.endswith('/') else '/'}{file_name}"
            uri = f"#{label}" if product.update.payload is PayloadPlace.INTEGRATED else detached
            result.append(
                Payload(spec.name, spec.version, slot if two_links else None, file_name, uri, image.flatten())
            )
    return tuple(result)


def _region(regions: Mapping[str, Region], block: str) -> Region:
    if block not in regions:
        raise ReleaseRefused(
            f"the memory map has no region {block}", next_step="use the map of the product's own update procedure"
        )
    return regions[block]


def _manifest(product: Product, payloads: Sequence[Payload]) -> Manifest:
    specs = product.updatable_images
    components: tuple[ComponentIdentifier, ...] = tuple((spec.name.encode(),) for spec in specs)
    vendor = vendor_identifier(product.vendor_domain)
    shared: list[Command] = []
    install: list[Command] = []
    match = ConditionCommand(Condition.IMAGE_MATCH)
    for index, spec in enumerate(specs):
        own = [payload for payload in payloads if payload.image == spec.name]
        identity: dict[Parameter, ParameterValue] = {
            Parameter.VENDOR_IDENTIFIER: vendor,
            Parameter.CLASS_IDENTIFIER: class_identifier(vendor, product.class_name),
        }
        shared += [
            SetComponentIndex(index),
            OverrideParameters.of(identity),
            ConditionCommand(Condition.VENDOR_IDENTIFIER),
            ConditionCommand(Condition.CLASS_IDENTIFIER),
            *_by_slot(
                own, lambda p: {Parameter.IMAGE_DIGEST: compute(p.content), Parameter.IMAGE_SIZE: len(p.content)}
            ),
        ]
        install += [
            SetComponentIndex(index),
            *_by_slot(own, lambda p: {Parameter.URI: p.uri}),
            DirectiveCommand(Directive.FETCH),
            match,
        ]
    started = next((i for i, spec in enumerate(specs) if spec.role is ImageRole.APPLICATION), 0)
    return Manifest(
        sequence_number=product.update.sequence,
        components=components,
        shared=tuple(shared),
        validate=(SetComponentIndex(True), match),
        invoke=(SetComponentIndex(started), DirectiveCommand(Directive.INVOKE)),
        install=tuple(install),
        text=_text(product, components),
    )


def _by_slot(
    payloads: Sequence[Payload], parameters: Callable[[Payload], Mapping[Parameter, ParameterValue]]
) -> CommandSequence:
    """Return the commands that set parameters: at once, or in a try-each that asks which slot is to be written."""
    if payloads[0].slot is None:
        return (OverrideParameters.of(parameters(payloads[0])),)
    return (
        TryEach(
            tuple(
                (
                    OverrideParameters.of({Parameter.COMPONENT_SLOT: payload.slot or 0}),
                    ConditionCommand(Condition.COMPONENT_SLOT),
                    OverrideParameters.of(parameters(payload)),
                )
                for payload in payloads
            )
        ),
    )


def _text(product: Product, components: Sequence[ComponentIdentifier]) -> Text:
    about = []
    for component, spec in zip(components, product.updatable_images, strict=True):
        fields = (
            (int(ComponentTextKey.VENDOR_NAME), product.maker),
            (int(ComponentTextKey.MODEL_NAME), product.model),
            (int(ComponentTextKey.VENDOR_DOMAIN), product.vendor_domain),
            (int(ComponentTextKey.COMPONENT_DESCRIPTION), f"{spec.name}, {spec.role.value}"),
            (int(ComponentTextKey.COMPONENT_VERSION), spec.version),
        )
        about.append((component, tuple(pair for pair in fields if pair[1])))
    # Keys of a CBOR map stand in the order of their encodings: shorter names first (RFC 8949 section 4.2.1).
    about.sort(key=lambda entry: (len(entry[0][0]), entry[0]))
    what = product.update.description or f"Release {product.update.sequence} of {product.name}"
    return Text((LanguageText("en", ((int(TextKey.UPDATE_DESCRIPTION), what),), tuple(about)),))
