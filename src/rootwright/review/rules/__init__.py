"""Design rules: what is asked of every product, beyond what `check` and `plan` find."""

from __future__ import annotations

from rootwright.plan.result import Finding
from rootwright.review.rules import keys, locks, part, physical, places, scope, update
from rootwright.review.rules.model import Provision, Reading, Rule, Subject

RULES: tuple[Rule, ...] = (
    *part.RULES,
    *locks.RULES,
    *places.RULES,
    *update.RULES,
    *keys.RULES,
    *scope.RULES,
    *physical.RULES,
)
"""All rules, in the order of the manual."""


def check_rules(subject: Subject) -> tuple[tuple[Finding, str], ...]:
    """Return what breaks a rule, with the field that it is about.

    First comes what must be mended, then what is to be known and decided.
    """
    found = [each for rule in RULES for each in rule.find(subject)]
    return (*(f for f in found if not f[0].note), *(f for f in found if f[0].note))


__all__ = ["RULES", "Provision", "Reading", "Rule", "Subject", "check_rules"]
