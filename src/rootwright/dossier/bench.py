"""What the bench found on the product's own boot program, read from the JSON that the bench gives."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rootwright.errors import FormatError
from rootwright.plan.result import Finding


class Tried(StrEnum):
    """What the boot program was put under."""

    CUTS = "power cuts"
    HOSTILE = "hostile updates"
    FAULTS = "faults"


@dataclass(frozen=True, slots=True)
class BenchRun:
    """One result of the bench.

    Attributes:
        boot: Name of the boot program's file.
        sha256: Digest of that file, in hex.
        words: What was tried and what came of it, in a sentence.
        level: How far it was looked, and what was left out.
        findings: What broke, each with its place in the source.
    """

    tried: Tried
    boot: str
    sha256: str
    holds: bool
    words: str
    level: str
    findings: tuple[str, ...]


def read_bench_result(text: str, *, name: str = "bench result") -> BenchRun:
    """Return what a result says.

    Raises:
        FormatError: The text is not what `rootwright bench --json` prints.
    """
    try:
        data = json.loads(text)
        read = {"cuts": _read_cuts, "hostile": _read_hostile, "faults": _read_faults}[data["kind"]]
        tried, holds, words, level, findings = read(data)
        boot, sha256 = str(data["boot"]), str(data["boot_sha256"])
        if type(holds) is not bool or holds is bool(findings) or len(bytes.fromhex(sha256)) != 32:
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise FormatError(
            "this is not what `rootwright bench --json` prints",
            where=name,
            next_step="write it with: rootwright bench product.toml --cuts --json > cuts.json, "
            "likewise with --hostile, and with neither for faults",
        ) from None
    return BenchRun(tried, boot, sha256, holds, words, level, tuple(findings))


_Read = tuple[Tried, bool, str, str, list[str]]


def _read_cuts(data: dict[str, Any]) -> _Read:
    rows = data["cuts"]
    states = sum(int(row["states"]) for row in rows)
    findings = [f"{f['verdict']}: the cut that kills is at {f['place']}" for row in rows for f in row["findings"]]
    findings = list(dict.fromkeys(findings))
    holds = all(row["holds"] for row in rows) and bool(rows)
    words = f"{len(rows)} run{'' if len(rows) == 1 else 's'}, {states:,} flash states; " + _broke(findings)
    reach = "; ".join(dict.fromkeys(str(row["reach"]) for row in rows))
    return Tried.CUTS, holds, words, f"{reach}; runs: {', '.join(str(row['start']) for row in rows)}", findings


def _read_hostile(data: dict[str, Any]) -> _Read:
    offered = ", ".join(f"{int(count):,} {word}" for word, count in data["offered"].items())
    findings = list(dict.fromkeys(f"{f['verdict']}: {f['why']} ({f['origin']})" for f in data["findings"]))
    words = f"{offered}; " + _broke(findings)
    level = f"in {data['run']}; {int(data['edges'])} branches reached"
    if data.get("no_trials"):
        level += f"; no hostile trials among them: {data['no_trials']}"
    return Tried.HOSTILE, data["holds"], words, level, findings


def _read_faults(data: dict[str, Any]) -> _Read:
    tried = sum(int(row[2]) for run in data["runs"] for row in run["counts"])
    models = dict.fromkeys(str(row[0]) for run in data["runs"] for row in run["counts"])
    findings = [
        f"{', '.join(dict.fromkeys(str(count[1]) for count in f['counts']))}: "
        f"{f['file']}:{f['line']} ({f['function']}), {f['hits']} of the faults"
        for f in data["findings"]
    ]
    ungolden = [
        f"{run['start']} is not as it should be without any fault: {run['why']}" for run in data["runs"] if run["fails"]
    ]
    words = f"{tried:,} faults in {len(data['runs'])} run{'' if len(data['runs']) == 1 else 's'}; " + _broke(
        [*ungolden, *findings]
    )
    level = f"mode {data['mode']}; models: {', '.join(models)}"
    if "budget" in data:
        level = f"mode {data['mode']}; {data['budget']}"
    return Tried.FAULTS, data["holds"], words, level, [*ungolden, *findings]


def _broke(findings: list[str]) -> str:
    return f"{len(findings)} place{'' if len(findings) == 1 else 's'} broke." if findings else "nothing broke."


def bench_findings(runs: tuple[BenchRun, ...]) -> list[Finding]:
    """Return what the bench broke, and what it was not asked."""
    found = [
        Finding(
            "bench.breaks",
            f"{run.boot} under {run.tried.value}",
            text,
            "mend the boot program there, build it, and run the bench again",
        )
        for run in runs
        for text in run.findings
    ]
    missing = [tried.value for tried in Tried if not any(run.tried is tried for run in runs)]
    if missing:
        found.append(
            Finding(
                "boot-stage.not-tested",
                "product's ELF",
                f"the boot stage's own code was not run: {', '.join(f'not under {word}' for word in missing)}",
                "test it on the bench; the other verdicts here are about models",
                True,
            )
        )
    return found
