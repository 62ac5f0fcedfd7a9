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
    for wish in wishes:
        if wish.block in placed or wish.block in found or not isinstance(wish.value, int):
            continue
        region = map_.region(wish.block)
        if wish.kind == "at":
            found[wish.block] = Pin(wish.block, at=wish.value)
        elif wish.kind == "align":
            up = -(-region.address // wish.value) * wish.value
            size = -(-region.size // wish.value) * wish.value
            found[wish.block] = Pin(wish.block, at=up, size=size)
    return tuple(found.values())
