"""Hostile updates on the real code: the hostile trials, files, the staged update cut short at every length, mutations.

Every update is put into staging as bytes, and the device started. An altered update that runs, a floor that falls, a
boot program that faults or hangs: each is a finding, with its bytes kept. The mutations are guided by the branches that
they reach: an input that reaches a new one is altered further.
"""

from __future__ import annotations

import hashlib
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from rootwright.bench.ends import End
from rootwright.bench.flash import FlashContent, FlashState
from rootwright.bench.judge import FINDINGS, Verdict, judge
from rootwright.bench.subject import Subject
from rootwright.errors import BenchError
from rootwright.writing import write_file

if TYPE_CHECKING:
    from rootwright.bench.updates import Update

INTERESTING = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFE0, 0xFFFF_FFFF)
LARGEST_CORPUS = 2000


class Packer(Protocol):
    """Puts other code into an image that the boot program takes as signed."""

    @property
    def code(self) -> bytes:
        """The genuine code."""

    def pack(self, code: bytes) -> bytes:
        """Return an image that holds other code."""


@dataclass(frozen=True, slots=True)
class HostileFinding:
    """An update that broke something: where it came from, verdict, why, its digest (its file's name)."""

    origin: str
    verdict: str
    why: str
    name: str
    data: bytes = field(repr=False)


@dataclass(slots=True)
class HostileResult:
    """What hostile updates came to.

    Attributes:
        no_trials: Why no hostile trials were offered; empty where they were.
        offered: How many of each origin.
        edges: Different branches that were reached.
        late_edges: How many of them by mutations alone.
    """

    run: str
    no_trials: str = ""
    offered: Counter[str] = field(default_factory=Counter)
    outcomes: Counter[str] = field(default_factory=Counter)
    findings: list[HostileFinding] = field(default_factory=list)
    edges: int = 0
    late_edges: int = 0
    seconds: float = 0.0

    @property
    def holds(self) -> bool:
        """Whether nothing broke."""
        return not self.findings

    def data(self) -> dict[str, Any]:
        """Return the result as JSON data."""
        return {
            "run": self.run,
            "holds": self.holds,
            "offered": dict(sorted(self.offered.items())),
            "outcomes": dict(sorted(self.outcomes.items())),
            "edges": self.edges,
            "no_trials": self.no_trials,
            "findings": [
                {"origin": f.origin, "verdict": f.verdict, "why": f.why, "file": f"{f.name}.bin"} for f in self.findings
            ],
        }

    def text(self) -> list[str]:
        """Return the result as printed lines."""
        offered = ", ".join(f"{count:,} {word}" for word, count in self.offered.items())
        lines = [
            f"hostile updates in {self.run}: {offered}; {self.edges} branches reached, {self.late_edges} by mutation"
        ]
        lines += [f"  {count:8,}  {word}" for word, count in sorted(self.outcomes.items(), key=lambda item: -item[1])]
        groups: dict[tuple[str, str], list[HostileFinding]] = {}
        for finding in self.findings:
            groups.setdefault((finding.verdict, finding.why), []).append(finding)
        for (verdict, why), found in groups.items():
            first = found[0]
            lines.append(f"  FAILS: {verdict}, {len(found)} x: {why}")
            lines.append(f"    first by {first.origin}, {len(first.data)} bytes, {first.name}.bin")
        if self.holds:
            lines.append("  nothing broke")
        if self.no_trials:
            lines.append(f"  no trials among them: {self.no_trials}")
        if not any(kind.startswith("packed") for kind in self.offered):
            lines.append(
                "  an update that changes what is signed cannot get past the signature, so little lies behind it"
            )
        return lines


class Offerer:
    """Puts updates into staging and starts the device."""

    def __init__(self, subject: Subject, *, hooked: bool = True) -> None:
        staged = subject.bench.staged
        if staged is None:
            raise BenchError(
                "hostile updates need the place of a staged update",
                where="[bench]",
                next_step="add a table [bench.staged] with at, size and the run whose flash holds an update",
            )
        self.subject, self.staged = subject, staged
        self.edges: set[tuple[int, int]] = set()
        self._new: set[tuple[int, int]] = set()
        self._last = 0
        run = next(r for r in subject.bench.runs if r.name == staged.run)
        self.base = subject.flash_of(run)
        self.board = subject.board(hooked=hooked, blocks=self._block)
        self.memory = next(f for f in self.board.flashes if f.holds(staged.at, staged.size))
        self.scratch = FlashContent(self.memory.memory)
        self.scratch.put(self.base[self.memory.memory.name])
        self.original = self.scratch.read(staged.at, staged.size)
        self.room = self._clear() - staged.at
        self.mark = self.scratch.snapshot()
        self.board.power_up(self.base)
        self.floor = subject.floor(self.board.read_bytes)

    def _clear(self) -> int:
        """Blank the sectors that the update lies in; return where they end."""
        at = self.staged.at
        while at < self.staged.at + self.staged.size:
            self.scratch.erase(at, pc=0, index=0)
            at = self.scratch.sector(at)[1]
        return at

    def _block(self, address: int) -> None:
        edge = (self._last, address)
        self._last = address
        if edge not in self.edges:
            self._new.add(edge)

    def offer(self, data: bytes, *, signed: bool = False) -> tuple[str, str, int]:
        """Return what an update came to: verdict, why, and how many new branches it reached.

        Args:
            signed: Whether the trial key signed it: then it may run in an image's place.
        """
        self.scratch.restore(self.mark)
        if data:
            self.scratch.load(self.staged.at, data[: self.room])
        flash: dict[str, FlashState] = {**self.base, self.memory.memory.name: self.scratch.state()}
        self._new.clear()
        self._last = 0
        self.board.power_up(flash)
        end = self.board.run(self.subject.bench.limit)
        new = len(self._new)
        self.edges |= self._new
        outcome = judge(self.subject, self.board, end, flash, self.floor)
        verdict, why = outcome.verdict.value, outcome.why
        if outcome.verdict not in FINDINGS and self.board.faults:
            pc, name = self.board.faults[0]
            verdict, why = "parser fault", f"{name} at {self.subject.firmware.place(pc)}"
            if signed and not self.subject.firmware.is_code(pc):
                verdict, why = Verdict.RAN.value, "the update was started, signed with the trial key, and crashed"
        elif outcome.verdict in (Verdict.CRASH, Verdict.HANG):
            verdict = "brick"
        elif signed and outcome.verdict is Verdict.UNAPPROVED and self._in_place(end):
            verdict, why = Verdict.RAN.value, "the update ran, signed with the trial key"
        return verdict, why, new

    def _in_place(self, end: End) -> bool:
        return end.kind == "image" and any(a.span.address <= end.at < a.span.end for a in self.subject.approved)


_FINE = (Verdict.RAN.value, Verdict.REFUSED.value)


def offer_all(
    subject: Subject,
    *,
    seconds: float,
    clock: Callable[[], float],
    trials: Sequence[Update] = (),
    no_trials: str = "",
    packer: Packer | None = None,
    hooked: bool = True,
    updates: Path | None = None,
    folder: Path | None = None,
    progress: Callable[[str, int], None] | None = None,
    seed: int = 0,
) -> HostileResult:
    """Return what hostile updates do to the boot program.

    Args:
        seconds: Time for the mutations; trials, files and lengths are tried wholly.
        clock: Seconds that pass, from any beginning.
        trials: What the hostile trials leave in staging.
        no_trials: Why there are none.
        packer: Packs mutated code with the product's own packer: every fourth mutation goes through it.
        hooked: Whether digests and signature checks are hooked; what goes wrong inside them shows without.
        updates: A folder whose files are offered first.
        folder: Where the bytes of findings are written.
    """
    offerer = Offerer(subject, hooked=hooked)
    result = HostileResult(offerer.staged.run, no_trials)
    begun = clock()

    def offer(origin: str, kind: str, data: bytes, *, signed: bool = False) -> int:
        verdict, why, new = offerer.offer(data, signed=signed)
        result.offered[kind] += 1
        result.outcomes[why if verdict in _FINE else f"{verdict}: {why}"] += 1
        if verdict not in _FINE:
            name = f"hostile-{hashlib.sha256(data).hexdigest()[:16]}"
            result.findings.append(HostileFinding(origin, verdict, why, name, data))
            if folder is not None:
                write_file(folder / f"{name}.bin", data)
        if progress is not None:
            progress("hostile updates", result.offered.total())
        return new

    corpus = [offerer.original]
    offer("the update as it is", "as it is", offerer.original)
    for update in trials:
        offer(update.origin, update.kind, update.data, signed=update.signed)
        if not update.signed:
            corpus.append(update.data)
    for path in sorted(updates.iterdir()) if updates is not None else ():
        if path.is_file():
            data = path.read_bytes()
            offer(path.name, "files", data)
            corpus.append(data)
    for length in _lengths(offerer):
        offer(f"cut short to {length} bytes", "lengths", offerer.original[:length])
    early = len(offerer.edges)
    dice = random.Random(seed)  # noqa: S311
    started = clock()
    codes = [packer.code] if packer is not None else []
    while clock() - started < seconds:
        if packer is not None and dice.randrange(4) == 0:
            code, what = mutated(dice, dice.choice(codes), codes)
            if offer(f"packed mutation: {what}", "packed mutations", packer.pack(code), signed=True):
                codes = [*codes, code][-LARGEST_CORPUS:]
            continue
        data, what = mutated(dice, dice.choice(corpus), corpus)
        if offer(f"mutation: {what}", "mutations", data) and len(corpus) < LARGEST_CORPUS:
            corpus.append(data)
    result.edges = len(offerer.edges)
    result.late_edges = result.edges - early
    result.seconds = clock() - begun
    return result


def _lengths(offerer: Offerer) -> Iterator[int]:
    """Yield every length up to the update's own: a device learns only whole program units."""
    used = len(offerer.original.rstrip(bytes([offerer.memory.erased])))
    unit = offerer.memory.unit
    yield from range(0, min(used, 512))
    yield from range(min(used, 512), used, unit)


def mutated(dice: random.Random, data: bytes, corpus: list[bytes]) -> tuple[bytes, str]:
    """Return an altered update and what was done, in words."""
    made = bytearray(data or b"\x00")
    words = []
    for _ in range(dice.choice((1, 1, 1, 2, 3, 5))):
        # Headers decide more than bodies do.
        reach = min(len(made), 256) if dice.random() < 0.7 else len(made)
        at = dice.randrange(max(reach, 1))
        way = dice.randrange(6)
        if way == 0:
            made[at] ^= 1 << dice.randrange(8)
            words.append(f"bit at {at}")
        elif way == 1:
            made[at] = dice.randrange(256)
            words.append(f"byte at {at}")
        elif way == 2:
            at &= ~3
            value = dice.choice((*INTERESTING, len(made), len(made) + 4, dice.getrandbits(32)))
            made[at : at + 4] = (value & 0xFFFF_FFFF).to_bytes(4, "little")[: len(made) - at]
            words.append(f"word at {at}")
        elif way == 3 and len(made) > 1:
            del made[dice.randrange(len(made)) :]
            made = made or bytearray(1)
            words.append(f"cut at {len(made)}")
        elif way == 4:
            other = dice.choice(corpus)
            size = dice.choice((4, 16, 64, 256))
            piece = other[at : at + size]
            made[at : at + len(piece)] = piece
            words.append(f"{len(piece)} bytes of another at {at}")
        else:
            start, size = dice.randrange(len(made)), dice.choice((4, 16, 64))
            piece = bytes(made[start : start + size])
            made[at : at + len(piece)] = piece
            words.append(f"copied {len(piece)} bytes to {at}")
    return bytes(made), ", ".join(words) or "nothing"
