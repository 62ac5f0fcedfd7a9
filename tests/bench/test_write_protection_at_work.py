"""Write protection on the bench: what the boot program's own registers, stored words and settings close is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from awkward import make
from test_exception_priorities import seen

from rootwright.bench.board import Board
from rootwright.bench.campaign import Mode, Tally
from rootwright.bench.flash import FlashContent
from rootwright.bench.golden import run_golden
from rootwright.bench.report import BenchReport
from rootwright.bench.subject import Subject
from rootwright.describe.bench import Change, Rule

pytestmark = pytest.mark.slow

LOCKS = Rule("sector locks", 0x4002_0040, 16)
"""The part's lock registers: a bit for each sector of 4 KiB, set until the next reset (its chip file)."""


def with_locks(subject: Subject) -> Board:
    subject.bench = replace(subject.bench, rules=(*subject.bench.rules, LOCKS))
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    return board


def flash_of(board: Board, name: str = "flash") -> FlashContent:
    return next(flash for flash in board.flashes if flash.memory.name == name)


def erases(flash: FlashContent, address: int) -> bool:
    return flash.erase(address, pc=0, index=0)


def test_a_register_protects_until_reset(subject_of: Callable[..., Subject]) -> None:
    board = with_locks(subject_of())
    flash = flash_of(board)
    assert erases(flash, 0xC000)
    board._write_io(0x4002_0040, 4, 1 << 12 | 1 << 3)
    assert not erases(flash, 0xC000)
    assert not flash.program(0xC000, bytes(8), pc=0, index=0)
    assert not erases(flash, 0x3000)
    assert erases(flash, 0xD000)
    assert flash.program(0xBFF8, bytes(8), pc=0, index=0)
    kept = board.snapshot()
    board._write_io(0x4002_0040, 4, 0)  # a set bit stays until the next reset
    board._write_io(0x4002_0044, 4, 1)  # sector 32
    assert not erases(flash, 0xC000)
    assert not erases(flash, 0x2_0000)
    board.restore(kept)
    assert not erases(flash, 0xC000)
    assert erases(flash, 0x2_0000)
    board.reset(2)
    assert erases(flash, 0xC000)


def test_stored_words_protect_from_the_next_reset_on(subject_of: Callable[..., Subject]) -> None:
    """One-time words where a 0 protects: what is programmed counts after it was loaded."""
    board = with_locks(subject_of())
    flash, words = flash_of(board), flash_of(board, "policy-words")
    assert words.program(0x1FFF_0000, (0xFFFF_FFFF_FFFF_FFFF ^ 1 << 12).to_bytes(8, "little"), pc=0, index=0)
    assert erases(flash, 0xC000)
    board.reset(2)
    assert not erases(flash, 0xC000)
    assert erases(flash, 0xD000)
    board.reset(0)
    assert not erases(flash, 0xC000)


def test_what_nothing_answers_for_is_listed(subject_of: Callable[..., Subject]) -> None:
    subject = subject_of()
    notes = subject.board().notes
    assert any("write protection sector-lock of flash is not enforced: no rule of [bench]" in note for note in notes)
    assert any("0x40020040" in note for note in notes)
    assert not any("sector-lock of flash" in note for note in with_locks(subject).notes)
    golden = run_golden(subject_of("rv32"), subject_of("rv32").starts()[0])
    report = BenchReport(subject_of("rv32"), Mode.HOOKED, (golden,), (Tally(),))
    assert any("write protection" in line and "no field that sets it" in line for line in report.left_out())


@pytest.mark.firmware
def test_settings_protect_groups_of_the_bank_that_they_mean(tmp_path: Path) -> None:
    """Sixteen bits, active low, one for each group of 16 KiB; the protection stays with the physical bank."""
    subject = make("awkward-banks", tmp_path)
    value = 0xFFFF ^ 1 << 1 ^ 1 << 9
    word = (value | (~value & 0xFFFF) << 16).to_bytes(4, "little")
    low = (0xC3 | 0xFF3C << 16).to_bytes(4, "little")
    protects, flips = Change(0x0BF0_000C, word), Change(0x0BF0_0000, low)
    for changes, second in (((protects,), False), ((protects, flips), True)):
        board = subject.board()
        board.power_up(subject.flash_of(replace(subject.bench.runs[0], changes=changes)))
        assert (board.settings["low-bank"] == "second") is second
        flash = flash_of(board)
        assert not erases(flash, 0x0C00_4000)
        assert not erases(flash, 0x0C02_4000)
        assert erases(flash, 0x0C00_8000)
    blank = subject.board()
    blank.power_up(subject.flash_of(subject.bench.runs[0]))
    assert erases(flash_of(blank), 0x0C00_4000)  # an erased area protects nothing


PROGRAM = """
#include <stdint.h>
#define REG(a) (*(volatile uint32_t *)(a))
void reset(void);
volatile uint32_t seen[8];
void stop(void) { for (;;) { } }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = {
    (void *)0x20008000, reset, stop, stop, stop, stop, stop, 0, 0, 0, 0, stop, 0, 0, stop, stop };
static uint32_t erase(uint32_t at) {
    REG(0x40010008) = at; REG(0x40010004) = 1;
    uint32_t status = REG(0x4001000C); REG(0x4001000C) = 2; return status;
}
void reset(void) {
    seen[0] = erase(0xC000);
    REG(0x40020040) = 1u << 12;
    seen[1] = erase(0xC000);
    seen[2] = erase(0xD000);
    for (;;) { }
}
"""
CONTROLLER = """
[[bench.controller]]
name = "flash"
memory = "flash"
base = 0x4001_0000
erase = { at = 0x04, value = 1 }
program = { at = 0x04, value = 2 }
address = 0x08
data = 0x10
error = { at = 0x0C, mask = 2, value = 2 }
[[bench.rule]]
name = "sector locks"
at = 0x4002_0040
size = 16
"""


@pytest.mark.firmware
def test_the_controller_says_that_it_refused(build: Callable[..., Subject]) -> None:
    subject = build(PROGRAM, CONTROLLER)
    golden = run_golden(subject, subject.starts()[0])
    assert [op.address for op in golden.operations] == [0xC000, 0xD000]
    board = subject.board()
    board.power_up(subject.flash_of(subject.bench.runs[0]))
    board.run(10_000)
    assert seen(subject, board, 3) == [0, 2, 0]
