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
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.structure_check import Limits
from rootwright.suit.structures import ComponentIdentifier


@dataclass(frozen=True, slots=True)
class Anchor:
    """A trust anchor, and the components that its holder may sign for; None means all of the device's.

    Source: RFC 9124 section 4.3.13, access control by the device's own table, not by the manifest.
    """

    verifier: Verifier
    components: frozenset[ComponentIdentifier] | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where one component lives.

    Attributes:
        component: Its identifier in manifests.
        slots: The regions that its code may run from, by slot number: one, or two.
        staging: Where a new image is received, where the procedure has staging.
        linked: For each slot the address of the region that its images are linked for (a flipped bank is mapped low).
        has_vectors: Whether the image begins with an Arm vector table that the device checks.
        trailer: Bytes that the boot stage keeps behind the image.
    """

    component: ComponentIdentifier
    slots: tuple[Region, ...]
    staging: Region | None
    linked: tuple[int, ...]
    has_vectors: bool
    trailer: int = 0

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
        """Return the address of the first byte of an image that runs in a slot."""
        return self.linked[slot] + self.slots[slot].header

    def capacity(self, region: Region) -> int:
        """Return how many bytes of image fit between header and trailer, which are the boot stage's own."""
        return region.size - region.header - self.trailer


@dataclass(frozen=True, slots=True)
class Settings:
    """What the factory fixes.

    Attributes:
        procedure: Name of the update procedure.
        memories: The part's memories that the map uses.
        tries_first: Whether new images first run on trial, with a way back to the old ones.
        envelope_bytes: The largest envelope taken: all images and 64 KiB.
        limits: How much one manifest may ask for.
    """

    vendor: bytes
    class_id: bytes
    anchors: tuple[Anchor, ...]
    procedure: str
    places: tuple[Place, ...]
    memories: tuple[Memory, ...]
    tries_first: bool
    envelope_bytes: int
    limits: Limits

    @property
    def waits_for_loader(self) -> bool:
        """Whether a new image is written over the one slot, while a loader or a recovery image runs."""
        return any(place.staging is None and len(place.slots) == 1 for place in self.places)

    def find_place(self, component: ComponentIdentifier) -> Place | None:
        """Return where a component lives; None where the device has no such component."""
        return next((place for place in self.places if place.component == component), None)

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

    Raises:
        PlanError: The map lacks a slot of an updatable image, or an image does not fit its slot.
    """
    arm = machine == "arm" if machine else product.chip.architecture is not Architecture.RV32
    regions = {region.block: region for region in memory_map.regions}
    places = []
    for spec in product.updatable_images:
        slots = [regions[name] for name in (f"run:{spec.name}", f"second:{spec.name}") if name in regions]
        if not slots:
            raise PlanError(f"the map has no slot for image {spec.name!r}", where=memory_map.procedure)
        flipped = memory_map.procedure == Procedure.BANK_FLIP
        places.append(
            Place(
                component=(spec.name.encode(),),
                slots=tuple(slots),
                staging=regions.get(f"stage:{spec.name}"),
                linked=tuple((slots[0] if flipped else slot).address for slot in slots),
                has_vectors=arm and spec.role is ImageRole.APPLICATION,
                trailer=spec.trailer_bytes,
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
        tuple(places),
        memories,
        tries_first=product.update.trial and _has_way_back(memory_map, places),
        envelope_bytes=capacity + (64 << 10),
        limits=Limits(commands=512, components=16),
    )
    flash = {memory.name: bytes([erased_byte(memory)]) * memory.size for memory in memories}
    device = DeviceState(settings, flash, installed.sequence if floor is None else floor, installed)
    code = {region.block for place in places for region in (*place.slots, place.staging) if region}
    for region in memory_map.regions:
        if region.block not in code:
            device = device.write(region, _pattern(region))
    for place in places:
        region = place.runs_in(0)
        device = device.write(region, images[place.component[0].decode()], offset=region.header)
    return device


def is_exchange(procedure: str) -> bool:
    """Whether a procedure lets staged and running images trade places."""
    return procedure in (Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING)


def _has_way_back(memory_map: Map, places: Sequence[Place]) -> bool:
    return is_exchange(memory_map.procedure) or any(len(place.slots) > 1 for place in places)


def erased_byte(memory: Memory) -> int:
    """Return what fills a region around its image: the erased value, or FF where nothing needs an erase."""
    return 0xFF if memory.erased is None else memory.erased


def is_fill_readable(memory: Memory) -> bool:
    """Whether what lies behind an image can be read and judged."""
    return memory.blank_read is BlankRead.VALUE or memory.erased is None


def _pattern(region: Region) -> bytes:
    block = hashlib.sha256(region.block.encode()).digest()
    return (block * (region.size // len(block) + 1))[: region.size]
