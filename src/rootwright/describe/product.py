"""A product as its engineer describes it: images, update, keep-areas, keys. Frozen; see `product_file`."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import PurePosixPath

from rootwright.describe.attack import Review
from rootwright.describe.bench import Bench
from rootwright.describe.chip import Chip
from rootwright.describe.own_format import OwnFormat
from rootwright.errors import PlanError


class ImageRole(StrEnum):
    """What an image is for."""

    BOOT_STAGE = "boot stage"
    APPLICATION = "application"
    RADIO_STACK = "radio stack"
    COMPANION = "companion"
    RECOVERY = "recovery image"


class Procedure(StrEnum):
    """The update procedures that the tool knows; a product may also name its own class."""

    IN_PLACE = "in-place"
    RECOVERY_IMAGE = "recovery-image"
    COPY_OVER = "copy-over"
    EXCHANGE_FIXED = "exchange-fixed"
    EXCHANGE_ROTATING = "exchange-rotating"
    EITHER_SLOT = "either-slot"
    BANK_FLIP = "bank-flip"


class PayloadPlace(StrEnum):
    """Where a release's payloads travel."""

    INTEGRATED = "integrated"
    DETACHED = "detached"


class Attacker(StrEnum):
    """Who is in scope of the product's checks."""

    NETWORK = "network"
    EXPLOITED_APPLICATION = "exploited application"
    EXTERNAL_BUS = "external bus"
    PROBE = "debug probe"
    GLITCH = "glitch"


@dataclass(frozen=True, slots=True)
class ImageSpec:
    """One firmware image. Paths are relative to the product file's folder.

    Attributes:
        file: The new version's file; for either-slot the one linked for the first slot. None while planning ahead,
            then `size` must be given.
        second_file: The same version linked for the second slot.
        precursor: The installed version's file (for demonstrations, trials and patches), with its second link.
        growth: How much the image may grow over the product's life, as a fraction of its size.
        header_bytes: What a header takes in front of the code in its slot (trailer_bytes: behind it).
        at, size: Pins of its (first) slot in bytes; None where the plan decides.
        memory: Name of the memory it must live in, None for any executable one.
        base: Load address of a raw binary file.
        vectors: Where the vector table stands, in bytes behind the code's first byte.
        view: Name of the chip's view through which its code runs and for which it is linked; None for the memory's own
            addresses.
    """

    name: str
    role: ImageRole
    version: str
    file: PurePosixPath | None = None
    second_file: PurePosixPath | None = None
    precursor: PurePosixPath | None = None
    precursor_second: PurePosixPath | None = None
    precursor_version: str = ""
    growth: float = 0.0
    header_bytes: int = 0
    trailer_bytes: int = 0
    at: int | None = None
    size: int | None = None
    memory: str | None = None
    base: int | None = None
    vectors: int = 0
    view: str | None = None

    @property
    def updatable(self) -> bool:
        """Whether releases carry this image; boot stage and recovery image are permanent."""
        return self.role not in (ImageRole.BOOT_STAGE, ImageRole.RECOVERY)

    @property
    def around_bytes(self) -> int:
        """What header and trailer take in the image's slot besides the code."""
        return self.header_bytes + self.trailer_bytes


@dataclass(frozen=True, slots=True)
class Migration:
    """A declared change of a keep-area's form: from schema number to schema number, and where its spare lies."""

    before: int
    after: int
    at: int | None = None
    memory: str | None = None


@dataclass(frozen=True, slots=True)
class KeepArea:
    """Data that no update may touch: settings, calibration, logs, certificates. Sizes in bytes.

    Attributes:
        migrate: The one way in which this release's images change its form; None where its form stays.
    """

    name: str
    size: int
    at: int | None = None
    memory: str | None = None
    file: PurePosixPath | None = None
    migrate: Migration | None = None


@dataclass(frozen=True, slots=True)
class Pin:
    """The engineer's decision on one planned block, by block name."""

    block: str
    at: int | None = None
    size: int | None = None
    memory: str | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """How updates reach the device: payload rate in bytes per second, and whether a download is often cut off."""

    name: str
    bytes_per_s: float
    interrupted: bool = True


@dataclass(frozen=True, slots=True)
class Fleet:
    """The devices in the field over their life."""

    devices: int
    life_years: float
    updates_per_year: float


@dataclass(frozen=True, slots=True)
class KeySpec:
    """A key that signs releases: algorithm name (ESP256, Ed25519) and its private key file."""

    name: str
    algorithm: str
    file: PurePosixPath
    demo: bool = False


@dataclass(frozen=True, slots=True)
class Update:
    """How this product is updated.

    Attributes:
        procedure: A `Procedure` value, or "module:Class" of the user's own procedure.
        staging: Name of the memory that holds a staged image; None leaves it to the plan.
        sequence: Sequence number of the release described by this file.
        floor: Name of the one-time words that hold the version floor; None for a log in flash.
        trial: Whether a new image first runs on trial (where the procedure has a way back).
        watchdog_s: Watchdog period in seconds while the boot stage runs; None without a watchdog.
    """

    procedure: str
    sequence: int
    staging: str | None = None
    floor: str | None = None
    trial: bool = True
    payload: PayloadPlace = PayloadPlace.DETACHED
    uri: str = ""
    watchdog_s: float | None = None
    description: str = ""


@dataclass(frozen=True, slots=True)
class Assumption:
    """What the product's owner says of one assumption of the tool: by id, who answers for it, data-sheet page."""

    id: str
    owner: str = ""
    page: str = ""


@dataclass(frozen=True, slots=True)
class Product:
    """One product, complete.

    Attributes:
        vendor_domain, class_name: What vendor and class identifiers are made from.
        protect: Names of planned blocks under write protection in the field.
        attackers: Who is in scope.
        secret: Names of blocks that the application must not even read.
        unprivileged: Whether the application is declared to run unprivileged (RV32: in user mode).
        lock_order: The product's own order of locking, by step; empty where the plan decides.
        review: What it asks of its review, and its own attack steps.
        format: The image format of its boot stage; None where images travel as they are linked.
    """

    name: str
    model: str
    maker: str
    revision: str
    vendor_domain: str
    class_name: str
    chip: Chip
    images: tuple[ImageSpec, ...]
    update: Update
    fleet: Fleet
    link: Link
    keys: tuple[KeySpec, ...] = ()
    keep: tuple[KeepArea, ...] = ()
    pins: tuple[Pin, ...] = ()
    protect: tuple[str, ...] = ()
    attackers: tuple[Attacker, ...] = ()
    assumptions: tuple[Assumption, ...] = field(default=())
    review: Review = field(default=Review())
    bench: Bench | None = None
    secret: tuple[str, ...] = ()
    unprivileged: bool = False
    lock_order: tuple[str, ...] = ()
    format: OwnFormat | None = None

    def image(self, name: str) -> ImageSpec:
        """Return the image called `name`; KeyError where there is none."""
        for image in self.images:
            if image.name == name:
                return image
        raise KeyError(name)

    def link_address(self, image: str, address: int) -> int:
        """Return the bus address at which the core sees code of an image that lies at `address` of a memory.

        Raises:
            PlanError: The address lies outside the view through which the image runs.
        """
        name = self.image(image).view
        if name is None:
            return address
        view = next(view for view in self.chip.views if view.name == name)
        first = self.chip.memory(view.memory).base + view.offset
        if not first <= address < first + view.size:
            raise PlanError(
                f"image {image!r} runs through the view {name!r}, which does not show 0x{address:X}",
                where=f"image.{image}.view",
                next_step=f"pin its slot between 0x{first:X} and 0x{first + view.size - 1:X}, or take another view",
            )
        return view.address + address - first

    def find_images(self, role: ImageRole) -> tuple[ImageSpec, ...]:
        """Return the images with one role, in the product file's order."""
        return tuple(image for image in self.images if image.role is role)

    @property
    def updatable_images(self) -> tuple[ImageSpec, ...]:
        """The images that travel in a release and are installed together."""
        return tuple(image for image in self.images if image.updatable)
