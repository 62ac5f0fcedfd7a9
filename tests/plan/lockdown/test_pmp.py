"""RV32 physical memory protection: entries decode to what was asked, and are the fewest."""

from __future__ import annotations

import json
import random
from itertools import pairwise, product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.errors import PlanError
from rootwright.plan.lockdown.pmp import (
    LOCK,
    SMEPMP_SOURCE,
    Entry,
    Match,
    R,
    Range,
    W,
    X,
    config_words,
    fewest_entries,
    napot_address,
    smepmp_bits,
    spans_of,
)
from rootwright.plan.lockdown.spans import Span, merged


def rights_by_word(entries: tuple[Entry, ...], words: int) -> list[int | None]:
    """The configuration that decides for each word, by the rules of the specification: the lowest match."""
    found: list[int | None] = []
    for word in range(words):
        hit = next((c for span, c in spans_of(entries) if span.start <= 4 * word < span.end), None)
        found.append(None if hit is None else hit & (LOCK | R | W | X))
    return found


# RISC-V privileged specification, table of NAPOT ranges: yyyy...yyy0 is 8 bytes, each further one doubles.
@pytest.mark.parametrize(
    ("base", "size", "address"),
    [
        (0x80000000, 0x8, 0x20000000),
        (0x80000000, 0x10, 0x20000001),
        (0x80000000, 0x20, 0x20000003),
        (0x20000000, 0x8000, 0x08000FFF),
        (0x20400000, 0x1000, 0x081001FF),
        (0x20400000, 0x4, 0x08100000),
    ],
)
def test_napot_addresses(base: int, size: int, address: int) -> None:
    assert napot_address(Span(base, base + size)) == address


@pytest.mark.parametrize("span", [Span(4, 12), Span(0, 12), Span(0, 2), Span(8, 24)])
def test_what_is_no_aligned_power_of_two_has_no_napot_address(span: Span) -> None:
    assert napot_address(span) is None


@pytest.mark.vectors
def test_published_entries(published_vectors: Path) -> None:
    rows = json.loads((published_vectors / "memory_protection" / "encodings.json").read_text())["riscv_pmp_napot"]
    for row in rows:
        base, size = int(row["base"], 16), int(row["size"], 16)
        for bits, key in ((R | W | X, "pmpcfg_RWX_unlocked"), (LOCK | R | X, "pmpcfg_RX_locked")):
            (entry,) = fewest_entries([Range(Span(base, base + size), bits)])
            assert entry == Entry(int(row["pmpaddr"], 16), int(row[key], 16))


WORDS = 6
MATCHES = [
    Entry(address, match << 3 | R)
    for match in Match
    for address in range(WORDS + 1)
    if match is not Match.NAPOT or address < WORDS
]


def fewest_by_search(wanted: list[int | None], limit: int) -> int:
    for count in range(limit + 1):
        for entries in product(MATCHES, repeat=count):
            if rights_by_word(entries, WORDS + 4) == wanted:
                return count
    return limit + 1


@pytest.mark.slow
def test_fewest_in_six_words_equals_exhaustive_search() -> None:
    # Any entries in any order, overlaps included: nothing does better than what is planned.
    for mask in range(1 << WORDS):
        spans = merged(Span(4 * n, 4 * n + 4) for n in range(WORDS) if mask >> n & 1)
        entries = fewest_entries([Range(span, R) for span in spans])
        wanted = [R if mask >> n & 1 else None for n in range(WORDS + 4)]
        assert rights_by_word(entries, WORDS + 4) == wanted
        assert len(entries) == min(len(entries), fewest_by_search(wanted, min(3, len(entries) - 1))), bin(mask)


def test_fewest_of_mixed_rights_equals_trying_every_way_of_writing_them() -> None:
    dice = random.Random(5)
    for _ in range(300):
        cuts = sorted(dice.sample(range(0, 32), dice.choice([2, 4, 6, 8])))
        ranges = [Range(Span(4 * a, 4 * b), dice.choice([R, R | X, R | W])) for a, b in pairwise(cuts)]
        ranges = [each for each in ranges if dice.random() < 0.8]
        best = 99
        for ways in product("nt", repeat=len(ranges)):
            entries: list[Entry] = []
            for way, each in zip(ways, ranges, strict=True):
                alone = napot_address(each.span)
                if way == "n":
                    if alone is None:
                        break
                    kind = Match.NA4 if each.span.size == 4 else Match.NAPOT
                    entries.append(Entry(alone, each.bits | kind << 3))
                    continue
                below = entries[-1].address if entries else 0
                if below != each.span.start >> 2 or (entries and entries[-1].match in (Match.NA4, Match.NAPOT)):
                    entries.append(Entry(each.span.start >> 2, 0))
                entries.append(Entry(each.span.end >> 2, each.bits | Match.TOR << 3))
            else:
                best = min(best, len(entries))
        assert len(fewest_entries(ranges)) == best


@pytest.mark.slow
@given(st.lists(st.integers(0, 2**20), min_size=2, max_size=10, unique=True), st.integers(0, 255))
def test_entries_decode_to_the_ranges(cuts: list[int], seed: int) -> None:
    cuts.sort()
    pairs = list(pairwise(cuts))
    ranges = [
        Range(Span(16 * a, 16 * b), [R, R | X, R | W, 0][(seed >> n) % 4] | LOCK) for n, (a, b) in enumerate(pairs)
    ]
    entries = fewest_entries(ranges, granule=16)
    assert [(span, config & ~0x18) for span, config in spans_of(entries)] == [(r.span, r.bits) for r in ranges]


def test_a_base_register_that_serves_a_locked_range_is_locked_and_off() -> None:
    # Else an unlocked entry of lower number could be switched on over the locked range, and would decide first.
    entries = fewest_entries([Range(Span(4, 16), LOCK | R)])
    assert entries == (Entry(1, LOCK), Entry(4, LOCK | R | Match.TOR << 3))
    assert fewest_entries([Range(Span(0, 12), LOCK | R)]) == (Entry(3, LOCK | R | Match.TOR << 3),)


def test_overlaps_and_odd_edges_are_refused() -> None:
    with pytest.raises(PlanError, match="share 0x8"):
        fewest_entries([Range(Span(0, 16), R), Range(Span(8, 24), R)])
    with pytest.raises(PlanError, match="granules of 4096"):
        fewest_entries([Range(Span(0, 256), R)], granule=4096)


def test_configuration_words() -> None:
    # Four entries to a word on RV32, the lowest number in the lowest byte (privileged specification, pmpcfg0).
    entries = [Entry(0, n) for n in (1, 2, 3, 4, 5)]
    assert config_words(entries) == (0x04030201, 0x00000005)


def test_smepmp_bits() -> None:
    # Smepmp 1.0, table for mseccfg.MML = 1: machine-only entries have the lock bit, shared code is LRWX 1010 or 1011.
    assert SMEPMP_SOURCE.startswith("RISC-V Smepmp")
    assert smepmp_bits("rx", "") == LOCK | R | X
    assert smepmp_bits("", "rx") == R | X
    assert smepmp_bits("x", "x") == LOCK | W
    assert smepmp_bits("r", "r") == LOCK | R | W | X
    with pytest.raises(PlanError, match="no encoding"):
        smepmp_bits("rwx", "")
