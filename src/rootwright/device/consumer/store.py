"""The component store over a device's memories: receives only where nothing runs, and measures what it stored."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from enum import Enum, auto

from rootwright.device.consumer.state import DeviceState, Place, erased_byte, is_exchange, is_fill_readable
from rootwright.layout.map import Region
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Reason
from rootwright.suit.outcome import Refused
from rootwright.suit.parameters import Parameters
from rootwright.suit.store import StoreRefusal
from rootwright.suit.structures import CborPen, ComponentIdentifier

#: Obtains the payload at a URI; None where that fails.
Fetch = Callable[[str], "bytes | None"]


class View(Enum):
    """Which bytes a component means."""

    OFFER = auto()  # what runs, until a new image was received
    RECEIVED = auto()  # what was received
    RUNNING = auto()  # what runs


class FlashStore:
    """Implements `rootwright.suit.store.ComponentStore` over the memories of one device.

    Args:
        device: The device; it is not changed, `device` is the state so far.
        fetch: Obtains payloads.
        view: Which bytes a component means.

    Attributes:
        fetched, written, started: For the report.
        received: Components whose new image is wholly stored.
        measured: Components whose digest was asked for, with the size.
    """

    def __init__(self, device: DeviceState, fetch: Fetch, view: View) -> None:
        self.device = device
        self.view = view
        self.fetched: list[str] = []
        self.written: list[str] = []
        self.started: list[str] = []
        self.received: dict[ComponentIdentifier, int] = {}
        self.measured: dict[ComponentIdentifier, int] = {}
        self._identified: dict[ComponentIdentifier, set[str]] = {}
        self._fetch = fetch

    # Questions

    def lowest_sequence_number(self) -> int:
        """Return the floor, or the number of what is installed where that is higher."""
        return max(self.device.floor, self.device.installed.sequence)

    def is_known(self, component: ComponentIdentifier) -> bool:
        """Whether the device has this component."""
        return self.device.settings.find_place(component) is not None

    def vendor_identifiers(self, component: ComponentIdentifier) -> Collection[bytes | CborPen]:
        """Return the one vendor identifier."""
        self._identified.setdefault(component, set()).add("vendor")
        return [self.device.settings.vendor]

    def class_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return the one class identifier."""
        self._identified.setdefault(component, set()).add("class")
        return [self.device.settings.class_id]

    def device_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return none: the reference device is not told apart from its sisters."""
        return []

    def read_slot(self, component: ComponentIdentifier) -> int:
        """Return the slot that is to be written, or the one that runs."""
        place = self.place(component)
        if self.view is View.RUNNING:
            return self.device.running if len(place.slots) > 1 else 0
        return place.receiving_slot(self.device.running)

    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        """Return the digest of the image in memory; refuse a size of none, and anything but fill behind a new image."""
        place = self.place(component)
        region = self.region(component)
        if size_bytes is None:
            raise StoreRefusal("no-size", "the manifest states no size for the image")
        if size_bytes > place.capacity(region):
            raise StoreRefusal("image-too-large", f"{size_bytes} bytes, region {region.block} has less")
        if self.view is not View.OFFER or component in self.received:
            self.require_nothing_behind(region, size_bytes)
        self.measured[component] = size_bytes
        content = self.device.read(region)
        return compute(content[region.header : region.header + size_bytes], algorithm).value

    def read_content(self, component: ComponentIdentifier, size_bytes: int) -> bytes:
        """Refuse: this device compares no content."""
        raise StoreRefusal("not-offered", "this device compares no content", reason=Reason.COMMAND_UNSUPPORTED)

    # Operations

    def write(self, component: ComponentIdentifier, content: bytes, parameters: Parameters) -> None:
        """Receive an integrated payload."""
        self.receive(component, lambda: content, parameters)

    def fetch(self, component: ComponentIdentifier, uri: str, parameters: Parameters) -> None:
        """Receive the payload at a URI; it is asked for once, after everything about it was judged."""
        if uri.startswith("#"):
            raise StoreRefusal("not-available", f"the envelope holds no payload {uri}")

        def obtain() -> bytes:
            self.fetched.append(uri)
            content = self._fetch(uri)
            if content is None:
                raise StoreRefusal("not-available", f"nothing came from {uri}")
            return bytes(content)

        self.receive(component, obtain, parameters)

    def copy(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Refuse: images move by the boot stage alone."""
        raise StoreRefusal("not-offered", "this device copies no component", reason=Reason.COMMAND_UNSUPPORTED)

    def swap(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Refuse: images move by the boot stage alone."""
        raise StoreRefusal("not-offered", "this device swaps no components", reason=Reason.COMMAND_UNSUPPORTED)

    def invoke(self, component: ComponentIdentifier, parameters: Parameters) -> None:
        """Note that the boot stage starts the component's code."""
        self.started.append(self.place(component).component[0].decode())

    # How

    def place(self, component: ComponentIdentifier) -> Place:
        """Return where a known component lives."""
        place = self.device.settings.find_place(component)
        assert place is not None, "the interpreter asks only for components that are known"
        return place

    def region(self, component: ComponentIdentifier) -> Region:
        """Return the region whose bytes the component means now."""
        place = self.place(component)
        if self.view is View.RUNNING or (self.view is View.OFFER and component not in self.received):
            return place.runs_in(self.device.running)
        return place.receives_in(self.device.running)

    def receive(self, component: ComponentIdentifier, obtain: Callable[[], bytes], parameters: Parameters) -> None:
        """Judge what the manifest says of the payload, obtain it, and store it; refuse it short or long."""
        place = self.place(component)
        region = place.receives_in(self.device.running)
        self.require_identified(component)
        size = self.require_sizes(place, region, parameters)
        if component in self.received:
            raise StoreRefusal("received-twice", f"component {region.block} is fetched a second time")
        content = obtain()
        self.store(region, content, size)
        if len(content) < size:
            raise StoreRefusal("payload-too-short", f"{len(content)} bytes came, the manifest states {size}")
        self.require_no_more(content, size)
        self.received[component] = size

    def store(self, region: Region, content: bytes, size: int) -> None:
        """Erase a region and program the first `size` bytes of what came, as a device does while it comes in."""
        self.written.append(region.block)
        fill = bytes([erased_byte(self.device.settings.memory(region.memory))])
        kept = content[:size]
        behind = region.size - region.header - len(kept)
        self.device = self.device.write(region, fill * region.header + kept + fill * behind)

    def require_identified(self, component: ComponentIdentifier) -> None:
        """Refuse to fetch for a component before vendor and class were tested for it."""
        missing = {"vendor", "class"} - self._identified.get(component, set())
        if missing:
            text = f"fetched before the {min(missing)} identifier was tested"
            raise StoreRefusal("no-identity-check", text, reason=Reason.CONDITION_FAILED)

    def require_sizes(self, place: Place, region: Region, parameters: Parameters) -> int:
        """Return the stated size, which must fit the region; refuse an image without size or digest."""
        if parameters.image_digest is None:
            raise StoreRefusal("no-digest", "the manifest states no digest for the image")
        if parameters.image_size is None:
            raise StoreRefusal("no-size", "the manifest states no size for the image")
        if parameters.image_size == 0:
            raise StoreRefusal("image-empty", "the manifest states a size of 0 bytes")
        capacities = [(place.capacity(slot), slot.block) for slot in (region, *place.slots)]
        capacity, block = min(capacities, key=lambda pair: pair[0])
        if parameters.image_size > capacity:
            raise StoreRefusal("image-too-large", f"{parameters.image_size} bytes, region {block} takes {capacity}")
        return parameters.image_size

    def require_no_more(self, content: bytes, size: int) -> None:
        """Refuse data that follows the image (RFC 9124 section 4.2.15)."""
        if len(content) > size:
            raise StoreRefusal("payload-too-long", f"{len(content)} bytes came, the manifest states {size}")

    def require_nothing_behind(self, region: Region, size: int) -> None:
        """Refuse a region that holds anything but fill around its image, where fill can be read."""
        memory = self.device.settings.memory(region.memory)
        if not is_fill_readable(memory):
            return
        content = self.device.read(region)
        around = content[: region.header] + content[region.header + size :]
        if around.strip(bytes([erased_byte(memory)])):
            text = f"region {region.block} holds data around the image of {size} bytes"
            raise StoreRefusal("extra-data", text, reason=Reason.CONDITION_FAILED)

    def require_linked_here(self, place: Place) -> None:
        """Refuse an application whose reset vector does not point into itself, at the place it will run."""
        if not place.has_vectors or place.component not in self.received:
            return
        region, size = place.receives_in(self.device.running), self.received[place.component]
        start = place.linked_for(place.receiving_slot(self.device.running))
        content = self.device.read(region)
        reset = int.from_bytes(content[region.header + 4 : region.header + 8], "little")
        if size < 8 or not reset & 1 or not start <= reset & ~1 < start + size:
            text = f"the reset vector 0x{reset:08x} is no code of an image of {size} bytes at 0x{start:08x}"
            raise Refused(Reason.OPERATION_FAILED, "image-format", text)

    def move(self) -> None:
        """Put received images where they run, as the finished procedure leaves them."""
        device = self.device
        for place in device.settings.places:
            if place.staging is None:
                continue
            old, new = device.read(place.slots[0]), device.read(place.staging)
            device = device.write(place.slots[0], new[: place.slots[0].size])
            if is_exchange(device.settings.procedure):
                device = device.write(place.staging, old[: place.staging.size])
            self.written.append(place.slots[0].block)
        if any(len(place.slots) > 1 for place in device.settings.places):
            device = replace(device, running=1 - device.running)
        self.device = device
