"""Any number of cuts on the real code: small programs of each kind of failure, and the records that logs are made of.

The demo's builds, and the agreement with the exploration of whole flash contents, are in
tests/demo_bench_boot/test_bench_boot_matrix.py.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.bench.closure.contents import Contents, cell_edges
from rootwright.bench.closure.exploration import Explored, explore_start
from rootwright.bench.closure.records import Half, Layout, Records, Whole
from rootwright.bench.closure.verdict import BoundedResult, ClosureResult, try_cuts
from rootwright.bench.closure.world import find_newest
from rootwright.bench.flash import BLANK, PROGRAMMED, TORN, FlashContent
from rootwright.bench.subject import Subject
from rootwright.describe.bench import LogFormat
from rootwright.describe.loading import load_chip
from rootwright.device.content import FOREIGN, Kind, kind_of
from rootwright.device.content import PROGRAMMED as ALL_PROGRAMMED
from rootwright.device.ground import GroundSector
from rootwright.device.port import BLANK as BLANK_CELL
from rootwright.device.port import FAULT, Cell, Version
from rootwright.errors import BenchError

ROOT = Path(__file__).resolve().parents[2]
LOG = LogFormat("journal", 0x4000, 0x2000, 16, 8, 8, 12, 12, 4)
VERSIONS = {Version(-1): 1, Version(0): 2, Version(1): 3}


def records() -> Records:
    return Records(LOG, 8, VERSIONS)


def whole(kind: bytes = b"KEPT", version: int | None = None) -> Whole:
    return Whole(kind.ljust(16, b"\0"), None if version is None else Version(version))


# Records and layouts


def test_a_record_is_what_the_program_writes() -> None:
    """CRC-32 of ITU-T V.42 and IEEE 802.3, as the standard library computes it."""
    body = struct.pack("<4sII", b"LEAS", 3, 7)
    entry = body + struct.pack("<I", zlib.crc32(body))
    assert records().read(entry) == (7, whole(b"LEAS", 1))
    assert records().write(whole(b"LEAS", 1), 7) == entry
    for at in range(16):
        assert records().read(entry[:at] + bytes([entry[at] ^ 1]) + entry[at + 1 :]) is None


LAYOUTS = st.builds(
    Layout,
    blank=st.integers(0, 6),
    half=st.integers(0, 1),
    number=st.integers(20, 2**32 - 1),
    wraps=st.booleans(),
    residue=st.sampled_from(["old", "torn", "blank"]),
    spoilt=st.booleans(),
)
NEWEST = st.one_of(
    st.just(whole()),
    st.just(Half(whole(), (b"", None))),
    st.just(Half(whole(), (b"COPY\0\0\0\0", None))),
    st.just(Half(whole(), (b"COPY\0\0\0\0", b""))),
)


@pytest.fixture(scope="module")
def flash() -> FlashContent:
    return FlashContent(load_chip(ROOT / "demo" / "river-gauge" / "gx-512.toml").memory("flash"))


@given(newest=NEWEST, layout=LAYOUTS, older=st.lists(st.sampled_from([whole(b"COPY"), whole(b"TRIL")]), max_size=3))
def test_in_every_layout_the_newest_record_is_the_newest(
    newest: Whole | Half, layout: Layout, older: list[Whole], flash: FlashContent
) -> None:
    made = records()
    flash.set(LOG.at, b"\xff" * LOG.size, bytes(LOG.size // 8))
    for placed in made.lay_out(newest, tuple(older), layout):
        for number, unit in enumerate(placed.units):
            at = made.address(placed.half, placed.place) + 8 * number
            if unit is not None:
                flash.set(at, unit or bytes(8), bytes([PROGRAMMED if unit else TORN]))
    assert find_newest(made, flash)[0] == whole()


def test_what_remains_of_a_record_is_each_stage_of_its_writing() -> None:
    found = [half.units for half in records().remains(whole())]
    first = records().split(records().write(whole(), 1))[0]
    assert found == [(b"", None), (first, None), (first, b"")]


# Contents


def test_equal_bytes_have_the_equal_number_and_come_back() -> None:
    contents = Contents(GroundSector("run", "flash", 0, 4096, 3, 0), 8, coded=True)
    image = contents.declare(Kind.NEXT, 0, 4, b"x" * 16)
    assert contents.number(b"x" * 16, bytes([PROGRAMMED] * 2)) == image
    assert kind_of(Cell(image)) == (Kind.NEXT, 0, 4)
    half = contents.number(b"x" * 8 + b"\xff" * 8, bytes([PROGRAMMED, BLANK]))
    torn = contents.without_unit(b"x" * 16, bytes([PROGRAMMED] * 2), 1)
    numbers = [int(BLANK_CELL), int(FAULT), int(FOREIGN), int(ALL_PROGRAMMED), image, half, torn]
    assert len(set(numbers)) == len(numbers)
    assert contents.stored(half, 16) == (b"x" * 8 + b"\xff" * 8, bytes([PROGRAMMED, BLANK]))
    assert contents.stored(torn, 16).units == bytes([PROGRAMMED, TORN])
    assert contents.stored(int(BLANK_CELL), 16) == (b"\xff" * 16, bytes(2))
    assert contents.stored(int(ALL_PROGRAMMED), 16).data == bytes(16)
    assert contents.number(bytes(16), bytes([TORN] * 2)) == FAULT


@pytest.mark.parametrize(
    ("size", "unit", "edges"), [(128, 8, (0, 64, 128)), (256, 32, (0, 128, 256)), (64, 64, (0, 64))]
)
def test_small_sectors_have_fewer_cells(size: int, unit: int, edges: tuple[int, ...]) -> None:
    assert cell_edges(size, unit) == edges


# Small programs, each with one way to fail

PROGRAM = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
#define NONE 0xFFFFFFFFu
void reset(void);
__attribute__((section(".vectors"), used)) const uint32_t vectors[] = {0x20001000, (uint32_t)reset};
struct record { uint32_t kind, value, number, check; };

__attribute__((weak, noinline)) int flash_erase(uint32_t at) { REG(at) = 0; return 0; }
__attribute__((weak, noinline)) int flash_program(uint32_t at, const uint32_t *d) { REG(at) = *d; return 0; }
__attribute__((weak, noinline)) int flash_read(uint32_t at, uint32_t *to, uint32_t n) { *to = REG(at + n); return 0; }

static uint32_t check_of(const uint32_t *word)
{
    uint32_t crc = NONE;
    for (int i = 0; i < 3; i++) {
        crc ^= word[i];
        for (int bit = 0; bit < 32; bit++)
            crc = crc >> 1 ^ (crc & 1 ? 0xEDB88320u : 0);
    }
    return ~crc;
}

static struct record newest;
static int half, place;

static uint32_t find(void)
{
    newest = (struct record){0};
    half = 1, place = 3;
    for (int h = 0; h < 2; h++)
        for (int i = 0; i < 4; i++) {
            struct record r;
            if (flash_read(0x4000 + h * 0x1000 + i * 16, (uint32_t *)&r, 16))
                continue;
            if (r.check == check_of((const uint32_t *)&r) && r.number > newest.number)
                newest = r, half = h, place = i;
        }
    return newest.kind;
}

static void append(uint32_t kind)
{
    find();
    struct record r = {kind, 0, newest.number + 1, 0}, back;
    r.check = check_of((const uint32_t *)&r);
    for (;;) {
        if (++place >= 4) {
            half ^= 1, place = 0;
            flash_erase(0x4000 + half * 0x1000);
        }
        uint32_t at = 0x4000 + half * 0x1000 + place * 16;
        if (flash_read(at, (uint32_t *)&back, 16) || (back.kind & back.value & back.number & back.check) != NONE)
            continue;
        flash_program(at, (const uint32_t *)&r);
        flash_program(at + 8, (const uint32_t *)&r + 2);
        return;
    }
}

static void run_image(void) { ((void (*)(void))0xC001)(); }

void reset(void)
{
    append(find() ? newest.kind : 1); /* the newest record once more */
    WORK
    run_image();
}
"""

BENCH = """
[[bench.hook]]
does = "erase"
symbol = "flash_erase"
target = 0
returns = 0
fails = 1
[[bench.hook]]
does = "program"
symbol = "flash_program"
target = 0
source = 1
size = 8
returns = 0
fails = 1
[[bench.hook]]
does = "read"
symbol = "flash_read"
target = 0
into = 1
length = 2
returns = 0
fails = 1
[[bench.rule]]
name = "reset"
at = 0x4001_0000
write = "reset"
[[bench.log]]
name = "journal"
at = 0x4000
size = "8 KiB"
entry = 16
records = 4
number = 8
check = 12
covered = 12
[[bench.approved]]
name = "application"
file = "application.bin"
base = 0xC000
[[pin]]
block = "run:application"
at = 0xC000
size = "8 KiB"
[[keep]]
name = "calibration"
at = 0xA000
size = "4 KiB"
"""

RUN = '[[bench.run]]\nname = "plain"\nkind = "authentic"\nflash = ["application.bin"]\n'


@pytest.fixture
def explored(build: Callable[..., Subject], tmp_path: Path) -> Callable[..., Explored]:
    """Return what any number of cuts does to the small program with some work in it."""

    def explore(
        work: str,
        *,
        most_cuts: int | None = None,
        most_states: int = 300,
        bench: str = BENCH,
        program: str = PROGRAM,
    ) -> Explored:
        (tmp_path / "application.bin").write_bytes(b"\xfe\xe7" * 64)
        subject = build(program.replace("WORK", work), bench, run=RUN)
        return explore_start(subject, subject.starts()[0], most_cuts=most_cuts, most_states=most_states)

    return explore


TO_AND_FRO = "append(2); append(1);"


@pytest.mark.slow
def test_a_sound_program_closes(explored: Callable[..., Explored]) -> None:
    result = explored(TO_AND_FRO)
    assert result.closed
    assert result.broken is None
    assert result.erases == 1
    assert result.twins > 3


@pytest.mark.slow
@pytest.mark.parametrize(
    ("work", "verdict", "why", "cuts"),
    [
        # The first promise that breaks, and the fewest cuts that it takes.
        ("if (newest.kind == 2) for (;;); " + TO_AND_FRO, "brick", "a jump to itself", 1),
        ("if (newest.kind == 2) { newest.kind = 9; for (;;) REG(0x40010000) = 1; } " + TO_AND_FRO, "livelock", "", 1),
        ("REG(0x40010000) = 1;", "livelock", "an uncut run never comes to rest", 0),
        ("if (newest.kind == 2) flash_erase(0xA000); " + TO_AND_FRO, "keep-area changed", "a keep-area is written", 1),
        ("if (newest.kind == 2) ((void (*)(void))0xE001)(); " + TO_AND_FRO, "brick", "", 1),
        ("if (newest.kind == 2) flash_erase(0xC000); " + TO_AND_FRO, "brick", "", 1),
        (
            "uint32_t left = REG(0x20000800); if (left & 1) append(1);",
            "depends on RAM at power-up",
            "two fills of RAM",
            0,
        ),
    ],
)
def test_each_way_to_fail_is_told_with_the_fewest_cuts(
    work: str, verdict: str, why: str, cuts: int, explored: Callable[..., Explored]
) -> None:
    result = explored(work)
    assert result.broken is not None
    assert (result.broken.verdict, result.broken.cuts) == (verdict, cuts)
    assert why in result.broken.why
    assert ("boot.c:" in result.broken.place) == bool(cuts)
    assert not result.closed


@pytest.mark.slow
def test_what_needs_more_cuts_than_were_asked_for_is_bounded(explored: Callable[..., Explored]) -> None:
    work = "if (newest.kind == 3) for (;;); if (newest.kind == 2) { append(3); append(1); } " + TO_AND_FRO
    bounded = explored(work, most_cuts=1)
    assert bounded.broken is None
    assert not bounded.closed
    assert bounded.reason == "more cuts were not tried"
    broken = explored(work).broken
    assert broken is not None
    assert (broken.verdict, broken.cuts) == ("brick", 2)
    assert sum("power cut" in event.what for event in broken.path) == 2


@pytest.mark.slow
def test_numbers_that_are_compared_by_four_bits_are_noticed(explored: Callable[..., Explored]) -> None:
    flawed = PROGRAM.replace("r.number > newest.number)", "(r.number & 15) > (newest.number & 15))")
    result = explored("", program=flawed)
    assert result.broken is None  # whichever record counts, the image runs
    assert result.unlike
    assert not result.closed
    assert "other places, numbers or older records" in result.reason


LONG = """
    uint32_t unit[2], bad = 0;
    for (uint32_t at = 0x100; at < CHECKED && !bad; at += 8)
        bad = flash_read(0xA000 + at, unit, 8) || unit[0] != at || unit[1] != ~at;
    if (bad) {
        flash_erase(0xA000);
        for (uint32_t at = 0x100; at < 0x300; at += 8) {
            unit[0] = at, unit[1] = ~at;
            flash_program(0xA000 + at, unit);
        }
    }
    if (flash_read(0xA2F8, unit, 8) || unit[0] != 0x2F8) for (;;);
"""


@pytest.mark.slow
@pytest.mark.parametrize(("checked", "broken"), [("0x300", ""), ("0x108", "brick")])
def test_of_long_runs_of_units_some_are_cut(
    checked: str, broken: str, explored: Callable[..., Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table of 64 units in a sector that no pin names: checked wholly before an image runs, or by its first unit."""
    monkeypatch.setattr("rootwright.bench.closure.port.CUT_EACH", 4)
    monkeypatch.setattr("rootwright.bench.closure.port.THEN_ONE_IN", 16)
    work = LONG.replace("CHECKED", checked)
    result = explored(work, bench=BENCH[: BENCH.index("[[keep]]")], most_states=400)
    assert result.thinned > 50
    if broken:
        assert result.broken is not None
        assert (result.broken.verdict, result.broken.cuts) == (broken, 1)
    else:
        assert result.closed, (result.reason, result.broken)
        assert result.erases == 2


@pytest.mark.slow
def test_a_log_that_is_declared_too_short_is_noticed(explored: Callable[..., Explored]) -> None:
    result = explored(TO_AND_FRO, bench=BENCH.replace("records = 4", "records = 2"))
    assert not result.closed
    assert result.unlike
    assert "behind the last of 2 records of journal" in result.reason


@pytest.mark.slow
def test_a_budget_bounds_the_verdict(explored: Callable[..., Explored]) -> None:
    result = explored(TO_AND_FRO, most_states=2)
    assert (result.closed, result.broken) == (False, None)
    assert result.reason == "stopped at 2 states"


@pytest.mark.slow
def test_without_logs_or_slot_cuts_are_followed_over_whole_contents(
    explored: Callable[..., Explored], build: Callable[..., Subject], tmp_path: Path
) -> None:
    with pytest.raises(BenchError, match="no logs are declared"):
        explored(TO_AND_FRO, bench=BENCH.replace("[[bench.log]]", "[[bench.secret]]").split("[[bench.secret]]")[0])
    subject = build(PROGRAM.replace("WORK", TO_AND_FRO), BENCH[: BENCH.index("[[pin]]")], run=RUN)
    result = try_cuts(subject, subject.starts()[0])
    assert isinstance(result, BoundedResult)
    assert "0 run slots are pinned" in "\n".join(result.text())
    assert "bounded at 1 cuts" in result.words
    assert result.data()["not_closed"] == result.why


@pytest.mark.slow
def test_the_result_says_what_it_rests_on(build: Callable[..., Subject], tmp_path: Path) -> None:
    (tmp_path / "application.bin").write_bytes(b"\xfe\xe7" * 64)
    subject = build(PROGRAM.replace("WORK", TO_AND_FRO), BENCH, run=RUN)
    told: list[int] = []
    result = try_cuts(subject, subject.starts()[0], progress=lambda text, count: told.append(count))
    assert isinstance(result, ClosureResult)
    assert result.closed
    assert result.words == "closed"
    assert told
    text = "\n".join(result.text())
    assert "closed under any number of cuts" in text
    assert "actors: power alone" in text
    assert result.data()["findings"] == []
    assert result.data()["holds"] is True
