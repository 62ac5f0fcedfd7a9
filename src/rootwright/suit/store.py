"""What the interpreter asks of a device: the component store, and one held in memory for trials and tests."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from rootwright.errors import RootwrightError
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Reason
from rootwright.suit.parameters import Parameters
from rootwright.suit.structures import CborPen, ComponentIdentifier


class StoreRefusal(RootwrightError):
    """A component store cannot do or read what a command asks; the command fails, and the rest is left alone.

    Args:
        code: Short constant word for programs, such as `no-source`.
        found: For people.
        reason: Report reason; by default a failed condition or a failed operation, by the kind of the command.
    """

    def __init__(self, code: str, found: str, *, reason: Reason | None = None) -> None:
        self.code = code
        self.reason = reason
        super().__init__(found)


class ComponentStore(Protocol):
    """The device as the interpreter sees it. Questions change nothing; operations may raise StoreRefusal."""

    def lowest_sequence_number(self) -> int:
        """Return the lowest manifest sequence number that is accepted now: the rollback floor."""

    def is_known(self, component: ComponentIdentifier) -> bool:
        """Whether the device has this component."""

    def vendor_identifiers(self, component: ComponentIdentifier) -> Collection[bytes | CborPen]:
        """Return the vendor identifiers that the component answers to."""

    def class_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return the class identifiers that the component answers to."""

    def device_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return the device identifiers that the component answers to."""

    def read_slot(self, component: ComponentIdentifier) -> int:
        """Return the index of the slot that the component means now."""

    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        """Return the digest of the component's first `size_bytes`, or of all it holds where that is None."""

    def read_content(self, component: ComponentIdentifier, size_bytes: int) -> bytes:
        """Return the component's first `size_bytes`, or all it holds where that is less."""

    def write(self, component: ComponentIdentifier, content: bytes, parameters: Parameters) -> None:
        """Store content: of a write directive, or of an integrated payload that a fetch directive named."""

    def fetch(self, component: ComponentIdentifier, uri: str, parameters: Parameters) -> None:
        """Obtain the payload at a URI and store it."""

    def copy(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Store what the source holds, decrypting it where `parameters` has encryption information."""

    def swap(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Let two components trade their contents."""

    def invoke(self, component: ComponentIdentifier, parameters: Parameters) -> None:
        """Start what the component holds, or note that it is to be started."""


@dataclass(slots=True)
class MemoryStore:
    """A component store in memory, that notes every operation; for trials and tests, not a model of any flash.

    Attributes:
        contents: What each component holds; a component that is not a key is not known.
        remote: What each URI yields.
        vendors, classes, devices: Identifiers that every component answers to.
        slots: Slot index by component; 0 where not listed.
        floor: Lowest sequence number accepted.
        operations: What was done, in order.
    """

    contents: dict[ComponentIdentifier, bytes]
    remote: Mapping[str, bytes] = field(default_factory=dict)
    vendors: Collection[bytes | CborPen] = ()
    classes: Collection[bytes] = ()
    devices: Collection[bytes] = ()
    slots: Mapping[ComponentIdentifier, int] = field(default_factory=dict)
    floor: int = 0
    operations: list[tuple[str, ComponentIdentifier]] = field(default_factory=list)

    def lowest_sequence_number(self) -> int:
        """Return the floor."""
        return self.floor

    def is_known(self, component: ComponentIdentifier) -> bool:
        """Whether the component is a key of `contents`."""
        return component in self.contents

    def vendor_identifiers(self, component: ComponentIdentifier) -> Collection[bytes | CborPen]:
        """Return the same vendors for every component."""
        return self.vendors

    def class_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return the same classes for every component."""
        return self.classes

    def device_identifiers(self, component: ComponentIdentifier) -> Collection[bytes]:
        """Return the same devices for every component."""
        return self.devices

    def read_slot(self, component: ComponentIdentifier) -> int:
        """Return the component's slot."""
        return self.slots.get(component, 0)

    def read_digest(self, component: ComponentIdentifier, algorithm: int, size_bytes: int | None) -> bytes:
        """Return the digest; content of another size than stated is refused, longer content as well."""
        content = self.contents[component]
        if size_bytes is not None and len(content) != size_bytes:
            raise StoreRefusal("size-differs", f"the component holds {len(content)} bytes, expected {size_bytes}")
        return compute(content, algorithm).value

    def read_content(self, component: ComponentIdentifier, size_bytes: int) -> bytes:
        """Return all that the component holds, so that longer content does not pass for equal."""
        return self.contents[component]

    def _refuse_encrypted(self, parameters: Parameters) -> None:
        if parameters.encryption_info is not None:
            raise StoreRefusal(
                "no-decryption", "this store holds no decryption key", reason=Reason.PARAMETER_UNSUPPORTED
            )

    def write(self, component: ComponentIdentifier, content: bytes, parameters: Parameters) -> None:
        """Replace the component's content."""
        self._refuse_encrypted(parameters)
        self.contents[component] = content
        self.operations.append(("write", component))

    def fetch(self, component: ComponentIdentifier, uri: str, parameters: Parameters) -> None:
        """Replace the component's content by what `remote` has for the URI."""
        self._refuse_encrypted(parameters)
        if uri not in self.remote:
            raise StoreRefusal("not-available", f"nothing is at {uri}")
        self.contents[component] = self.remote[uri]
        self.operations.append(("fetch", component))

    def copy(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Replace the component's content by the source's."""
        self._refuse_encrypted(parameters)
        self.contents[component] = self.contents[source]
        self.operations.append(("copy", component))

    def swap(self, component: ComponentIdentifier, source: ComponentIdentifier, parameters: Parameters) -> None:
        """Exchange the two contents."""
        self.contents[component], self.contents[source] = self.contents[source], self.contents[component]
        self.operations.append(("swap", component))

    def invoke(self, component: ComponentIdentifier, parameters: Parameters) -> None:
        """Note the invocation."""
        self.operations.append(("invoke", component))
