"""A device as the consumer finds it: what is fixed at the factory, the bytes of its memories, its records."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from rootwright.cose.keys import Verifier
from rootwright.describe.chip import Architecture, BlankRead, Memory
from rootwright.describe.product import ImageRole, Procedure, Product
from rootwright.errors import PlanError
from rootwright.layout.map import Map, Region
from rootwright.release.packing import About, ImageFormat, describe_image, without_headers
from rootwright.release.shape import (
    EXCHANGES,
    STAGED,
    TWO_SLOTS,
    erased_byte,
    find_shape,
    run_component,
    stage_component,
)
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.structure_check import Limits
from rootwright.suit.structures import ComponentIdentifier


@dataclass(frozen=True, slots=True)
class Anchor:
    """A trust anchor, and the components that its holder may sign for; None means all of the device's.

    A right covers every component whose identifier begins with it: `(b"radio",)` is the radio stack where it runs and
    where it waits. Source: RFC 9124 section 4.3.13, access control by the device's own table, not by the manifest.
    """

    verifier: Verifier
    components: frozenset[ComponentIdentifier] | None = None

    def may_sign(self, component: ComponentIdentifier) -> bool:
        """Whether the holder may sign for a component."""
        return self.components is None or any(component[: len(right)] == right for right in self.components)


@dataclass(frozen=True, slots=True)
class Place:
    """Where one image lives.

    Attributes:
        image: Its name.
        slots: The regions that its code may run from, by slot number: one, or two.
        staging: Where a new image is received, where the procedure has staging.
        linked: For each slot the address of the region that its images are linked for (a flipped bank is mapped low).
        has_vectors: Whether the image begins with an Arm vector table that the device checks.
        trailer: Bytes that the boot stage keeps behind the image.
        vectors: Where the vector table stands, in bytes behind the code's first byte.
        about: For an image format of the product's own, what its reader is told; None where images travel as linked.
    """

    image: str
    slots: tuple[Region, ...]
    staging: Region | None
    linked: tuple[int, ...]
    has_vectors: bool
    trailer: int = 0
    vectors: int = 0
    about: About | None = None

    @property
    def component(self) -> ComponentIdentifier:
        """The identifier, in manifests, of the image where it runs; with two slots, of the slot that is meant."""
        return run_component(self.image)

    @property
    def receiving(self) -> ComponentIdentifier:
        """The identifier of the component that a new image is fetched into."""
        return self.component if self.staging is None else stage_component(self.image)

    def runs_in(self, running: int) -> Region:
        """Return the region that runs while slot `running` is chosen."""
        return self.slots[running if len(self.slots) > 1 else 0]

    def receiving_slot(self, running: int) -> int:
        """Return the number of the slot that a new image is for."""
        return 1 - running if len(self.slots) > 1 else 0

    def receives_in(self, running: int) -> Region:
        """Return the region that a new image is written to first."""
        return self.staging or self.slots[self.receiving_slot(running)]

    def linked_for(self, slot: int) -> int:
        """Return the address of the first byte of code that runs in a slot."""
        return self.linked[slot] + self.slots[slot].header + self.wrapped

    @property
    def wrapped(self) -> int:
        """Bytes in front of the code that travel with it."""
        return 0 if self.about is None else self.about.header_bytes

    def capacity(self, region: Region) -> int:
        """Return how many bytes of image fit between header and trailer, which are the boot stage's own."""
        return region.size - region.header - self.trailer


@dataclass(frozen=True, slots=True)
class Settings:
    """What the factory fixes.

    Attributes:
        procedure: Name of the update procedure.
        shape: The procedure of ours that it is, or whose manner its releases have.
        memories: The part's memories that the map uses.
        tries_first: Whether new images first run on trial, with a way back to the old ones.
        envelope_bytes: The largest envelope taken: all images and 64 KiB.
        limits: How much one manifest may ask for.
        form: The image format that the boot stage reads; None where images lie as they are linked.
    """

    vendor: bytes
    class_id: bytes
    anchors: tuple[Anchor, ...]
    procedure: str
    shape: Procedure
    places: tuple[Place, ...]
    memories: tuple[Memory, ...]
    tries_first: bool
    envelope_bytes: int
    limits: Limits
    form: ImageFormat | None = field(default=None, repr=False, compare=False)

    @property
    def waits_for_loader(self) -> bool:
        """Whether a new image is written over the one slot, while a loader or a recovery image runs."""
        return any(place.staging is None and len(place.slots) == 1 for place in self.places)

    @property
    def is_staged(self) -> bool:
        """Whether new images wait in staging for the boot stage to copy or exchange them."""
        return self.shape in STAGED

    @property
    def exchanges(self) -> bool:
        """Whether staged and running images trade places."""
        return self.shape in EXCHANGES

    @property
    def flips(self) -> bool:
        """Whether a settings word says which bank is mapped low."""
        return self.shape is Procedure.BANK_FLIP

    @property
    def components(self) -> tuple[ComponentIdentifier, ...]:
        """All components of the device."""
        return tuple(c for place in self.places for c in dict.fromkeys((place.component, place.receiving)))

    def find_place(self, component: ComponentIdentifier) -> Place | None:
        """Return where a component's image lives; None where the device has no such component."""
        return next((place for place in self.places if component in (place.component, place.receiving)), None)

    def memory(self, name: str) -> Memory:
        """Return the memory called `name`."""
        return next(memory for memory in self.memories if memory.name == name)


@dataclass(frozen=True, slots=True)
class Installed:
    """The manifest whose images run: its sequence number and digest."""

    sequence: int
    digest: bytes


@dataclass(frozen=True, slots=True)
class DeviceState:
    """One device at rest. Operations return a new state.

    Attributes:
        flash: Content of each memory by name; equal content is shared between states.
        floor: The lowest sequence number that was ever kept.
        installed: The manifest whose images run.
        running: The slot that runs, where there are two.
        before: While new images are on trial, the manifest of those that they may give way to.
        pending: The accepted envelope that waits for the boot stage.
    """

    settings: Settings
    flash: Mapping[str, bytes] = field(repr=False)
    floor: int
    installed: Installed
    running: int = 0
    before: Installed | None = None
    pending: bytes | None = field(default=None, repr=False)

    def read(self, region: Region) -> bytes:
        """Return the bytes of a region."""
        at = region.address - self.settings.memory(region.memory).base
        return self.flash[region.memory][at : at + region.size]

    def write(self, region: Region, content: bytes, *, offset: int = 0) -> DeviceState:
        """Return the state with other bytes in a region; for setting a device up, and for an attacker's hand."""
        if offset + len(content) > region.size:
            raise PlanError(f"{len(content)} bytes at {offset} do not fit region {region.block}", where=region.block)
        at = region.address - self.settings.memory(region.memory).base + offset
        memory = self.flash[region.memory]
        changed = memory[:at] + content + memory[at + len(content) :]
        return replace(self, flash={**self.flash, region.memory: changed})


def make_device(
    product: Product,
    memory_map: Map,
    anchors: Sequence[Anchor],
    *,
    installed: Installed,
    images: Mapping[str, bytes],
    floor: int | None = None,
    machine: str | None = None,
    like: str | None = None,
    form: ImageFormat | None = None,
) -> DeviceState:
    """Return a device of a product, as it leaves the factory with some version's images installed.

    Regions other than slots and staging hold bytes that tell them apart, so that a write to the wrong place shows.

    Args:
        product: Gives identifiers, part and procedure.
        memory_map: The map of the product's procedure.
        anchors: The keys that the device trusts.
        installed: What is said to be installed.
        images: Content of each updatable image that runs, by image name.
        floor: Lowest sequence number accepted; by default the installed one.
        machine: "arm" or "riscv" where the firmware files say so; by default as the part's architecture.
        like: For a procedure of the user's own, which of ours it is like; see `find_shape`.
        form: The image format of its boot stage; then `images` are packed, and lie in the map `without_headers`.

    Raises:
        ReleaseRefused: The map lacks a region of an updatable image.
        PlanError: An image does not fit its slot.
    """
    shape = find_shape(product, memory_map, like)
    memory_map = without_headers(memory_map, form)
    arm = machine == "arm" if machine else product.chip.architecture is not Architecture.RV32
    regions = {region.block: region for region in memory_map.regions}
    places = []
    for spec in product.updatable_images:
        blocks = ("run", "second") if shape in TWO_SLOTS else ("run",)
        slots = [regions[f"{block}:{spec.name}"] for block in blocks]
        flipped = shape is Procedure.BANK_FLIP
        places.append(
            Place(
                image=spec.name,
                slots=tuple(slots),
                staging=regions[f"stage:{spec.name}"] if shape in STAGED else None,
                linked=tuple(
                    product.link_address(spec.name, (slots[0] if flipped else slot).address) for slot in slots
                ),
                has_vectors=arm and spec.role is ImageRole.APPLICATION,
                trailer=spec.trailer_bytes if form is None else 0,
                vectors=spec.vectors,
                about=None
                if form is None
                else describe_image(spec, product.link_address(spec.name, slots[0].address), form.key),
            )
        )
    used = {region.memory for region in memory_map.regions}
    memories = tuple(memory for memory in product.chip.memories if memory.name in used)
    vendor = vendor_identifier(product.vendor_domain)
    capacity = sum(place.capacity(slot) for place in places for slot in place.slots)
    settings = Settings(
        vendor,
        class_identifier(vendor, product.class_name),
        tuple(anchors),
        memory_map.procedure,
        shape,
        tuple(places),
        memories,
        tries_first=product.update.trial and shape in (*EXCHANGES, *TWO_SLOTS),
        envelope_bytes=capacity + (64 << 10),
        limits=Limits(commands=max(512, 64 * len(places)), components=max(16, 2 * len(places))),
        form=form,
    )
    flash = {memory.name: bytes([erased_byte(memory)]) * memory.size for memory in memories}
    device = DeviceState(settings, flash, installed.sequence if floor is None else floor, installed)
    code = {region.block for place in places for region in (*place.slots, place.staging) if region}
    for region in memory_map.regions:
        if region.block not in code:
            device = device.write(region, _pattern(region))
    for place in places:
        region = place.runs_in(0)
        device = device.write(region, images[place.image], offset=region.header)
    return device


def is_fill_readable(memory: Memory) -> bool:
    """Whether what lies behind an image can be read and judged."""
    return memory.blank_read is BlankRead.VALUE or memory.erased is None


def _pattern(region: Region) -> bytes:
    block = hashlib.sha256(region.block.encode()).digest()
    return (block * (region.size // len(block) + 1))[: region.size]
