"""Which verdicts differ between two sets of proofs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rootwright.prove.proof import Proof


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A verdict that became another one, in the words of the report; empty where there was or is none.

    Attributes:
        subject: The procedure, or what else was explored, as the report names it.
        level: "steady" or the name of a harder level.
    """

    subject: str
    level: str
    before: str
    after: str


def compare_proofs(base: Sequence[Proof], changed: Sequence[Proof]) -> tuple[VerdictChange, ...]:
    """Return the verdicts in `changed` that differ from those in `base`, procedure by procedure."""
    before, after = _verdicts(base), _verdicts(changed)
    return tuple(
        VerdictChange(*key, before.get(key, ""), after.get(key, ""))
        for key in dict.fromkeys((*before, *after))
        if before.get(key, "") != after.get(key, "")
    )


def _verdicts(proofs: Sequence[Proof]) -> dict[tuple[str, str], str]:
    return {
        (proof.procedure, level): verdict.words
        for proof in proofs
        for level, verdict in (("steady", proof.steady), *proof.harder)
    }
