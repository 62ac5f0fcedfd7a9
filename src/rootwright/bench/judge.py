"""What became of a run: refused, unapproved code ran, floor lowered, key read, keep-area changed, hang, crash."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rootwright.bench.board import Board
from rootwright.bench.ends import End
from rootwright.bench.flash import WEAK, FlashContent, FlashState
from rootwright.bench.subject import ApprovedImage, Subject


class Verdict(StrEnum):
    """What became of a run, the worst first."""

    UNAPPROVED = "unapproved code ran"
    FLOOR = "floor lowered"
    KEY = "key read"
    KEEP = "keep-area changed"
    NOT_COVERED = "not covered"
    CRASH = "crash"
    HANG = "hang"
    REFUSED = "refused"
    RAN = "ran"
    SAME = "no effect"


FINDINGS = (Verdict.UNAPPROVED, Verdict.FLOOR, Verdict.KEY, Verdict.KEEP)
"""Verdicts that break what a root of trust promises; the others cost at most a start."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A run's verdict, in words, and the approved image that ran ("" for none)."""

    verdict: Verdict
    why: str
    image: str = ""


def judge(subject: Subject, board: Board, end: End, before: dict[str, FlashState], floor: int) -> Outcome:
    """Return what became of a run that ended.

    Args:
        before: The flash at the run's start.
        floor: The version floor at the run's start.
    """
    for name, span in subject.keeps:
        if _changed(board, before, span.address, span.size):
            return Outcome(Verdict.KEEP, f"keep-area {name} is not what it was")
    outcome = _ended(subject, board, end, floor)
    if outcome.verdict is Verdict.UNAPPROVED:
        return outcome
    after = subject.floor(board.read_bytes) if any(f.operations for f in board.flashes) else floor
    if after < floor:
        return Outcome(Verdict.FLOOR, f"the version floor was {floor} and is {after}")
    if end.kind == "image":
        key = open_key(subject, board)
        if key:
            return Outcome(Verdict.KEY, key, outcome.image)
    return outcome


def _changed(board: Board, before: dict[str, FlashState], address: int, size: int) -> bool:
    flash = board.find_flash(address)
    if flash is None or flash.memory.name not in before:
        return False
    offset = address - flash.memory.base
    state = before[flash.memory.name]
    first, last = offset // flash.unit, (offset + size - 1) // flash.unit
    return (
        flash.read(address, size) != state.data[offset : offset + size]
        or bytes(flash.units[first : last + 1]) != state.units[first : last + 1]
    )


def _ended(subject: Subject, board: Board, end: End, floor: int) -> Outcome:
    if end.kind == "not covered":
        return Outcome(Verdict.NOT_COVERED, end.why)
    if end.kind == "crash":
        return Outcome(Verdict.CRASH, end.why)
    if end.kind == "hang":
        return Outcome(Verdict.HANG, end.why)
    if end.kind in ("waits", "resets"):
        return Outcome(Verdict.REFUSED, end.why)
    there = [a for a in subject.approved if a.span.address <= end.at < a.span.end]
    whole = [a for a in there if _authentic(board, a)]
    if whole:
        current = [a for a in whole if not a.sequence or a.sequence >= floor]
        if not current:
            old = whole[0]
            return Outcome(
                Verdict.UNAPPROVED,
                f"{old.name} ran, whose number {old.sequence} is under the version floor {floor}",
                old.name,
            )
        image = current[0]
        if image.recovery:
            return Outcome(Verdict.REFUSED, f"{image.name} took over", image.name)
        return Outcome(Verdict.RAN, f"{image.name} ran", image.name)
    place = f"0x{end.at:08x}"
    if any(_weak(board, a) for a in there):
        return Outcome(Verdict.UNAPPROVED, f"the core ran at {place} from cells whose erase was cut")
    if there:
        return Outcome(Verdict.UNAPPROVED, f"the core ran at {place}, in an image's place, but its bytes are altered")
    flash = board.find_flash(end.at)
    if flash is None:
        return Outcome(Verdict.UNAPPROVED, f"the core ran in RAM at {place}")
    return Outcome(Verdict.UNAPPROVED, f"the core ran at {place}, where no approved image belongs")


def _weak(board: Board, image: ApprovedImage) -> bool:
    """Return whether an image's bytes are all right, but stand in cells whose erase was cut."""
    weak = False
    for segment in image.image.segments:
        flash = board.find_flash(segment.address)
        if flash is None or board.read_bytes(segment.address, len(segment.data)) != segment.data:
            return False
        weak = weak or WEAK in _units(board, flash, segment.address, len(segment.data))
    return weak


def _units(board: Board, flash: FlashContent, address: int, size: int) -> bytes:
    """Return what the units are that are seen at some bus addresses."""
    offset = board.canonical(address) - flash.base
    return bytes(flash.units[offset // flash.unit : (offset + size - 1) // flash.unit + 1])


def _authentic(board: Board, image: ApprovedImage) -> bool:
    """Return whether an approved image lies unaltered at its run address, in cells that can be relied upon."""
    for segment in image.image.segments:
        flash = board.find_flash(segment.address)
        if flash is None or board.read_bytes(segment.address, len(segment.data)) != segment.data:
            return False
        if WEAK in _units(board, flash, segment.address, len(segment.data)):
            return False
    return True


def find_running(subject: Subject, board: Board, at: int) -> str:
    """Return the name of the approved image that lies unaltered from an address on; "" where none does."""
    return next((a.name for a in subject.approved if a.span.address == at and _authentic(board, a)), "")


def open_key(subject: Subject, board: Board) -> str:
    """Return why a key can be read by what runs now, or ""."""
    for secret in subject.bench.secrets:
        if secret.lock is not None and not secret.lock.holds(board.peek(secret.lock.at)):
            return f"key {secret.name} was left open to the image"
        value = board.read_bytes(secret.at, secret.size)
        if value and len(set(value)) > 1:
            for base, size, buffer in board.rams:
                at = buffer.read(0, size).find(value)
                if at >= 0:
                    return f"key {secret.name} was left in RAM at 0x{base + at:08x}"
    return ""


def same(outcome: Outcome, golden: Outcome, flash: Any, golden_flash: Any) -> Outcome:
    """Return the outcome, or "no effect" where it equals the golden run's and the flash does too.

    That holds for a run that breaks a promise without any fault too; the report says that such a run is not golden.
    """
    alike = outcome.verdict == golden.verdict and outcome.image == golden.image and flash == golden_flash
    if alike:
        return Outcome(Verdict.SAME, "as without the fault", outcome.image)
    return outcome
