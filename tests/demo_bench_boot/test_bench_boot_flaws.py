"""Each flaw of the bench boot stage that flash alone can show does harm on this computer, and the sound build does not.

The other flaws (time, exceptions, the stack) show on the built files only: see test_bench_boot_files.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from bench_boot_host import (
    CUT,
    LEAVE_MIX,
    LEAVE_NEW,
    LEAVE_OLD,
    LEAVE_PROGRAMMED,
    LEAVE_TORN,
    VARIANTS,
    Device,
    images,
)

Make = Callable[[str], Device]
LEAVES = (LEAVE_OLD, LEAVE_NEW, LEAVE_TORN, LEAVE_PROGRAMMED, LEAVE_MIX)

pytestmark = pytest.mark.slow


def sound_one(file: str) -> str:
    return {"copy-over": "arm-copy-plain.elf", "exchange": "arm-exchange-plain.elf"}[VARIANTS[file]["install"]]


def update(version: int = 3, **options: object) -> bytes:
    return bytes(images.factory("arm", staged=images.make_image("arm", version), request=True, **options))


def after_each_cut(subject: Device, state: bytes) -> Iterator[None]:
    """Cut the power-up that follows a state at every operation in every way; yield after each."""
    for leaves in LEAVES:
        cut = 0
        while True:
            subject.restore(state)
            if subject.power_up(cut, leaves) != CUT:
                break
            yield
            cut += 1


def cuts_then(subject: Device, flash: bytes, boots: int) -> set[str]:
    """Everything that the given number of uncut power-ups after one cut can show."""
    subject.load(flash)
    seen: set[str] = set()
    for _ in after_each_cut(subject, subject.save()):
        seen |= {subject.boot() for _ in range(boots)}
    return seen


CUT_FLAWS = {
    "arm-flaw-request-closed-first.elf": (update(), {"recovery"}),
    "arm-flaw-blank-trusted.elf": (update(), {"weak version 3"}),
    "arm-flaw-floor-in-place.elf": (update(1), {"version 1"}),
    "arm-flaw-noted-before-done.elf": (update(), {"recovery"}),
    "arm-flaw-one-sector-log.elf": (update(sequence=5), {"recovery"}),
    "arm-flaw-torn-record-trusted.elf": (update(), {"recovery"}),
}


@pytest.mark.parametrize("file", sorted(CUT_FLAWS))
def test_one_cut_shows_the_flaw(device: Make, file: str) -> None:
    flash, harm = CUT_FLAWS[file]
    assert harm <= cuts_then(device(file), flash, 3)
    assert cuts_then(device(sound_one(file)), flash, 3) <= {"version 2", "version 3"}


def test_cut_leaves_the_floor_behind_the_kept_version(device: Make) -> None:
    """After a cut the new version runs kept, and yet the version before is taken again."""

    def downgrades(file: str) -> int:
        subject, count = device(file), 0
        subject.load(update())
        for _ in after_each_cut(subject, subject.save()):
            if [subject.boot() for _ in range(2)] == ["version 3"] * 2:
                subject.stage(images.make_image("arm", 2))
                count += subject.boot() == "version 2"
        return count

    assert downgrades("arm-flaw-floor-raised-last.elf") > 0
    assert downgrades("arm-copy-plain.elf") == 0


def test_changed_run_slot_is_started(device: Make) -> None:
    for file, runs in (("arm-flaw-checked-before-copy.elf", "foreign"), ("arm-copy-plain.elf", "recovery")):
        subject = device(file)
        subject.load(images.factory("arm"))
        subject.put(images.RUN + 200, b"\x13\x37" * 8)
        assert subject.boot() == runs


def test_older_image_in_the_run_slot_is_started(device: Make) -> None:
    for file, runs in (("arm-flaw-floor-not-at-start.elf", "version 1"), ("arm-copy-plain.elf", "recovery")):
        subject = device(file)
        subject.load(images.factory("arm"))
        subject.put(images.RUN, images.make_image("arm", 1))
        assert subject.boot() == runs


def test_failed_trial_stays(device: Make) -> None:
    for file, runs in (("arm-flaw-no-trial.elf", "version 3"), ("arm-exchange-plain.elf", "version 2")):
        subject = device(file)
        subject.load(update())
        assert [subject.boot() for _ in range(2)] == ["version 3", runs]


def test_sequence_that_wraps_loses_the_exchange_without_any_cut(device: Make) -> None:
    for file, lost in (("arm-flaw-sequence-wraps.elf", True), ("arm-exchange-plain.elf", False)):
        seen: set[str] = set()
        for sequence in range(1, 17):
            subject = device(file)
            subject.load(update(sequence=sequence))
            seen |= {subject.boot() for _ in range(4)}
        assert bool(seen - {"version 2", "version 3"}) is lost


def test_length_that_wraps_reads_outside_the_slot(device: Make) -> None:
    for file, ended in (("arm-flaw-length-wraps.elf", "outside"), ("arm-copy-plain.elf", "version 2")):
        subject = device(file)
        subject.load(images.factory("arm"))
        subject.stage(images.hostile_images("arm")["length-wraps"])
        assert subject.boot() == ended


def test_unchecked_flag_leaves_debug_open(device: Make) -> None:
    for file, locked in (("arm-flaw-debug-open.elf", 0), ("arm-copy-plain.elf", 1)):
        subject = device(file)
        subject.load(images.factory("arm"))
        subject.put(images.RUN, images.hostile_images("arm")["flag-set"])
        assert subject.boot() == "recovery"
        assert subject.number("debug_locked") == locked
