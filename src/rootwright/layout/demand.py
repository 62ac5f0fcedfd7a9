"""What an update procedure asks of a memory map: blocks, ties between them, and what one update costs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class BlockRole(StrEnum):
    """What a block of the map is for."""

    BOOT = "boot stage"
    RECOVERY = "recovery image"
    SLOT = "slot"
    STAGING = "staging"
    LIFT = "lift sector"
    JOURNAL = "journal"
    SELECTOR = "selector log"
    REQUESTS = "request log"
    FLOOR = "version floor"
    KEYS = "keys and records"
    KEEP = "keep-area"


@dataclass(frozen=True, slots=True)
class Block:
    """One block that must find a place. Sizes in bytes.

    Attributes:
        name: Unique name: "boot", "boot-copy", "run:application", "stage:application", "second:radio", "journal",
            "requests", "floor", "keys", "lift", "keep:calibration", "recovery".
        image: The image whose code it holds, where it holds one.
        content: What is put into it today (image size with header and trailer; record bytes).
        min_size: The least it may have: content plus growth allowance.
        memories: Names of the memories it may be in, in order of preference.
        header: Bytes in front of the vector table; `vector_align` applies to start + header.
        vector_align: Alignment in bytes of the vector table, 1 where there is none.
        min_sectors: The least number of whole sectors (a log that rolls over needs two).
        exclusive: Whether it must own its sectors (nothing else may be erased with it). Always true for what changes.
        write_protect: Whether write protection must cover exactly its sectors, so that it starts and ends on the
            granule.
        at, size: Pins.
        bank: The bank it must be in, None for either.
    """

    name: str
    role: BlockRole
    content: int
    min_size: int
    memories: tuple[str, ...]
    image: str | None = None
    header: int = 0
    vector_align: int = 1
    min_sectors: int = 1
    exclusive: bool = True
    write_protect: bool = False
    at: int | None = None
    size: int | None = None
    bank: int | None = None


class TieKind(StrEnum):
    """How blocks depend on one another."""

    SAME_SIZE = "same size"  # all blocks have one size
    SAME_PATTERN = "same sector pattern"  # same size, and sector boundaries at the same offsets
    OPPOSITE_BANK = "same offset in the other bank"  # second = first + half the memory
    AT_LEAST_LARGEST_SECTOR = "at least the largest sector of"  # first block >= every sector of the others
    COMMON_MULTIPLE = "sizes are a multiple of the larger sector"  # exchange of differing sector patterns


@dataclass(frozen=True, slots=True)
class Tie:
    """A relation between blocks, by name."""

    kind: TieKind
    blocks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Wear:
    """What one update does to a block: in its life (`erases`, `writes`) and, of that, while the device stands still.

    Attributes:
        erases: Erases of each sector in one update (a fraction where a log rolls over rarely).
        writes: How many times the block's whole content is programmed in one update.
        install_erases, install_writes: The part of both that happens in the boot stage (install time), the rest
            happens while the application runs (download).
        per_sector_of: Where not empty, all four figures are per *sector moved* of these blocks and land, one sector's
            worth of data each, on this block (a lift sector); spread evenly over the block's sectors.
    """

    block: str
    erases: float
    writes: float
    install_erases: float = 0.0
    install_writes: float = 0.0
    per_sector_of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Traits:
    """The properties that tell procedures apart."""

    name: str
    title: str
    images_kept: str  # "1", "1 + recovery", "2"
    copies: str  # "none", "one way", "both ways"
    way_back: bool
    runs_from: str  # words for the table
    survives_interrupted_download: bool
    downtime: str  # words: what the device does meanwhile


@dataclass(frozen=True, slots=True)
class Demand:
    """All that one procedure asks for on one part and product.

    Attributes:
        impossible: Why the procedure cannot work on this part at all, empty where it can.
        wear: What one update erases and programs; the basis of install time and of years to the endurance.
        digests: How many times the whole set of images is digested during install and first boot.
        verifies: How many signature checks the install makes.
        ram: RAM in bytes that the boot stage needs for it.
        programs: How often a unit of a block is programmed between two erases, by block name, where that is not once.
    """

    traits: Traits
    blocks: tuple[Block, ...]
    ties: tuple[Tie, ...] = ()
    wear: tuple[Wear, ...] = ()
    digests: float = 2.0
    verifies: int = 1
    ram: int = 0
    impossible: str = ""
    programs: tuple[tuple[str, int], ...] = ()

    def block(self, name: str) -> Block:
        """Return the block called `name`; KeyError where there is none."""
        for block in self.blocks:
            if block.name == name:
                return block
        raise KeyError(name)
