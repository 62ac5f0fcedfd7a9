"""The protection unit of Armv7-M and Armv6-M: regions of a power of two, with eight subregions each.

Armv7-M Architecture Reference Manual (DDI 0403), B3.5: a region is aligned to its size; from 256 bytes on it has eight
subregions that can be switched off; the highest-numbered region that matches decides. Armv6-M Architecture Reference
Manual (DDI 0419), B3.5: the same, with regions of at least 256 bytes and eight of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache, lru_cache

from rootwright.errors import PlanError
from rootwright.plan.lockdown.rights import Rights, Store
from rootwright.plan.lockdown.spans import Span, Spans

SOURCE = "Armv7-M ARM (DDI 0403), B3.5"
MPU_TYPE, MPU_CTRL, MPU_RNR, MPU_RBAR, MPU_RASR = 0xE000ED90, 0xE000ED94, 0xE000ED98, 0xE000ED9C, 0xE000EDA0

GRANULE = 32
SUBREGIONS_FROM = 8  # log2 of the smallest region with subregions
CTRL_ENABLE, CTRL_HFNMIENA, CTRL_PRIVDEFENA = 1, 2, 4

_AP = {("", ""): 0, ("rw", ""): 1, ("rw", "r"): 2, ("rw", "rw"): 3, ("r", ""): 5, ("r", "r"): 6}
_TYPE = {Store.FLASH: 1 << 17, Store.RAM: 1 << 18 | 1 << 17, Store.DEVICE: 1 << 18 | 1 << 16}  # S, C, B bits


@dataclass(frozen=True, slots=True)
class Block:
    """One region: its base, its size (a power of two) and the subregions that are switched off, bit 0 the lowest."""

    base: int
    size: int
    srd: int = 0

    def spans(self) -> tuple[Span, ...]:
        """Return the addresses that the region covers."""
        if not self.srd:
            return (Span(self.base, self.base + self.size),)
        part = self.size // 8
        starts = [self.base + n * part for n in range(8) if not self.srd >> n & 1]
        return tuple(Span(start, start + part) for start in starts)


Found = tuple[int, tuple[Block, ...]]
"""How many regions a node of the tree needs, and which."""


def fewest_blocks(must: Iterable[Span], may: Iterable[Span] = (), *, smallest: int = 32) -> tuple[Block, ...]:
    """Return the fewest regions whose union holds all of `must` and nothing outside `must` and `may`.

    All regions get one set of rights, so only their union matters. The search is exact: a region is a node of the
    binary tree of aligned blocks and covers those of its great-grandchildren that are allowed; what a node needs
    depends on nothing but which of its last three ancestors were taken.

    Args:
        smallest: Size of the smallest region in bytes: 32, or 256 for Armv6-M.

    Raises:
        PlanError: An address is not a multiple of 32 bytes, or Armv6-M cannot cover it.
    """
    must = tuple(must)
    return _fewest(must, (*must, *may), smallest)


@lru_cache(256)  # a product's blocks are asked about again for every set of write protections that is tried
def _fewest(must: tuple[Span, ...], either: tuple[Span, ...], smallest: int) -> tuple[Block, ...]:
    need, allowed = Spans(must), Spans(either)
    for span in (*need.spans, *allowed.spans):
        if span.start % GRANULE or span.end % GRANULE:
            raise PlanError(
                f"0x{span.start:X} to 0x{span.end:X} is not made of whole granules of {GRANULE} bytes",
                next_step="align the block",
            )
    lowest = smallest.bit_length() - 1
    impossible: Found = (1 << 30, ())

    @cache
    def solve(level: int, base: int, one: bool, two: bool, three: bool) -> Found:
        end = base + (1 << level)
        if not need.meets(base, end):
            return (0, ())
        if allowed.holds(base, end):
            if one or two or three:
                return (0, ())
            return (1, (_block(base, level, need, allowed),)) if level >= lowest else impossible
        if level == 5:
            return impossible
        best = _joined(solve, level, base, (False, one, two))
        if level >= max(SUBREGIONS_FROM, lowest):
            count, blocks = _joined(solve, level, base, (True, one, two))
            if count + 1 < best[0]:
                best = (count + 1, (_block(base, level, need, allowed), *blocks))
        return best

    count, blocks = solve(32, 0, False, False, False)
    if count >= impossible[0]:
        raise PlanError(
            "no set of regions covers exactly these addresses", next_step=f"align the blocks to {smallest} bytes"
        )
    return tuple(sorted(blocks, key=lambda block: (block.base, block.size)))


def _joined(
    solve: Callable[[int, int, bool, bool, bool], Found], level: int, base: int, flags: tuple[bool, bool, bool]
) -> Found:
    half = 1 << (level - 1)
    low = solve(level - 1, base, *flags)
    high = solve(level - 1, base + half, *flags)
    return (low[0] + high[0], low[1] + high[1])


def _block(base: int, level: int, need: Spans, allowed: Spans) -> Block:
    """Return the region at a node; subregions that are not allowed, or that nothing needs, are switched off."""
    size = 1 << level
    srd = 0
    if level >= SUBREGIONS_FROM:
        part = size // 8
        for n in range(8):
            start = base + n * part
            if not allowed.holds(start, start + part) or not need.meets(start, start + part):
                srd |= 1 << n
    return Block(base, size, srd)


def rbar(block: Block, number: int) -> int:
    """Return MPU_RBAR with VALID set, so that the write also selects the region."""
    return block.base | 1 << 4 | number


def rasr(block: Block, rights: Rights, store: Store) -> int:
    """Return MPU_RASR of an enabled region.

    Raises:
        PlanError: The unit has no access permission for these rights.
    """
    pair = (rights.privileged, rights.unprivileged)
    if pair not in _AP:
        raise PlanError(f"Armv7-M has no access permission for {rights.words}", next_step="choose other rights")
    never = 0 if rights.execute else 1 << 28
    size = block.size.bit_length() - 2
    return never | _AP[pair] << 24 | _TYPE[store] | block.srd << 8 | size << 1 | 1
