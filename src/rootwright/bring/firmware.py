"""What linked firmware says of the product it is for: which file is which image, its version, slot, header, vectors."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rootwright.bring.named_regions import NamedRegion
from rootwright.describe.chip import Architecture, Chip, Memory, MemoryKind
from rootwright.describe.product import ImageRole
from rootwright.errors import DescriptionError
from rootwright.image.model import Image
from rootwright.image.vectors import find_vector_table

_VERSION = re.compile(r"(?<![0-9.])v?([0-9]{1,9}(?:\.[0-9]{1,9}){1,3})(?![0-9.])")
_SLOT_WORDS = frozenset({"first", "second", "a", "b", "slot", "one", "two", "release", "debug"})
_RADIO = frozenset({"radio", "modem", "wireless"})
_RECOVERY = frozenset({"recovery", "rescue"})
LONGEST_TEXT = 128


@dataclass(frozen=True, slots=True)
class FirmwareFile:
    """One file, and what it says.

    Attributes:
        name: The file's name as the user gave it.
        stem: What it seems to be called, without version and slot.
        version, version_from: Its version, and where that stands; empty where it is not said.
        slot: Where its slot begins; `slot_size` where a region is named for it, else None.
        slot_from: What the slot was told by.
        header: Bytes from there to its first byte.
        vectors: Where its vector table stands behind its first byte; None where none was found.
    """

    name: str
    stem: str
    image: Image = field(repr=False)
    version: str
    version_from: str
    slot: int
    slot_size: int | None
    slot_from: str
    header: int
    vectors: int | None

    @property
    def numbers(self) -> tuple[int, ...]:
        """The version as numbers, for comparing."""
        return tuple((*(int(part) for part in self.version.split(".") if part), 0, 0, 0, 0))[:4]


@dataclass(frozen=True, slots=True)
class ProposedImage:
    """One image of the product: its newest file, and the others that belong to it."""

    name: str
    role: ImageRole
    role_from: str
    file: FirmwareFile
    second: FirmwareFile | None = None
    precursor: FirmwareFile | None = None
    precursor_second: FirmwareFile | None = None

    @property
    def updatable(self) -> bool:
        """Whether releases carry it."""
        return self.role not in (ImageRole.BOOT_STAGE, ImageRole.RECOVERY)


def read_firmware(name: str, image: Image, chip: Chip, regions: Sequence[NamedRegion]) -> FirmwareFile:
    """Return what one file says.

    Raises:
        DescriptionError: It is for another architecture, or lies in no memory of the part that code can run from.
    """
    wrong = {"arm": chip.architecture is Architecture.RV32, "riscv": chip.architecture is not Architecture.RV32}
    if image.machine is not None and wrong[image.machine]:
        raise DescriptionError(
            f"code for {image.machine}, the part {chip.name} is {chip.architecture.value}",
            where=name,
            next_step="name the part's own chip file with --chip",
        )
    memory = _home(image, chip, name)
    own = [region for region in regions if region.address <= image.start and image.end <= region.end]
    best = min(own, key=lambda region: region.size, default=None)
    if best is not None:
        slot, size, source = best.address, best.size, best.source
    else:
        below = [sector.address for sector in memory.sectors() if sector.address <= image.start]
        slot, size, source = max(below), None, "the sector that its first byte lies in"
    table = find_vector_table(image)
    version, version_from = _version(image, name)
    return FirmwareFile(
        name=name,
        stem=_stem(name),
        image=image,
        version=version,
        version_from=version_from,
        slot=slot,
        slot_size=size,
        slot_from=source,
        header=image.start - slot,
        vectors=None if table is None else table.address - image.start,
    )


def _home(image: Image, chip: Chip, name: str) -> Memory:
    for memory in chip.memories:
        if memory.kind is not MemoryKind.RAM and memory.base <= image.start and image.end <= memory.end:
            return memory
    spans = ", ".join(f"{m.name} 0x{m.base:08x}..0x{m.end:08x}" for m in chip.memories if m.kind is not MemoryKind.RAM)
    raise DescriptionError(
        f"it loads 0x{image.start:08x}..0x{image.end:08x}, which no memory of {chip.name} holds ({spans})",
        where=name,
        next_step="name the part's own chip file with --chip",
    )


def _version(image: Image, name: str) -> tuple[str, str]:
    """Return the version that a text named so states, else the one in the file's name, with where it stands."""
    for symbol in image.symbols:
        if symbol.kind == "object" and "version" in symbol.name.lower() and 0 < symbol.size <= LONGEST_TEXT:
            if not image.holds(symbol.address, symbol.size):
                continue
            raw = image.read(symbol.address, symbol.size).partition(b"\0")[0]
            match = _VERSION.search(raw.decode("ascii", "replace"))
            if match:
                return _plain(match[1]), f"symbol {symbol.name}"
    match = _VERSION.search(_bare(name))
    return (_plain(match[1]), "the file's name") if match else ("", "")


def _plain(version: str) -> str:
    return ".".join(str(int(part)) for part in version.split("."))


def _bare(name: str) -> str:
    """Return a path's last part without its ending."""
    last = re.split(r"[/\\]", name)[-1]
    return last.rpartition(".")[0] or last


def _stem(name: str) -> str:
    words = re.findall(r"[a-z]+[0-9]*|[0-9]+", _VERSION.sub(" ", _bare(name)).casefold())
    kept = [word for word in words if word not in _SLOT_WORDS] or words or ["image"]
    made = "-".join(kept)
    return (made if made[0].isalpha() and made[0].isascii() else f"image-{made}")[:32].strip("-")


def propose_images(files: Sequence[FirmwareFile], chip: Chip) -> tuple[ProposedImage, ...]:
    """Return the product's images: files of one name are versions of one image, or its links for two slots.

    Raises:
        DescriptionError: More than two versions of one image, or more than two links of one version.
    """
    groups: dict[str, list[FirmwareFile]] = {}
    for file in files:
        groups.setdefault(file.stem, []).append(file)
    images = []
    boot = _boot_stem(groups, chip)
    taken_application = False
    for stem, group in groups.items():
        newest, newest_second, older, older_second = _sorted(stem, group)
        words = set(stem.split("-"))
        if stem == boot[0]:
            role, why = ImageRole.BOOT_STAGE, boot[1]
        elif words & _RECOVERY:
            role, why = ImageRole.RECOVERY, "its name"
        elif words & _RADIO:
            role, why = ImageRole.RADIO_STACK, "its name"
        elif not taken_application:
            role, why, taken_application = ImageRole.APPLICATION, "being the first that is nothing else", True
        else:
            role, why = ImageRole.COMPANION, "being one more"
        if role in (ImageRole.BOOT_STAGE, ImageRole.RECOVERY):
            newest_second = older = older_second = None
        images.append(ProposedImage(stem, role, why, newest, newest_second, older, older_second))
    order = list(ImageRole)
    return tuple(sorted(images, key=lambda image: (image.updatable, order.index(image.role))))


def _boot_stem(groups: Mapping[str, Sequence[FirmwareFile]], chip: Chip) -> tuple[str, str]:
    """Return which image starts first, and by what that was told; empty where none does."""
    for stem, group in groups.items():
        if any(file.image.start <= chip.reset_address < file.image.end for file in group):
            return stem, "the reset address, which it holds"
    for stem, group in groups.items():
        if "boot" in stem or any(file.slot == chip.reset_address for file in group):
            return stem, "its name and place; nothing here holds the reset address"
    return "", ""


def _sorted(
    stem: str, group: Sequence[FirmwareFile]
) -> tuple[FirmwareFile, FirmwareFile | None, FirmwareFile | None, FirmwareFile | None]:
    """Return newest and older version, each with its second link."""
    by_version: dict[tuple[int, ...], list[FirmwareFile]] = {}
    for file in sorted(group, key=lambda file: file.image.start):
        by_version.setdefault(file.numbers, []).append(file)
    if len(by_version) > 2 or any(len(links) > 2 for links in by_version.values()):
        raise DescriptionError(
            f"{len(group)} files that all seem to be image {stem!r}",
            where=", ".join(file.name for file in group),
            next_step="give the newest version and the one before, at most two links of each; rename files that differ",
        )
    newest, *rest = (by_version[version] for version in sorted(by_version, reverse=True))
    older = rest[0] if rest else []
    links = [*newest, None][:2]
    before = [*older, None, None][:2]
    assert links[0] is not None
    return links[0], links[1], before[0], before[1]
