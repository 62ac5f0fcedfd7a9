"""Wishes of the lock-down on the map, as pins that a plan can take in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rootwright.describe.product import Pin, Product
from rootwright.layout.map import Constraint, Map
from rootwright.plan.root_of_trust import Foundation


@dataclass(frozen=True, slots=True)
class Granted:
    """Whether the map can give way.

    Attributes:
        pins: Pins with which a map exists that leaves no wish open; empty where there is none.
        isolation: What isolation then rests on.
        reason: Why there is none.
    """

    pins: tuple[Pin, ...]
    isolation: Foundation | None
    reason: str


def pins_of(product: Product, map_: Map, wishes: Iterable[Constraint]) -> tuple[Pin, ...]:
    """Return a pin for each block that a wish names and the product has not placed itself, the first wish of each.

    "at" becomes an address; "align" the next multiple, with a size of whole multiples.
    """
    placed = {pin.block for pin in product.pins if pin.at is not None}
    placed |= {f"keep:{keep.name}" for keep in product.keep if keep.at is not None}
    found: dict[str, Pin] = {}
    low: dict[str, int] = {}
    order = {region.block: (region.memory, region.address) for region in map_.regions}
    for wish in sorted(wishes, key=lambda wish: order[wish.block]):
        if wish.block in placed or wish.block in found or not isinstance(wish.value, int):
            continue
        region = map_.region(wish.block)
        if wish.kind == "at":
            found[wish.block] = Pin(wish.block, at=wish.value)
        elif wish.kind == "align":
            # Blocks that all move up must not meet: each starts behind the one below.
            start = max(region.address, low.get(region.memory, 0))
            up = -(-start // wish.value) * wish.value
            size = -(-region.size // wish.value) * wish.value
            low[region.memory] = up + size
            found[wish.block] = Pin(wish.block, at=up, size=size)
    return tuple(found.values())
