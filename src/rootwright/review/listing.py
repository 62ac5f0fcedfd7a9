"""Rules and attack steps as Markdown, for the manual and for whoever wants to read or rate them."""

from __future__ import annotations

from itertools import groupby

from rootwright.describe.attack import AttackStep, Effort, Raise, Range
from rootwright.review.rules import RULES, Rule

GROUPS = {
    "part": "The part",
    "locks": "Write protection",
    "places": "Where things lie",
    "update": "Updates",
    "keys": "Keys",
    "scope": "Scope and names",
    "physical": "Faults, tampering, production",
}


def rule_tables(rules: tuple[Rule, ...] = RULES) -> str:
    """Return all rules: a heading and a table for each group."""
    parts = []
    for group, members in groupby(rules, key=lambda rule: rule.id.partition(".")[0]):
        parts.append(
            f"## {GROUPS[group]}\n\n| Rule | What is asked, and why | How to mend | Serves |\n|---|---|---|---|\n"
        )
        for rule in members:
            note = " (note)" if rule.note else ""
            serves = "; ".join(provision.words for provision in rule.serves)
            cells = (f"`{rule.id}`{note}", f"**{rule.title}.** {rule.why}", rule.mend, serves)
            parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n")
        parts.append("\n")
    return "".join(parts).rstrip() + "\n"


def step_tables(steps: tuple[AttackStep, ...]) -> str:
    """Return all steps: a heading and a table for each place where they are taken."""
    parts = []
    kinds = list(dict.fromkeys(step.kind for step in steps))
    for kind in kinds:
        parts.append(
            f"## {kind[:1].upper()}{kind[1:]}\n\n"
            "| Step | Needs; gives | Stopped by; made dearer by | First device | Each further | Why; source |\n"
            "|---|---|---|---|---|---|\n"
        )
        rows = [_cells(step) for step in steps if step.kind is kind]
        parts += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |\n" for row in rows]
        parts.append("\n")
    return "".join(parts).rstrip() + "\n"


def _cells(step: AttackStep) -> tuple[str, ...]:
    when = f" Only with: {', '.join(step.when)}." if step.when else ""
    needs = ", ".join(step.needs) or "nothing"
    stops = ", ".join(step.blocked_by) or "nothing"
    dearer = "; ".join(_raise_words(raised) for raised in step.raised_by)
    threats = f" {', '.join(step.threats)}." if step.threats else ""
    return (
        f"`{step.id}` {step.title}.{when}",
        f"{needs}; *{', '.join(step.gives)}*",
        f"{stops}; {dearer}" if dearer else stops,
        range_words(step.first),
        "nothing" if step.again == Range() else "the same" if step.again == step.first else range_words(step.again),
        f"{step.why} {step.source[:1].upper()}{step.source[1:]}.{threats}",
    )


def _raise_words(raised: Raise) -> str:
    return f"{raised.by} (at least or besides: {range_words(raised.more)})"


def range_words(guess: Range) -> str:
    """Return a guess in words, factors at their lowest left out but for time and expertise.

    Example:
        >>> range_words(Range(Effort(days=1), Effort(days=3)))
        '1 to 3 days, layman'
    """
    low, high = guess.low, guess.high

    def span(a: object, b: object, unit: str = "") -> str:
        return f"{a}{unit}" if a == b else f"{a} to {b}{unit}"

    days = span(f"{low.days:g}", f"{high.days:g}")
    words = [f"{days} day{'' if days == '1' else 's'}", span(low.expertise, high.expertise)]
    if high.field:
        words[-1] += f" ({high.field})"
    if high.knowledge != Effort().knowledge:
        words.append(f"knowledge {span(low.knowledge, high.knowledge)}")
    if high.access_hours:
        words.append(span(f"{low.access_hours:g}", f"{high.access_hours:g}", " hours of access"))
    if high.samples:
        words.append(span(low.samples, high.samples, " devices used up"))
    if high.rig:
        words.append(f"{span(low.equipment, high.equipment)} ({high.rig})")
    return ", ".join(words)
