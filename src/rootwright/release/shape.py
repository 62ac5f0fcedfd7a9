"""The shape of a release: what moves where, by which of our own procedures a product's procedure updates."""

from __future__ import annotations

from collections.abc import Sequence

from rootwright.describe.chip import Memory
from rootwright.describe.product import Procedure, Product
from rootwright.errors import ReleaseRefused
from rootwright.layout.map import Map
from rootwright.suit.structures import ComponentIdentifier

RUN, STAGE = b"run", b"stage"
"""Second part of a component identifier: where code runs from, and where a new image waits."""

EXCHANGES = (Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING)
STAGED = (Procedure.COPY_OVER, *EXCHANGES)
TWO_SLOTS = (Procedure.EITHER_SLOT, Procedure.BANK_FLIP)


def run_component(image: str) -> ComponentIdentifier:
    """Return the identifier of an image where its code runs from; with two slots, of the slot that is meant.

    >>> run_component("radio")
    (b'radio', b'run')
    """
    return (image.encode(), RUN)


def stage_component(image: str) -> ComponentIdentifier:
    """Return the identifier of an image where it waits for the boot stage."""
    return (image.encode(), STAGE)


def default_shape(blocks: Sequence[str]) -> Procedure:
    """Return what an own procedure is released like where its class says nothing: by the blocks it asks for.

    >>> default_shape(["boot", "run:application", "second:application"]).value
    'either-slot'
    """
    if any(block.startswith("second:") for block in blocks):
        return Procedure.EITHER_SLOT
    return Procedure.COPY_OVER if any(block.startswith("stage:") for block in blocks) else Procedure.IN_PLACE


def find_shape(product: Product, memory_map: Map, like: str | None = None) -> Procedure:
    """Return the procedure of ours whose manner a map's release has.

    Args:
        product: Whose images the map must have regions for.
        memory_map: The map of the product's procedure.
        like: For a procedure of the user's own, which of ours its release is like; by default judged by its blocks.

    Raises:
        ReleaseRefused: `like` is no procedure of ours, or the map lacks a region that such a release moves.
    """
    names = [procedure.value for procedure in Procedure]
    if memory_map.procedure in names:
        shape = Procedure(memory_map.procedure)
    elif like is None:
        shape = default_shape([region.block for region in memory_map.regions])
    elif isinstance(like, str) and like in names:
        shape = Procedure(like)
    else:
        raise ReleaseRefused(
            f"release_like is {like!r}, which is no update procedure",
            where=memory_map.procedure,
            next_step=f"use one of: {', '.join(names)}",
        )
    prefixes = ["run"]
    if shape in STAGED:
        prefixes.append("stage")
    if shape in TWO_SLOTS:
        prefixes.append("second")
    placed = {region.block for region in memory_map.regions}
    for spec in product.updatable_images:
        for prefix in prefixes:
            if f"{prefix}:{spec.name}" not in placed:
                raise ReleaseRefused(
                    f"the memory map has no region {prefix}:{spec.name}, which a release like {shape.value} writes",
                    where=memory_map.procedure,
                    next_step="use the map of the product's own procedure, or another release_like in its class",
                )
    return shape


def erased_byte(memory: Memory) -> int:
    """Return what fills a region around its image: the erased value, or FF where nothing needs an erase."""
    return 0xFF if memory.erased is None else memory.erased
