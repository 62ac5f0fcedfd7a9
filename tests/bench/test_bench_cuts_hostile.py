"""Power cuts and hostile updates on the demo's boot programs: sound builds hold, flawed ones fail at their flaw."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.bench.cuts import CutResult, explore, torn_ways
from rootwright.bench.flash import FlashContent, Operation
from rootwright.bench.hostile import HostileResult, mutated, offer_all
from rootwright.bench.subject import Subject

pytestmark = pytest.mark.slow


def cuts(subject: Subject, most: int = 500) -> CutResult:
    start = next(s for s in subject.starts() if s.run.name == "install")
    return explore(subject, start, depth=1, most_states=most)


@pytest.mark.parametrize("product", ["product", "rv32"])
def test_sound_builds_hold_under_one_cut(product: str, subject_of: Callable[..., Subject]) -> None:
    result = cuts(subject_of(product))
    assert result.findings == []
    assert result.operations > 60
    assert "bounded at 1 cuts" in result.words


@pytest.mark.parametrize(
    ("boot", "verdict", "where"),
    [
        ("arm-flaw-floor-raised-last.elf", "floor not raised", "log.c"),
        ("arm-flaw-request-closed-first.elf", "no image left", "move.c"),
        ("arm-flaw-floor-in-place.elf", "floor lowered", ".c"),
        ("arm-flaw-blank-trusted.elf", "unapproved code ran", "move.c"),
    ],
)
def test_flawed_builds_fail_at_the_line_where_the_cut_kills(
    boot: str, verdict: str, where: str, subject_of: Callable[..., Subject]
) -> None:
    result = cuts(subject_of("product", boot), 800)
    found = [f for f in result.findings if f.verdict == verdict]
    assert found, result.text()
    assert any(where in f.place for f in found)
    shortest = min(found, key=lambda f: len(f.path))
    assert sum("power cut" in cut.where for cut in shortest.path) == 1


def test_what_a_cut_leaves_of_an_erase(subject_of: Callable[..., Subject]) -> None:
    memory = subject_of().chip.memory("flash")
    flash = FlashContent(memory)
    flash.load(0x5000, bytes(range(1, 65)) * 64)
    ways = list(torn_ways(flash, Operation("erase", 0x5000, 0x1000, b"", 0, 0)))
    assert len({(data, units) for _, _, data, units in ways}) == len(ways) == 6
    program = list(torn_ways(flash, Operation("program", 0x5000, 16, b"x" * 16, 0, 0)))
    assert len(program) == 2  # either of two units is torn; the ones before are written


def hostile(subject: Subject, folder: Path | None = None, updates: Path | None = None) -> HostileResult:
    ticks = itertools.count()
    return offer_all(subject, seconds=40, clock=lambda: float(next(ticks)), folder=folder, updates=updates)


def test_a_sound_build_refuses_every_hostile_update(
    subject_of: Callable[..., Subject], demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.bench.hostile._lengths", lambda offerer: iter(range(0, 200, 7)))
    result = hostile(subject_of(), updates=demo_folder / "images")
    assert result.findings == [], result.text()
    assert result.offered["files"] > 20
    assert result.offered["mutations"] > 20
    assert result.edges > 50


def test_an_unchecked_length_is_found_and_its_input_saved(
    subject_of: Callable[..., Subject], demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.bench.hostile._lengths", lambda offerer: iter(()))
    result = hostile(subject_of("product", "arm-flaw-length-unchecked.elf"), tmp_path, demo_folder / "images")
    assert not result.holds
    saved = {path.stem: path.read_bytes() for path in tmp_path.iterdir()}
    assert {f.name for f in result.findings} == set(saved)
    assert all(saved[f.name] == f.data for f in result.findings)


def test_mutations_come_out_the_same_again() -> None:
    import random

    corpus = [b"abcdefgh" * 40, b"12345678" * 3]
    first = [mutated(random.Random(n), corpus[0], corpus) for n in range(200)]
    again = [mutated(random.Random(n), corpus[0], corpus) for n in range(200)]
    assert first == again
    assert len({data for data, _ in first}) > 150
