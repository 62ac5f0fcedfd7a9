"""Whatever bytes come in: a chip file that parses, or our error; never anything else, never much time."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from part_files import PART, elf_with, flash_device

from rootwright.bring.chip_import import import_chip
from rootwright.describe.loading import read_chip_text
from rootwright.errors import RootwrightError

SEEDS = {path.name: path.read_bytes() for path in PART.iterdir() if path.suffix != ".c"}
pytestmark = pytest.mark.slow


def try_importing(files: dict[str, bytes]) -> None:
    refused: RootwrightError | None = None
    try:
        made = import_chip(files, out="part.toml", device="QD-256")
    except RootwrightError as error:
        refused = error
    if refused is not None:
        assert refused.where
        assert refused.next_step
        return
    chip = read_chip_text(made.text, name="part.toml")
    assert chip.memories


pieces = st.sampled_from(
    [
        b"<",
        b">",
        b"/",
        b"0x",
        b"-",
        b"{",
        b"}",
        b";",
        b"&",
        b"(",
        b"0xFFFFFFFF",
        b"99999999999",
        b"\0",
        b"\xff",
        b'"',
        b"%s",
    ]
)
changes = st.lists(
    st.tuples(st.integers(0, 1 << 16), st.integers(0, 40), pieces | st.binary(max_size=6)), min_size=1, max_size=6
)


@settings(max_examples=800)
@given(st.sampled_from(sorted(SEEDS)), changes, st.integers(0, 1 << 16))
def test_real_files_with_bytes_changed_or_cut(seed: str, changed: list[tuple[int, int, bytes]], cut: int) -> None:
    data = bytearray(SEEDS[seed])
    for at, length, piece in changed:
        start = at % len(data)
        data[start : start + length] = piece
    if cut % 4 == 0:
        del data[cut % (len(data) or 1) :]
    try_importing({seed: bytes(data)})


@settings(max_examples=300)
@given(
    st.sampled_from([b"", b"<package>", b"<device>", b"/dts-v1/; / {", b"\x7fELF\1\1\1", b"\xff\xfe<\0"]),
    st.binary(max_size=300),
)
def test_random_bytes(start: bytes, rest: bytes) -> None:
    try_importing({"f": start + rest})


words = st.sampled_from([0, 1, 3, 4, 256, 0x800, 0x1000, 0x4_0000, 0x40_0000, 0x2000_0000, 0xFFFF_F000, 0xFFFF_FFFF])


@settings(max_examples=500)
@given(
    words,
    words,
    st.integers(0, 0xFF),
    st.integers(0, 6),
    st.lists(st.tuples(words, words), max_size=4),
    st.booleans(),
    st.sampled_from(["", "qd-256.pdsc", "qd-256.dts", "qd-256.svd"]),
)
def test_structures_that_lie_beside_files_that_do_not(
    base: int, size: int, empty: int, kind: int, sectors: list[tuple[int, int]], ended: bool, beside: str
) -> None:
    pattern = [*sectors, *([(0xFFFFFFFF, 0xFFFFFFFF)] if ended else [])]
    body = flash_device(base=base, size=size, empty=empty, kind=kind, sectors=pattern)
    files = {"a.flm": elf_with("DevDscr", body)}
    if beside:
        files[beside] = SEEDS[beside]
    try_importing(files)


cells = st.sampled_from(["0", "1", "2", "0x400000", "0x40000", "2048", "8", "3", "(1 << 31)", "0xFFFFFFFFFFFFFFFF"])


@settings(max_examples=400)
@given(st.lists(cells, max_size=6), st.lists(cells, max_size=9), cells, cells, cells, cells)
def test_devicetrees_with_any_cells(
    reg: list[str], ranges: list[str], erase: str, write: str, wide: str, long: str
) -> None:
    text = f"""/ {{ #address-cells = <{wide}>; #size-cells = <{long}>; bus {{ #address-cells = <1>; #size-cells = <1>;
      ranges = <{" ".join(ranges)}>; f {{ reg = <{" ".join(reg)}>; erase-block-size = <{erase}>;
      write-block-size = <{write}>; }}; }}; m {{ device_type = "memory"; reg = <{" ".join(reg)}>; }}; }};"""
    try_importing({"a.dts": text.encode()})


numbers = st.sampled_from(["0", "0x400000", "0x1000", "3", "0x40000000", "#1x1", "", "-1", "0xFFFFFFFF", "1e9"])


@settings(max_examples=300)
@given(numbers, numbers, numbers, numbers, numbers, st.sampled_from(["P", "P.R", "Q", "R", "P.C.R", ""]))
def test_register_descriptions_with_any_numbers(a: str, b: str, c: str, d: str, e: str, derived: str) -> None:
    text = f"""<device><name>N</name><peripherals><peripheral><name>P</name><baseAddress>{a}</baseAddress><registers>
      <register derivedFrom="{derived}"><name>R</name><addressOffset>{b}</addressOffset><size>{c}</size></register>
      <cluster derivedFrom="{derived}"><name>C%s</name><addressOffset>{b}</addressOffset><dim>{d}</dim>
      <dimIncrement>{e}</dimIncrement><register><name>R</name><addressOffset>0</addressOffset></register></cluster>
      </registers></peripheral><peripheral derivedFrom="{derived}"><name>Q</name><baseAddress>{e}</baseAddress>
      </peripheral></peripherals></device>"""
    try_importing({"a.svd": text.encode()})
