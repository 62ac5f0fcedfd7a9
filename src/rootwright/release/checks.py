"""What is refused before anything is signed: images that would not start where the device puts them."""

from __future__ import annotations

from collections.abc import Iterable

from rootwright.describe.product import ImageRole, ImageSpec
from rootwright.errors import ReleaseRefused
from rootwright.image.model import Image
from rootwright.image.reading import find_vector_table
from rootwright.layout.map import Region


def require_bootable(
    spec: ImageSpec, image: Image, runs_in: Region, passes_through: Iterable[Region] = (), *, seen_at: int | None = None
) -> None:
    """Return only if an image fits its regions, is linked for the one it runs in, and can start there.

    Args:
        spec: The image as the product describes it.
        image: The file's content.
        runs_in: The slot that its code runs from.
        passes_through: Other regions that must hold it, such as staging.
        seen_at: Where the core sees the slot, where that is not its address in the memory.

    Raises:
        ReleaseRefused: With the image, the region and both figures.
    """
    needed = spec.header_bytes + image.size + spec.trailer_bytes
    for region in (runs_in, *passes_through):
        if needed > region.size:
            raise ReleaseRefused(
                f"image {spec.name!r} takes {needed} bytes, region {region.block} has {region.size}",
                where=image.name,
                next_step="make the image smaller, or plan larger regions before devices are made",
            )
    linked = (runs_in.address if seen_at is None else seen_at) + spec.header_bytes
    if image.start != linked:
        raise ReleaseRefused(
            f"image {spec.name!r} is linked for 0x{image.start:08x}, region {runs_in.block} runs it at 0x{linked:08x}",
            where=image.name,
            next_step="link it for its region, or pin the region where the firmware is linked",
        )
    if image.entry is not None and not image.holds(image.entry & ~1, 2):
        raise ReleaseRefused(
            f"image {spec.name!r} starts at 0x{image.entry:08x}, outside what the file loads",
            where=image.name,
            next_step="check the entry symbol of the linker script",
        )
    # A radio stack or companion may be called through a table of its own; an application is started by the boot stage.
    if spec.role is ImageRole.APPLICATION and image.machine != "riscv":
        first = linked + spec.vectors
        table = find_vector_table(image, at=first if spec.vectors else None)
        if table is None or table.address != first:
            found = (
                "has no vector table whose reset vector lies inside it"
                if table is None
                else f"has its vector table at 0x{table.address:08x}, not at 0x{first:08x}"
            )
            raise ReleaseRefused(
                f"image {spec.name!r} {found}",
                where=image.name,
                next_step="put the vector table there and let its reset vector point into the image; `vectors` says "
                "where a table stands that is not first",
            )
