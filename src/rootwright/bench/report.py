"""What a bench found, as one value and in the forms that people and machines read: text, JSON, SARIF."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from rootwright import __version__
from rootwright.bench.campaign import LEFT_OUT, Hit, Mode, Tally
from rootwright.bench.firmware import Place
from rootwright.bench.golden import Golden
from rootwright.bench.judge import FINDINGS, Verdict
from rootwright.bench.subject import Subject

CAUTION = (
    "Test faults only on equipment that you own, under your site's rules. A bench without a finding is no proof: the "
    "emulator has no pipeline, no caches and no analogue behaviour."
)

NOT_ENFORCED = (
    "execute-only areas, bus gates and the sides of a secure/non-secure split; unprivileged loads and stores of "
    "privileged code (LDRT, STRT, mstatus.MPRV), which count as privileged",
    "bus timing, prefetch and interrupts other than NMI, SVCall, PendSV and the tick timer; caches keep old content "
    "only where the chip file says that reads are cached",
    "traps of division by zero and of unaligned accesses",
)


@dataclass(frozen=True, slots=True)
class LineFinding:
    """All hits at one line of source: place, what happened, how often, and the first of each kind."""

    place: Place
    pc: int
    text: str
    counts: tuple[tuple[str, str, int], ...]
    examples: tuple[Hit, ...]

    @property
    def hits(self) -> int:
        """How many faults at this line broke a promise."""
        return sum(n for _, _, n in self.counts)


@dataclass(frozen=True, slots=True)
class BenchReport:
    """A bench's results.

    Attributes:
        goldens: One for each start, in the product file's order.
        tallies: One for each of them.
    """

    subject: Subject = field(repr=False)
    mode: Mode
    goldens: tuple[Golden, ...] = field(repr=False)
    tallies: tuple[Tally, ...] = field(repr=False)

    @property
    def total(self) -> Tally:
        """All tallies together."""
        total = Tally()
        for tally in self.tallies:
            total.add(tally)
        return total

    @property
    def holds(self) -> bool:
        """Whether nothing broke a promise and every golden run is as expected."""
        return not self.total.hits and not any(g.fails for g in self.goldens)

    def lines(self) -> list[LineFinding]:
        """Return the hits grouped by line of source, the most first."""
        firmware = self.subject.firmware
        groups: dict[tuple[str, int, str], list[Hit]] = defaultdict(list)
        for hit in self.total.hits:
            place = firmware.place(hit.pc)
            groups[(place.file, place.line, place.function)].append(hit)
        found = []
        for (file, line, function), hits in groups.items():
            counts = Counter((h.fault.model.value, h.verdict.value) for h in hits)
            examples: dict[tuple[str, str], Hit] = {}
            for hit in hits:
                examples.setdefault((hit.fault.model.value, hit.verdict.value), hit)
            pc = min(h.pc for h in hits)
            found.append(
                LineFinding(
                    Place(file, line, function),
                    pc,
                    firmware.instruction(pc).text,
                    tuple((m, v, n) for (m, v), n in sorted(counts.items())),
                    tuple(examples[key] for key in sorted(examples)),
                )
            )
        return sorted(found, key=lambda item: (-item.hits, item.place.file, item.place.line))

    def assumed(self) -> list[tuple[str, int]]:
        """Return hooks that returned success and so were taken for granted, with how often."""
        counts: Counter[str] = Counter()
        for golden in self.goldens:
            counts.update(dict(golden.assumed))
        return sorted(counts.items())

    def left_out(self) -> list[str]:
        """Return what this bench did not look at."""
        lines = [f"mode {self.mode.value}: {LEFT_OUT[self.mode]}"]
        lines += NOT_ENFORCED
        lines += sorted({note for golden in self.goldens for note in golden.notes})
        uncovered = sum(n for (_, verdict), n in self.total.counts.items() if verdict == Verdict.NOT_COVERED.value)
        if uncovered:
            lines.append(f"{uncovered} faulted runs met a register that no rule covers: their outcome is unknown")
        return lines

    def data(self) -> dict[str, Any]:
        """Return the results as JSON data."""
        firmware = self.subject.firmware
        return {
            "tool": f"rootwright {__version__}",
            "boot": firmware.name,
            "mode": self.mode.value,
            "holds": self.holds,
            "runs": [
                {
                    "start": golden.start.name,
                    "instructions": len(golden.pcs),
                    "outcome": golden.outcome.verdict.value,
                    "why": golden.outcome.why,
                    "fails": golden.fails,
                    "flash operations": len(golden.operations),
                    "counts": [[m, v, n] for (m, v), n in sorted(tally.counts.items())],
                }
                for golden, tally in zip(self.goldens, self.tallies, strict=True)
            ],
            "findings": [
                {
                    "file": item.place.file,
                    "line": item.place.line,
                    "function": item.place.function,
                    "hits": item.hits,
                    "counts": [list(count) for count in item.counts],
                    "examples": [hit_data(self.subject, hit) for hit in item.examples],
                }
                for item in self.lines()
            ],
            "assumed": [list(item) for item in self.assumed()],
            "left out": self.left_out(),
            "caution": CAUTION,
        }

    def sarif(self) -> dict[str, Any]:
        """Return the findings in SARIF 2.1.0 (OASIS), for editors and code review."""
        rules = [
            {"id": verdict.value.replace(" ", "-"), "shortDescription": {"text": verdict.value}} for verdict in FINDINGS
        ]
        results = []
        for item in self.lines():
            for hit in item.examples:
                count = sum(n for m, v, n in item.counts if (m, v) == (hit.fault.model.value, hit.verdict.value))
                region = {"region": {"startLine": item.place.line}} if item.place.line else {}
                location = {
                    "physicalLocation": {"artifactLocation": {"uri": item.place.file or self.subject.firmware.name}}
                    | region,
                    "logicalLocations": [{"fullyQualifiedName": item.place.function or f"0x{hit.pc:08x}"}],
                }
                results.append(
                    {
                        "ruleId": hit.verdict.value.replace(" ", "-"),
                        "level": "error",
                        "message": {"text": f"{reason(self.subject, hit)} ({count} such; replay {hit.id})"},
                        "locations": [location],
                        "partialFingerprints": {"bench/v1": hit.id},
                    }
                )
        return {
            "$schema": "https://json.schemastore.org/sarif-2.1.0.json",
            "version": "2.1.0",
            "runs": [
                {
                    "tool": {"driver": {"name": "rootwright bench", "version": __version__, "rules": rules}},
                    "results": results,
                }
            ],
        }

    def text(self, most: int = 20) -> list[str]:
        """Return the results as printed lines."""
        product = self.subject.product
        firmware = self.subject.firmware
        lines = [f"{product.name} {product.model}: boot program {firmware.name} in the emulator", ""]
        for golden, tally in zip(self.goldens, self.tallies, strict=True):
            head = f"{golden.start.name}: {len(golden.pcs):,} instructions, {len(golden.operations)} flash operations"
            lines.append(f"{head}; {golden.outcome.why}")
            if golden.fails:
                lines.append(f"  NOT GOLDEN: {golden.fails}")
            lines += [f"  {line}" for line in count_lines(tally)]
        found = self.lines()
        lines.append("")
        if found:
            hits = sum(item.hits for item in found)
            lines.append(
                f"{hits} faults broke a promise, at {len(found)} line{'' if len(found) == 1 else 's'} of source:"
            )
            for item in found[:most]:
                lines.append(f"  {item.place}: {item.hits}")
                lines += [f"    {reason(self.subject, hit)}  [{hit.id}]" for hit in item.examples[:3]]
            if len(found) > most:
                lines.append(f"  ... and {len(found) - most} more lines; --json, --sarif and --html have them all")
        elif any(tally.runs for tally in self.tallies):
            lines.append("no fault that was tried broke a promise")
        assumed = self.assumed()
        if assumed:
            lines += ["", "assumed, not faulted: " + ", ".join(f"{name} returned success {n} x" for name, n in assumed)]
        lines += ["", "not covered:", *(f"  - {line}" for line in self.left_out()), "", CAUTION]
        return lines


def count_lines(tally: Tally) -> list[str]:
    """Return a table of outcomes by model."""
    if not tally.counts:
        return []
    models = sorted({model for model, _ in tally.counts})
    verdicts = [v.value for v in Verdict if any((m, v.value) in tally.counts for m in models)]
    rows = [["fault", "runs", *verdicts]]
    for model in models:
        cells = [tally.counts.get((model, verdict), 0) for verdict in verdicts]
        rows.append([model, f"{sum(cells):,}", *(f"{n:,}" if n else "-" for n in cells)])
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(c.rjust(w) if i else c.ljust(w) for i, (c, w) in enumerate(zip(r, widths, strict=True))) for r in rows
    ]


def reason(subject: Subject, hit: Hit) -> str:
    """Return one line: instruction, fault, what came of it."""
    text = subject.firmware.instruction(hit.pc).text
    return f"0x{hit.pc:08x} {text}: {hit.fault.words}; {hit.why}"


def hit_data(subject: Subject, hit: Hit) -> dict[str, Any]:
    """Return a hit as JSON data."""
    return {
        "id": hit.id,
        "start": hit.start,
        "address": hit.pc,
        "instruction": subject.firmware.instruction(hit.pc).text,
        "fault": hit.fault.words,
        "verdict": hit.verdict.value,
        "why": hit.why,
    }


def golden_lines(subject: Subject, goldens: Sequence[Golden]) -> list[str]:
    """Return what `--trace` prints: instructions, flash operations, functions, where time goes."""
    firmware = subject.firmware
    lines = []
    for golden in goldens:
        total = len(golden.pcs)
        seconds = total / subject.chip.clock_hz
        lines.append(f"{golden.start.name}: {golden.outcome.verdict.value}, {golden.outcome.why}")
        lines.append(
            f"  {total:,} instructions ({seconds * 1e3:.1f} ms at one instruction per clock), "
            f"{len(set(golden.pcs))} different"
        )
        for function, count in golden.hot(subject, 8):
            lines.append(f"    {count:12,}  {100 * count / max(total, 1):5.1f} %  {function}")
        if golden.operations:
            lines.append(f"  {len(golden.operations)} flash operations:")
            for op in golden.operations[:12]:
                what = f"{op.size} bytes" if op.kind == "program" else f"sector of {op.size} bytes"
                lines.append(f"    {op.index:10,}  {op.kind} 0x{op.address:08x}, {what}, at {firmware.place(op.pc)}")
            if len(golden.operations) > 12:
                lines.append(f"    ... {len(golden.operations) - 12} more")
        for label, count in golden.assumed:
            lines.append(f"  hooked {label} returned success {count} x")
        lines += [f"  not as on the part: {note}" for note in golden.notes]
        if golden.fails:
            lines.append(f"  NOT GOLDEN: {golden.fails}")
        lines.append("")
    return lines
