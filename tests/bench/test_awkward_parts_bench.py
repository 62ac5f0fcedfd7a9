"""Three deliberately awkward parts on the bench: a boot program on each, from its golden runs to faults and cuts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from awkward import AWKWARD, make

from rootwright.bench.board import Board
from rootwright.bench.campaign import Mode, Walker, golden_for, make_plan, run_part
from rootwright.bench.cuts import explore
from rootwright.bench.faults import Model
from rootwright.bench.flash import BLANK, TORN, FlashState
from rootwright.bench.golden import begin, probe, run_golden
from rootwright.bench.judge import Verdict, judge
from rootwright.bench.subject import Start, Subject
from rootwright.cli import main
from rootwright.describe.bench import Change, GoldenRun
from rootwright.describe.chip import EccError

pytestmark = [pytest.mark.slow, pytest.mark.firmware]


@pytest.fixture
def subject(request: pytest.FixtureRequest, tmp_path: Path) -> Subject:
    return make(request.param, tmp_path)


@pytest.mark.parametrize("subject", AWKWARD, indirect=True)
def test_golden_runs_come_to_what_the_product_says(subject: Subject) -> None:
    for start in subject.starts():
        golden = run_golden(subject, start)
        assert not golden.fails, (start.name, golden.fails)
        assert not probe(subject, start)


INSTALL = "install"


def start_of(subject: Subject, run: str) -> Start:
    return next(start for start in subject.starts() if start.run.name == run and not start.cold)


@pytest.mark.parametrize("subject", ["awkward-banks"], indirect=True)
def test_a_settings_word_changes_the_banks(subject: Subject) -> None:
    """Erase and program go to the settings area, loading it resets the core, and the other bank is seen low."""
    golden = run_golden(subject, start_of(subject, INSTALL))
    words = [(op.kind, op.address, op.size, op.data.hex()) for op in golden.operations]
    assert words == [
        ("erase", 0x0BF0_0000, 64, ""),
        ("program", 0x0BF0_0004, 4, "0300fcff"),
        ("program", 0x0BF0_0000, 4, "c3003cff"),
        ("program", 0x0C02_4000, 8, "02000000fdffffff"),  # the journal, in the bank that runs now
    ]
    board = subject.board()
    begin(board, golden.start, golden.before)
    assert board.run(100_000).at == 0x0C00_C040
    assert board.settings["low-bank"] == "second"
    assert board.canonical(0x0C00_C000) == 0x0C02_C000
    assert board.canonical(0x0000_0100) == 0x0C00_0100  # the mirror and the alias stay with the first bank
    assert board.read_bytes(0x0802_C000, 16) == board.read_bytes(0x0C00_C000, 16)


@pytest.mark.parametrize("subject", ["awkward-banks"], indirect=True)
def test_another_program_in_the_boot_program_s_place_is_not_the_boot_program(subject: Subject) -> None:
    """Behind a change of banks the other bank's copy starts: where that is altered, foreign code runs."""
    start = start_of(subject, INSTALL)
    copied = replace(start.run, changes=(Change(0x0C02_0100, b"\x00\xbe"),))
    golden = run_golden(subject, Start(copied, cold=False))
    assert golden.outcome.verdict is Verdict.UNAPPROVED


@pytest.mark.parametrize(
    ("word", "means"),
    [
        ("c3003cff", "second"),
        ("c3003cfe", "first"),  # the complement does not match
        ("aa0055ff", "first"),  # a value of no meaning
        ("ffffffff", "first"),  # erased
    ],
)
def test_what_a_settings_word_loads_as(word: str, means: str, tmp_path: Path) -> None:
    subject = make("awkward-banks", tmp_path)
    run = subject.bench.runs[0]
    board = subject.board()
    board.power_up(subject.flash_of(replace(run, changes=(Change(0x0BF0_0000, bytes.fromhex(word)),))))
    assert board.settings["low-bank"] == means


def test_changes_of_settings_that_erase_lock_or_are_refused(tmp_path: Path) -> None:
    subject = make("awkward-banks", tmp_path)
    board = subject.board()
    words = next(flash for flash in board.flashes if flash.memory.name == "words")

    def put(value: int) -> None:
        words.erase(words.base, pc=0, index=0)
        words.program(words.base + 8, (value | (~value & 0xFFFF) << 16).to_bytes(4, "little"), pc=0, index=0)
        board.reset(2)

    board.power_up(subject.flash_of(subject.bench.runs[0]))
    assert board.settings["port"] == "closed"
    put(0xA5)  # from closed to open: all flash is erased
    assert board.settings["port"] == "open"
    assert set(board.read_bytes(0x0C00_0000, 64) or b"") == {0xFF}
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    put(0x5A)  # from closed to shut: the area is locked
    assert board.settings["port"] == "shut"
    assert not words.erase(words.base, pc=0, index=0)
    assert not words.program(words.base + 16, bytes(4), pc=0, index=0)


@pytest.mark.parametrize("subject", ["awkward-external"], indirect=True)
def test_pages_wrap_and_larger_commands_erase_more(subject: Subject) -> None:
    golden = run_golden(subject, start_of(subject, INSTALL))
    kinds = [(op.kind, op.address, op.size) for op in golden.operations if op.address >> 28 == 6]
    assert kinds[0] == ("erase", 0x6002_0000, 0x1_0000)
    assert kinds[1:] == [("program", 0x6002_0000 + 256 * page, 256) for page in range(4)]
    external = next(flash for flash in subject.board().flashes if flash.memory.name == "external")
    assert external.program(external.base + 0xF8, bytes(range(16)), pc=0, index=0)
    assert external.read(external.base + 0xF8, 8) == bytes(range(8))
    assert external.read(external.base, 8) == bytes(range(8, 16))  # at the beginning of the page
    assert external.read(external.base + 0x100, 8) == b"\xff" * 8
    assert [unit != BLANK for unit in external.units[:17]] == [True] * 8 + [False] * 9


@pytest.mark.parametrize("subject", ["awkward-external"], indirect=True)
def test_one_time_words_take_bits_until_they_are_locked(subject: Subject) -> None:
    golden = run_golden(subject, start_of(subject, INSTALL))
    rises = [op for op in golden.operations if op.address == 0x0078_0000]
    assert [op.data for op in rises] == [b"\x03\0\0\0"]  # two bits: version 2
    board = subject.board()
    begin(board, golden.start, golden.before)
    board.run(100_000)
    once = next(flash for flash in board.flashes if flash.memory.name == "once")
    assert once.program(once.base, b"\x05\0\0\0", pc=0, index=0)
    assert once.read(once.base, 4) == b"\x07\0\0\0"
    assert not once.erase(once.base, pc=0, index=0)
    assert not once.program(once.base + 0x1F0, b"\x01\0\0\0", pc=0, index=0)  # locked by the program
    assert once.program(once.base + 0x1E0, b"\x01\0\0\0", pc=0, index=0)
    assert once.lock(once.base + 0x1E4)
    assert not once.program(once.base + 0x1E8, b"\x01\0\0\0", pc=0, index=0)  # one lock for 16 bytes


@pytest.mark.parametrize(("defines", "verdict"), [((), Verdict.RAN), (("LEAVES_THE_CACHE",), Verdict.UNAPPROVED)])
def test_a_cache_that_was_not_emptied_runs_old_code(defines: tuple[str, ...], verdict: Verdict, tmp_path: Path) -> None:
    """Verified past the cache, run through it: the bytes that run are not those that were verified."""
    subject = make("awkward-external", tmp_path, *defines)
    golden = run_golden(subject, replace(start_of(subject, INSTALL), run=tampered_slot(subject)))
    assert golden.outcome.verdict is verdict
    if defines:
        assert "altered" in golden.outcome.why


def tampered_slot(subject: Subject) -> GoldenRun:
    """Return the installation with code in the slot that nobody signed; it is overwritten, but not in the cache."""
    run = start_of(subject, INSTALL).run
    return replace(run, changes=(Change(0x6002_0080, b"\xa5"),))


@pytest.mark.parametrize("subject", ["awkward-external"], indirect=True)
def test_a_walk_keeps_what_is_old_in_the_cache(subject: Subject) -> None:
    """Going back to a state puts the cache back too, with translations of code that runs through it."""
    board = subject.board()
    begin(board, start_of(subject, INSTALL), subject.flash_of(start_of(subject, INSTALL).run))
    kept = board.snapshot()
    external = next(flash for flash in board.flashes if flash.memory.name == "external")
    before = board.read_bytes(0x6002_0000, 64)
    external.erase(0x6002_0000, pc=0, index=0)
    assert board.read_bytes(0x6002_0000, 64) == before
    assert board.read_bytes(0x7002_0000, 64) == b"\xff" * 64
    inside = board.snapshot()
    board.invalidate_caches()
    assert board.read_bytes(0x6002_0000, 64) == b"\xff" * 64
    board.restore(inside)
    assert board.read_bytes(0x6002_0000, 64) == before
    board.restore(kept)
    assert board.read_bytes(0x7002_0000, 64) == board.read_bytes(0x6002_0000, 64) == before


@pytest.mark.parametrize("subject", ["awkward-rewritten"], indirect=True)
def test_memory_without_erase_is_written_over(subject: Subject) -> None:
    golden = run_golden(subject, start_of(subject, INSTALL))
    assert {op.kind for op in golden.operations} == {"program"}
    assert len(golden.operations) == 66
    board = subject.board()
    cells = board.flashes[0]
    assert not cells.erase(cells.base, pc=0, index=0)


@pytest.mark.parametrize(
    ("subject", "listed"),
    [
        ("awkward-banks", ["a blank unit reads as anything", "goes by 16 bytes"]),
        ("awkward-external", ["goes by 16 bytes", "wear by reading"]),
        ("awkward-rewritten", []),
    ],
    indirect=["subject"],
)
def test_what_the_bench_does_more_simply_than_the_part_is_listed(subject: Subject, listed: list[str]) -> None:
    notes = [note for note in subject.board().notes if note.startswith("memory ")]
    assert [any(words in note for note in notes) for words in listed] == [True] * len(listed)
    assert len(notes) == len(listed)


# What an undecodable word does: NMI, a bit of the controller, a fault


def torn_request(subject: Subject, name: str) -> tuple[Board, int]:
    """Return a device whose request record cannot be decoded, at power-up."""
    run = start_of(subject, INSTALL).run
    flash = subject.flash_of(run)
    part = AWKWARD[name]
    board = subject.board()
    content = board.find_flash(part.request)
    assert content is not None
    state = flash[content.memory.name]
    units = bytearray(state.units)
    units[(part.request - content.base) // content.unit] = TORN
    board.power_up({**flash, content.memory.name: FlashState(state.data, bytes(units))})
    return board, part.request


@pytest.mark.parametrize(
    ("subject", "name", "how"),
    [
        ("awkward-banks", "awkward-banks", EccError.NMI),
        ("awkward-external", "awkward-external", EccError.FLAG),
        ("awkward-rewritten", "awkward-rewritten", EccError.FAULT),
    ],
    indirect=["subject"],
)
def test_an_undecodable_request_is_told_and_not_obeyed(subject: Subject, name: str, how: EccError) -> None:
    """Each kind reaches the program as its part says, and the program keeps the version that it has."""
    board, address = torn_request(subject, name)
    content = board.find_flash(address)
    assert content is not None
    assert content.memory.ecc_error is how
    pcs: list[int] = []
    told = subject.firmware.image.symbol({EccError.NMI: "nmi", EccError.FAULT: "fault"}.get(how, "undecodable"))
    assert told is not None
    traced = subject.board(trace=pcs.append)
    traced.power_up({flash.memory.name: flash.state() for flash in board.flashes})
    end = traced.run(100_000)
    assert judge(subject, traced, end, subject.flash_of(subject.bench.runs[0]), 0).image == "version-1"
    if how is not EccError.FLAG:
        assert told.address & ~1 in pcs
    if how is EccError.FAULT:
        assert traced.emulator.get("mtval") == address + 4  # of the second load, the last that faulted
    assert [fault for _, fault in traced.faults] == (["load access fault"] * 2 if how is EccError.FAULT else [])


@pytest.mark.parametrize("subject", ["awkward-banks"], indirect=True)
def test_the_controller_keeps_where_a_word_could_not_be_decoded(subject: Subject) -> None:
    board, address = torn_request(subject, "awkward-banks")
    board.run(100_000)
    base, registers = board.device(0x5200_1000) or (0, None)
    assert registers is not None
    assert registers.read(0x5200_1010 - base, 4) == address
    assert registers.read(0x5200_100C - base, 4) & 4
    registers.write(0x5200_100C - base, 4, 4)
    assert not registers.read(0x5200_100C - base, 4) & 4


# Cuts and faults


@pytest.mark.parametrize(
    ("subject", "verdicts"),
    [("awkward-banks", set()), ("awkward-external", set()), ("awkward-rewritten", {"brick"})],
    indirect=["subject"],
)
def test_cuts(subject: Subject, verdicts: set[str]) -> None:
    """One cut anywhere: the part whose torn settings lock it is found; the others come to version 2."""
    result = explore(subject, start_of(subject, INSTALL), depth=1)
    assert result.states >= 10
    assert {finding.verdict for finding in result.findings} == verdicts
    for finding in result.findings:
        assert "load as locked" in finding.why
        assert "program 0x10000000" in finding.path[-1].where


@pytest.mark.parametrize("subject", AWKWARD, indirect=True)
def test_a_small_campaign(subject: Subject) -> None:
    """Skips over a whole run with a tampered image: walks agree with the golden run, and every outcome has a name."""
    golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.HOOKED)
    plan = make_plan(golden, (Model.SKIP,), Mode.HOOKED)
    tally = run_part(subject, golden, plan, 0, len(golden.pcs))
    assert sum(tally.counts.values()) >= len(golden.pcs)
    assert tally.counts[("skip", "no effect")]
    assert tally.hits  # nothing in this program is doubled, so a skipped comparison starts what is altered
    assert {hit.verdict for hit in tally.hits} == {Verdict.UNAPPROVED}


@pytest.mark.parametrize("subject", ["awkward-banks"], indirect=True)
def test_faults_around_a_change_of_banks(subject: Subject) -> None:
    """Each fault starts from the state before it, in the bank that was low there."""
    golden = golden_for(subject, start_of(subject, INSTALL), Mode.HOOKED)
    swap = next(op.index for op in golden.operations if op.address == 0x0BF0_0000)
    plan = make_plan(golden, (Model.SKIP,), Mode.HOOKED)
    first = run_part(subject, golden, plan, swap - 20, swap + 60)
    again = run_part(subject, golden, plan, swap + 20, swap + 60)
    assert sum(again.counts.values()) < sum(first.counts.values())
    walker = Walker(subject, golden, hooked=True)
    for index in range(0, len(golden.pcs), 11):
        walker.walk_to(index)  # raises where it is not at the golden run's instruction
    kept = walker.board.snapshot()
    assert walker.board.settings["low-bank"] == "second"
    walker.board.power_up(golden.before)
    assert walker.board.settings["low-bank"] == "first"
    walker.board.restore(kept)
    assert walker.board.settings["low-bank"] == "second"


@pytest.mark.parametrize("name", AWKWARD)
def test_the_command_runs_on_them(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make(name, tmp_path)
    product = str(tmp_path / "product.toml")
    for options, words in (
        (["--probe"], "covered by a rule"),
        (["--trace", "--run", INSTALL], "version-2 ran"),
        (["--cuts", "--run", "authentic", "--states", "40"], "authentic"),
        (["--run", "tampered-installed", "--faults", "branch", "--jobs", "1"], "tampered-installed"),
    ):
        with pytest.raises(SystemExit) as left:
            main(["bench", product, *options])
        out = capsys.readouterr().out
        assert left.value.code in (0, 1), out
        assert words in out
