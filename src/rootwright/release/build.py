"""One release: the signed envelope of all updatable images of a product, and its payload files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rootwright.cose.keys import Signer
from rootwright.describe.product import PayloadPlace, Procedure, Product
from rootwright.errors import ReleaseRefused
from rootwright.image.model import Image
from rootwright.layout.map import Map
from rootwright.release.checks import require_bootable
from rootwright.release.packing import ImageFormat, describe_image, pack_image
from rootwright.release.sections import Payload, make_sections, payload_uri
from rootwright.release.shape import STAGED, erased_byte, find_shape
from rootwright.release.text import make_text
from rootwright.suit.build import sign_envelope
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.numbers import ManifestKey
from rootwright.suit.structures import Manifest

#: Files of each updatable image by its name: one, or for either-slot those linked for the first and second slot.
ImageFiles = Mapping[str, Sequence[Image]]


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

    @property
    def file_list(self) -> list[dict[str, Any]]:
        """Name, size in bytes and SHA-256 of every file to deliver, for JSON."""
        return [
            {"name": name, "size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in self.files
        ]


def build_release(
    product: Product,
    memory_map: Map,
    images: ImageFiles,
    signer: Signer,
    *,
    like: str | None = None,
    form: ImageFormat | None = None,
) -> Release:
    """Return the release that a product describes; with a deterministic signer the same bytes every time.

    Args:
        product: Names the sequence number, the images and where payloads travel.
        memory_map: The map of the product's own update procedure.
        images: For each updatable image its file; for either-slot two, by slot.
        signer: The author's key.
        like: For a procedure of the user's own, which of ours its release is like; see `find_shape`.
        form: The image format of the product's boot stage; payloads are packed in it, and digests cover it.

    Raises:
        PackingError: The packer fails.
        ReleaseRefused: No updatable image, a file missing, or an image that would not start where it is put.
    """
    if not product.updatable_images:
        raise ReleaseRefused(
            "the product has no updatable image", where=product.model, next_step="describe an application"
        )
    shape = find_shape(product, memory_map, like)
    payloads = _payloads(product, memory_map, images, shape, form)
    sections = make_sections(product, shape, payloads)
    manifest = Manifest(
        sequence_number=product.update.sequence,
        components=sections.components,
        shared=sections.shared,
        payload_fetch=sections.payload_fetch,
        install=sections.install,
        validate=sections.validate,
        invoke=sections.invoke,
        text=make_text(product, shape),
    )
    integrated = product.update.payload is PayloadPlace.INTEGRATED
    envelope = sign_envelope(
        manifest,
        signer,
        payloads={p.uri: p.content for p in payloads} if integrated else None,
        severed=(ManifestKey.TEXT,),
    )
    vendor = vendor_identifier(product.vendor_domain)
    return Release(
        product.update.sequence,
        vendor,
        class_identifier(vendor, product.class_name),
        product.update.payload,
        envelope,
        payloads,
    )


def _payloads(
    product: Product, memory_map: Map, images: ImageFiles, shape: Procedure, form: ImageFormat | None
) -> tuple[Payload, ...]:
    two_links = shape is Procedure.EITHER_SLOT
    result = []
    for spec in product.updatable_images:
        files = images.get(spec.name, ())
        if len(files) != (2 if two_links else 1):
            wanted = "two files, linked for the first and the second slot" if two_links else "one file"
            raise ReleaseRefused(
                f"image {spec.name!r} comes with {len(files)} files, a release like {shape.value} wants {wanted}",
                where=product.model,
                next_step="name file, and for either-slot second_file, in the product",
            )
        # A copied or exchanged image passes through staging; a flipped bank runs it from the other bank's slot too.
        passes = {Procedure.BANK_FLIP: "second"} | dict.fromkeys(STAGED, "stage")
        through = [memory_map.region(f"{passes[shape]}:{spec.name}")] if shape in passes else []
        for slot, image in enumerate(files):
            runs_in = memory_map.region(f"{'second' if slot else 'run'}:{spec.name}")
            seen_at = product.link_address(spec.name, runs_in.address)
            require_bootable(spec, image, runs_in, through, seen_at=seen_at)
            label = f"{spec.name}-{('first', 'second')[slot]}" if two_links else spec.name
            file_name = f"{label}-{product.update.sequence}.bin"
            uri = payload_uri(product, label, file_name)
            content = image.flatten(erased_byte(product.chip.memory(runs_in.memory)))
            if form is not None:
                content = pack_image(form, content, describe_image(spec, seen_at, form.key))
            result.append(Payload(spec.name, spec.version, slot if two_links else None, file_name, uri, content))
    return tuple(result)
