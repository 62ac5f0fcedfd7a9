"""An image format of the product's own: what a packer is told, and what its result must be before it is signed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Protocol

from rootwright.describe.product import ImageSpec
from rootwright.errors import PackingError, ReleaseRefused
from rootwright.layout.map import Map


@dataclass(frozen=True, slots=True)
class About:
    """What a packer and a reader are told beside the bytes.

    Attributes:
        name, version: Of the image.
        address: Where the first byte of the packed image will lie when it runs.
        header_bytes, trailer_bytes: The room that the product gives in front of and behind the code.
        key: What they find their key by; never key bytes.
    """

    name: str
    version: str
    address: int
    header_bytes: int
    trailer_bytes: int
    key: str


@dataclass(frozen=True, slots=True)
class Unpacked:
    """What a reader found: the version that the packed image states, and its code."""

    version: str
    code: bytes = field(repr=False)


class UnreadableImage(Exception):
    """A reader refuses bytes, as the boot stage would; the argument says why."""


class ImageFormat(Protocol):
    """Packs and reads images; the product's own, loaded by the edge."""

    @property
    def key(self) -> str:
        """What packer and reader find their key by."""

    def pack(self, code: bytes, about: About) -> bytes:
        """Return header, code and trailer. Raises PackingError where the packer fails."""

    def read(self, packed: bytes, about: About) -> Unpacked:
        """Return what a packed image holds. Raises UnreadableImage where the boot stage would refuse it."""


def describe_image(spec: ImageSpec, address: int, key: str) -> About:
    """Return what packer and reader are told of an image that runs in the region at `address`."""
    return About(spec.name, spec.version, address, spec.header_bytes, spec.trailer_bytes, key)


def pack_image(form: ImageFormat, code: bytes, about: About) -> bytes:
    """Return the packed image after everything that a device counts on was tested.

    Raises:
        PackingError: The packer fails, or gives other bytes the second time.
        ReleaseRefused: The code is not where it is linked, the room does not suffice, or the reader does not read what
            the packer wrote.
    """
    packed = form.pack(code, about)
    if form.pack(code, about) != packed:
        raise PackingError(
            f"the packer gives other bytes when it packs image {about.name!r} again",
            where="boot.format.packer",
            next_step="leave out clock and chance, and sign deterministically (RFC 6979, Ed25519): a release is "
            "compared byte for byte",
        )
    head, tail = about.header_bytes, len(packed) - about.header_bytes - len(code)
    if packed[head : head + len(code)] != code:
        raise ReleaseRefused(
            f"the packed image {about.name!r} does not hold the code behind {head} bytes, where it is linked to run",
            where="boot.format.packer",
            next_step="let the packer write as many bytes in front as `header` of the image says",
        )
    if tail > about.trailer_bytes:
        raise ReleaseRefused(
            f"the packed image {about.name!r} has {tail} bytes behind the code, the product gives "
            f"{about.trailer_bytes}",
            where="boot.format.packer",
            next_step="raise `trailer` of the image, so that the plan leaves room for it",
        )
    try:
        found = form.read(packed, about)
    except UnreadableImage as error:
        raise ReleaseRefused(
            f"the reader refuses the image {about.name!r} that the packer made: {error}",
            where="boot.format.reader",
            next_step="let both speak of the same format and key",
        ) from None
    if found.code != code or found.version != about.version:
        what = f"version {found.version!r}" if found.version != about.version else "other code"
        raise ReleaseRefused(
            f"the reader finds {what} in image {about.name!r} {about.version}",
            where="boot.format.reader",
            next_step="let both speak of the same format",
        )
    return packed


def without_headers(memory_map: Map, form: ImageFormat | None) -> Map:
    """Return the map as images in a format of their own meet it: header and trailer travel with them.

    The map as it is where there is no such format.
    """
    if form is None:
        return memory_map
    return replace(memory_map, regions=tuple(replace(region, header=0) for region in memory_map.regions))
