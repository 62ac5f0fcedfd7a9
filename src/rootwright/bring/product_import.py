"""Linked firmware and a part into a proposed product: images, pinned blocks, keep-areas, and what is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rootwright.bring.firmware import FirmwareFile, ProposedImage, propose_images, read_firmware
from rootwright.bring.named_regions import NamedRegion, find_named_regions
from rootwright.describe.chip import Chip
from rootwright.describe.product import ImageRole, Procedure
from rootwright.errors import DescriptionError
from rootwright.image.model import Image

_BLOCKS: tuple[tuple[str, frozenset[str]], ...] = (
    ("stage", frozenset({"stage", "staging", "staged", "download", "incoming", "update", "candidate"})),
    ("lift", frozenset({"lift", "swap", "scratch", "spare", "exchange"})),
    ("journal", frozenset({"journal", "progress"})),
    ("requests", frozenset({"requests", "request", "mailbox"})),
    ("selector", frozenset({"selector"})),
    ("floor", frozenset({"floor", "rollback"})),
    ("keys", frozenset({"keys", "anchor", "anchors"})),
    ("second", frozenset({"second"})),
)
"""Words of a region's name, and the block it is then taken for; common practice, no source."""


@dataclass(frozen=True, slots=True)
class ProposedBlock:
    """A block whose place is known. `told` is what it was told by; `sure` is false where its use was guessed."""

    block: str
    address: int
    size: int | None
    told: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class ProposedKeep:
    """A region that nothing here knows the use of, and that no update may touch until somebody says so."""

    name: str
    address: int
    size: int
    told: str


@dataclass(frozen=True, slots=True)
class ProposedProduct:
    """What firmware files and a part say of a product.

    Attributes:
        chip_name: How the product file names the part.
        procedure: The update procedure that the regions suggest, and why.
        notes: What was found and could not be used.
    """

    chip: Chip
    chip_name: str
    images: tuple[ProposedImage, ...]
    blocks: tuple[ProposedBlock, ...]
    keeps: tuple[ProposedKeep, ...]
    procedure: Procedure
    procedure_from: str
    notes: tuple[str, ...] = field(default=())

    @property
    def lacks_boot_stage(self) -> bool:
        """Whether no file is the boot stage."""
        return all(image.role is not ImageRole.BOOT_STAGE for image in self.images)

    @property
    def lacks_application(self) -> bool:
        """Whether no file is an image that updates replace."""
        return not any(image.updatable for image in self.images)


def propose_product(
    files: Mapping[str, Image], chip: Chip, *, chip_name: str, regions: Sequence[NamedRegion] = ()
) -> ProposedProduct:
    """Return a proposed product.

    Args:
        files: Firmware files by their names.
        chip: The part.
        chip_name: How the product file is to name it.
        regions: Named regions from elsewhere, such as the fixed partitions of a devicetree.

    Raises:
        DescriptionError: A file does not belong on this part, or too many files seem to be one image.
    """
    if not files:
        raise DescriptionError("no firmware file", where="--elf", next_step="name at least one linked file")
    named = _without_repeats((*find_named_regions(list(files.values()), chip), *regions))
    read = [read_firmware(name, image, chip, named) for name, image in files.items()]
    _require_apart(read)
    shared = [region for region in named if len({file.stem for file in read if _holds(region, file)}) > 1]
    notes = [f"{region.name} ({region.source}) holds several images and is no slot" for region in shared]
    if shared:
        named = tuple(region for region in named if region not in shared)
        read = [read_firmware(name, image, chip, named) for name, image in files.items()]
    images = propose_images(read, chip)
    blocks: dict[str, ProposedBlock] = {}
    for image in images:
        _add_image(image, blocks)
    keeps: list[ProposedKeep] = []
    for region in named:
        taken = next((b for b in blocks.values() if b.size and _overlap(region, b.address, b.size)), None)
        block = _block_of(region, images)
        if any(_holds(region, file) for file in read):
            continue  # a slot, pinned with its image
        if taken is not None and not _may_share(block, taken.block):
            notes.append(f"{region.name} ({region.source}) overlaps {taken.block} and was left out")
        elif any(_overlap(region, keep.address, keep.size) for keep in keeps):
            notes.append(f"{region.name} ({region.source}) overlaps another region and was left out")
        elif block is not None and block not in blocks:
            blocks[block] = ProposedBlock(block, region.address, region.size, region.source, sure=False)
        else:
            name = _keep_name(region, keeps)
            keeps.append(ProposedKeep(name, region.address, region.size, region.source))
    procedure, why = _procedure(blocks, images)
    return ProposedProduct(chip, chip_name, images, tuple(blocks.values()), tuple(keeps), procedure, why, tuple(notes))


def _require_apart(files: Sequence[FirmwareFile]) -> None:
    """Refuse files of different images that load to one address: they belong to no one product."""
    for index, one in enumerate(files):
        for other in files[:index]:
            if one.stem != other.stem and one.image.start < other.image.end and other.image.start < one.image.end:
                raise DescriptionError(
                    f"it loads 0x{one.image.start:08x}..0x{one.image.end:08x}, and {other.name} "
                    f"0x{other.image.start:08x}..0x{other.image.end:08x}, as another image",
                    where=one.name,
                    next_step="leave one of them out, or name versions of one image alike, as in app-1.0 and app-1.1",
                )


def _without_repeats(regions: Sequence[NamedRegion]) -> tuple[NamedRegion, ...]:
    """Return regions with each range once, under the name that came first."""
    kept: dict[tuple[int, int], NamedRegion] = {}
    for region in regions:
        kept.setdefault((region.address, region.size), region)
    return tuple(sorted(kept.values(), key=lambda region: (region.address, region.size)))


def _holds(region: NamedRegion, file: FirmwareFile) -> bool:
    return region.address <= file.image.start and file.image.end <= region.end


def _overlap(region: NamedRegion, address: int, size: int) -> bool:
    return region.address < address + size and address < region.end


def _may_share(block: str | None, other: str) -> bool:
    """Whether two blocks may lie in one place: either-slot's second slot stands where other procedures stage."""
    return {str(block).partition(":")[0], other.partition(":")[0]} == {"stage", "second"}


def _add_image(image: ProposedImage, blocks: dict[str, ProposedBlock]) -> None:
    first = {ImageRole.BOOT_STAGE: "boot", ImageRole.RECOVERY: "recovery"}.get(image.role, f"run:{image.name}")
    for block, file in ((first, image.file), (f"second:{image.name}", image.second)):
        if file is not None:
            blocks[block] = ProposedBlock(block, file.slot, file.slot_size, file.slot_from)


def _block_of(region: NamedRegion, images: Sequence[ProposedImage]) -> str | None:
    words = set(region.words)
    updatable = [image for image in images if image.updatable]
    for block, known in _BLOCKS:
        if not words & known:
            continue
        if block not in ("stage", "second"):
            return block
        meant = [image for image in updatable if words & set(image.name.split("-"))] or updatable[:1]
        return f"{block}:{meant[0].name}" if meant else None
    if "boot" in words and all(image.role is not ImageRole.BOOT_STAGE for image in images):
        return "boot"
    return None


def _keep_name(region: NamedRegion, keeps: Sequence[ProposedKeep]) -> str:
    taken = {keep.name for keep in keeps}
    base = region.name if region.name[:1].isalpha() else f"area-{region.name}"[:32].rstrip("-")
    name, number = base, 1
    while name in taken:
        number += 1
        name = f"{base[:28]}-{number}"
    return name


def _procedure(blocks: Mapping[str, ProposedBlock], images: Sequence[ProposedImage]) -> tuple[Procedure, str]:
    staged = any(block.startswith("stage:") for block in blocks)
    if staged and "lift" in blocks:
        return Procedure.EXCHANGE_FIXED, "a staging region and one through which images could trade places"
    if staged:
        return Procedure.COPY_OVER, "a staging region"
    if any(image.second is not None for image in images):
        return Procedure.EITHER_SLOT, "two links of one version"
    if any(image.role is ImageRole.RECOVERY for image in images):
        return Procedure.RECOVERY_IMAGE, "a recovery image, and no second place for an image"
    return Procedure.IN_PLACE, "one place for each image"
