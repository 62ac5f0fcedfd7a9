"""The evidence in short: as data for machines, and as lines for a terminal."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rootwright.dossier.assumptions import register
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.dossier.findings import falls_short, find_open
from rootwright.dossier.verdicts import Outcome, make_rows, overall
from rootwright.suit.inspection import Inspection
from rootwright.suit.listing import inspection_data, plain


def as_data(evidence: Evidence) -> dict[str, Any]:
    """Return the evidence as plain dictionaries, lists, numbers and texts, ready for JSON."""
    points = find_open(evidence)
    _, verdict, meaning = overall(points)
    release, trials, lockdown = evidence.release, evidence.trials, evidence.lockdown
    return {
        "product": f"{evidence.product.name} {evidence.product.model}",
        "revision": evidence.product.revision,
        "part": evidence.product.chip.name,
        "tool": evidence.version,
        "command": evidence.command,
        "falls_short": falls_short(points),
        "verdict": verdict,
        "meaning": meaning,
        "findings": [asdict(point) for point in points if not point.note],
        "left_open": [asdict(point) for point in points if point.note],
        "files": [asdict(file) for file in evidence.files],
        "verdicts": [asdict(row) for row in make_rows(evidence)],
        "plan": evidence.plan.as_data(),
        "proofs": [proof.as_data() for proof in evidence.proofs],
        "broken_variants": [variant.as_data() for variant in evidence.broken],
        "release": asdict(release) if isinstance(release, NotDone) else _release_data(release.inspection),
        "trials": asdict(trials) if isinstance(trials, NotDone) else trials.to_dict(),
        "lockdown": asdict(lockdown) if isinstance(lockdown, NotDone) else lockdown.as_data(),
        "review": None if evidence.review is None else evidence.review.as_data(),
        "parts": None if evidence.parts is None else evidence.parts.as_data(),
        "assumptions": [
            {
                "id": row.known.id,
                "about": row.known.about,
                "statement": row.known.statement,
                "if_false": row.known.if_false,
                "owner": row.owner,
                "page": row.page,
            }
            for row in register(evidence.product)
        ],
    }


def _release_data(inspection: Inspection) -> dict[str, Any]:
    return inspection_data(inspection)


def summary_lines(evidence: Evidence) -> list[str]:
    """Return what a terminal shows: the verdicts, the findings, how much is left open."""
    points = find_open(evidence)
    _, verdict, _ = overall(points)
    rows = make_rows(evidence)
    lines = [f"{evidence.product.name} {evidence.product.model} on {evidence.product.chip.name}", ""]
    widths = [max(len(row.subject) for row in rows), max(len(row.artefact) for row in rows)]
    width = max(len(outcome) for outcome in Outcome)
    lines += [
        f"  {row.outcome:{width}}  {row.subject:{widths[0]}}  {row.artefact:{widths[1]}}".rstrip() for row in rows
    ]
    lines.append("")
    for point in points:
        if not point.note:
            where = f" ({point.block})" if point.block else ""
            lines += [f"finding: {point.rule}{where}: {point.found}", f"    next: {point.next_step}"]
    notes = sum(point.note for point in points)
    lines.append(f"{verdict}; {notes} point{' is' if notes == 1 else 's are'} left open")
    return [plain(line) for line in lines]
