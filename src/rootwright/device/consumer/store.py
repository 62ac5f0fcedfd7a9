"""The component store over a device's memories: receives only where nothing runs, and measures what it stored."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from enum import Enum, auto

from rootwright.device.consumer.state import DeviceState, Place, is_fill_readable
from rootwright.layout.map import Region
from rootwright.release.packing import UnreadableImage
from rootwright.release.sections import MAPPED_HIGH, MAPPED_LOW
from rootwright.release.shape import erased_byte
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Reason
from rootwright.suit.outcome import Refused
from rootwright.suit.parameters import Parameters
from rootwright.suit.store import StoreRefusal
from rootwright.suit.structures import CborPen, ComponentIdentifier

#: Obtains the payload at a URI; None where that fails.
Fetch = Callable[[str], "bytes | None"]


class View(Enum):
    """Which bytes a component means, and what may be done to them.

    REHEARSAL is how both the application and the boot stage find out, before anything that runs is written, whether a
    manifest holds to its end: a copied or swapped component is read where its new image lies, and nothing moves.
    """

    OFFER = auto()  # what runs, until a new image was received; payloads may be received
    REHEARSAL = auto()  # what will run; nothing is written
    RUNNING = auto()  # what runs; the boot stage copies and swaps


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
        moved: Components that a copy or swap gave their new image, with its size.
        given: Staging components whose new image a swap took, and which hold the old one.
    """

    def __init__(self, device: DeviceState, fetch: Fetch, view: View) -> None:
        self.device = device
        self.view = view
        self.fetched: list[str] = []
        self.written: list[str] = []
        self.started: list[str] = []
        self.received: dict[ComponentIdentifier, int] = {}
        self.measured: dict[ComponentIdentifier, int] = {}
        self.moved: dict[ComponentIdentifier, int] = {}
        self.given: set[ComponentIdentifier] = set()
        self._lies_in: dict[ComponentIdentifier, Region] = {}
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
        """Return the slot that is to be written or will run, or the one that runs.

        Of flipped banks the slot number says how a bank is mapped when the next code starts: low, or high.
        """
        place = self.place(component)
        if self.device.settings.flips:
            return MAPPED_HIGH if self.view is View.OFFER else MAPPED_LOW
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
        if component in self.moved and size_bytes != self.moved[component]:
            text = f"{self.moved[component]} bytes were moved, the digest is stated for {size_bytes}"
            raise StoreRefusal("size-differs", text)
        if self.holds_new(component):
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
        """Copy a staged image to where it runs."""
        self.move(component, source, parameters, both=False)

    def swap(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Let a staged image and the one that runs trade places."""
        self.move(component, source, parameters, both=True)

    def invoke(self, component: ComponentIdentifier, parameters: Parameters) -> None:
        """Note that the boot stage starts the component's code."""
        self.started.append(self.place(component).image)

    # How

    def place(self, component: ComponentIdentifier) -> Place:
        """Return where a known component lives."""
        place = self.device.settings.find_place(component)
        assert place is not None, "the interpreter asks only for components that are known"
        return place

    def region(self, component: ComponentIdentifier) -> Region:
        """Return the region whose bytes the component means now."""
        place = self.place(component)
        if component in self._lies_in:
            return self._lies_in[component]
        if place.staging is not None:
            return place.slots[0] if component == place.component else place.staging
        if self.view is View.RUNNING or (self.view is View.OFFER and component not in self.received):
            return place.runs_in(self.device.running)
        return place.receives_in(self.device.running)

    def holds_new(self, component: ComponentIdentifier) -> bool:
        """Whether what the component means now is the new image; else it is what runs, as a precursor."""
        place = self.place(component)
        if place.staging is not None and component == place.component:
            return component in self.moved
        return (self.view is not View.OFFER or component in self.received) and component not in self.given

    def receive(self, component: ComponentIdentifier, obtain: Callable[[], bytes], parameters: Parameters) -> None:
        """Judge what the manifest says of the payload, obtain it, and store it; refuse it short or long."""
        place = self.place(component)
        region = place.receives_in(self.device.running)
        self.require_receiving(component, place)
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

    def require_receiving(self, component: ComponentIdentifier, place: Place) -> None:
        """Refuse to receive at any time but an offer's, and into a component that runs while its image waits."""
        if self.view is not View.OFFER:
            raise StoreRefusal("not-offered", "only an offer receives images", reason=Reason.COMMAND_UNSUPPORTED)
        if component != place.receiving:
            text = f"{self.region(component).block} runs; new images are received in {place.receives_in(0).block}"
            raise StoreRefusal("not-receiving", text)

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
        if not place.has_vectors or place.receiving not in self.received:
            return
        region, size = place.receives_in(self.device.running), self.received[place.receiving]
        start = place.linked_for(place.receiving_slot(self.device.running))
        content = self.device.read(region)
        at = region.header + place.wrapped + place.vectors
        size -= place.wrapped
        reset = int.from_bytes(content[at + 4 : at + 8], "little")
        if size < place.vectors + 8 or not reset & 1 or not start <= reset & ~1 < start + size:
            text = f"the reset vector 0x{reset:08x} is no code of an image of {size} bytes at 0x{start:08x}"
            raise Refused(Reason.OPERATION_FAILED, "image-format", text)

    def require_readable(self, place: Place) -> None:
        """Refuse an image that the boot stage's own format does not know; the reader speaks for the boot stage."""
        form = self.device.settings.form
        if form is None or place.about is None or place.receiving not in self.received:
            return
        slot = place.receiving_slot(self.device.running)
        region, size = place.receives_in(self.device.running), self.received[place.receiving]
        packed = self.device.read(region)[region.header : region.header + size]
        try:
            form.read(packed, replace(place.about, address=place.linked[slot]))
        except UnreadableImage as error:
            text = f"the boot stage reads no image of {size} bytes for {region.block}: {error}"
            raise Refused(Reason.OPERATION_FAILED, "image-format", text) from None

    def move(
        self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters, *, both: bool
    ) -> None:
        """Bring a staged image to where it runs; in a rehearsal only note where it is to be read."""
        place = self.place(component)
        if self.view is View.OFFER or not self.device.settings.is_staged or both != self.device.settings.exchanges:
            raise StoreRefusal("not-offered", "images do not move so here", reason=Reason.COMMAND_UNSUPPORTED)
        self.require_movable(component, source, place)
        self.require_identified(component)
        assert place.staging is not None
        run = place.slots[0]
        size = self.require_sizes(place, run, parameters)
        if self.measured[source] != size:
            text = f"{self.measured[source]} bytes were tested, {size} are to be moved"
            raise StoreRefusal("size-differs", text, reason=Reason.CONDITION_FAILED)
        self.moved[component] = size
        if both:
            self.given.add(source)
        if self.view is View.REHEARSAL:
            self._lies_in[component] = place.staging
            if both:
                self._lies_in[source] = run
            return
        old, new = self.device.read(run), self.device.read(place.staging)
        at = place.staging.header
        self.store(run, new[at : at + size], size)
        if both:
            # The old image moves as it is, fill and all, so that it comes back as it was.
            self.written.append(place.staging.block)
            self.device = self.device.write(place.staging, old[: place.staging.size])

    def require_movable(self, component: ComponentIdentifier, source: ComponentIdentifier, place: Place) -> None:
        """Refuse any move but one, of an image that was tested, from its own staging to where it runs."""
        if component != place.component or source != place.receiving:
            text = f"{self.region(component).block} takes no image from {self.region(source).block}"
            raise StoreRefusal("wrong-source", text)
        if component in self.moved:
            raise StoreRefusal("moved-twice", f"{place.slots[0].block} is written a second time")
        if source not in self.measured:
            text = f"the image in {self.region(source).block} moves before its digest was tested"
            raise StoreRefusal("source-not-tested", text, reason=Reason.CONDITION_FAILED)

    def rehearse(self) -> None:
        """Begin a rehearsal: from here on nothing is written."""
        self.view = View.REHEARSAL
        self.forget()

    def run(self) -> None:
        """Begin in earnest: where there are two slots, the new one is chosen or its bank mapped low."""
        self.view = View.RUNNING
        self.forget()
        if any(len(place.slots) > 1 for place in self.device.settings.places):
            self.device = replace(self.device, running=1 - self.device.running)

    def forget(self) -> None:
        """Forget what was measured, moved and started in a rehearsal."""
        self.measured.clear()
        self.moved.clear()
        self.given.clear()
        self._lies_in.clear()
        self.started.clear()


def put_back_images(device: DeviceState) -> DeviceState:
    """Return the device with its old images where they run: exchanged once more, or the other slot chosen."""
    for place in device.settings.places:
        if place.staging is None:
            continue
        new, old = device.read(place.slots[0]), device.read(place.staging)
        device = device.write(place.slots[0], old[: place.slots[0].size])
        device = device.write(place.staging, new[: place.staging.size])
    if any(len(place.slots) > 1 for place in device.settings.places):
        device = replace(device, running=1 - device.running)
    return device
