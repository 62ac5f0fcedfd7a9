"""Verdicts of two sets of proofs side by side, and which of them differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rootwright.prove.proof import Proof, Verdict


@dataclass(frozen=True, slots=True)
class VerdictBeside:
    """One verdict before and after; None where it was or is not explored.

    Attributes:
        subject: The procedure, or what else was explored, as the report names it.
        level: "steady" or the name of a harder level.
    """

    subject: str
    level: str
    before: Verdict | None
    after: Verdict | None

    @property
    def turns(self) -> bool:
        """Whether it is another verdict after than before."""
        return self.words(self.before) != self.words(self.after)

    @staticmethod
    def words(verdict: Verdict | None) -> str:
        """Return a verdict in the words of the report; empty where there is none."""
        return "" if verdict is None else verdict.words

    def as_data(self) -> dict[str, Any]:
        """Return both as plain data for JSON."""
        pair = (self.before, self.after)
        return {
            "subject": self.subject,
            "level": self.level,
            "before": self.words(self.before),
            "after": self.words(self.after),
            "erases_per_run": [verdict.erases if verdict is not None and verdict.holds else None for verdict in pair],
            "broken_claim": [verdict.claim if verdict is not None else "" for verdict in pair],
        }


def compare_proofs(base: Sequence[Proof], changed: Sequence[Proof]) -> tuple[VerdictBeside, ...]:
    """Return every verdict of `changed` beside that of `base`, procedure by procedure."""
    before, after = _verdicts(base), _verdicts(changed)
    return tuple(VerdictBeside(*key, before.get(key), after.get(key)) for key in dict.fromkeys((*after, *before)))


def _verdicts(proofs: Sequence[Proof]) -> dict[tuple[str, str], Verdict]:
    return {
        (proof.procedure, level): verdict
        for proof in proofs
        for level, verdict in (("steady", proof.steady), *proof.harder)
    }
