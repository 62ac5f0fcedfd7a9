"""What `--set` prints: what differs from the product as its files say it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rootwright.cli.columns import aligned, wrapped

if TYPE_CHECKING:
    from rootwright.describe.overrides import Override
    from rootwright.plan.result import PlanResult
    from rootwright.plan.what_if import Change, Difference

HELP = "Replace a value of the product or chip file, such as update.procedure=copy-over (may be given several times)."


def read_overrides(texts: Sequence[str]) -> tuple[Override, ...]:
    """Return what the `--set` arguments ask for."""
    from rootwright.describe.overrides import read_override

    return tuple(read_override(text) for text in texts)


def difference_of(base: PlanResult, changed: PlanResult) -> Difference:
    """Return what differs between two plans."""
    from rootwright.plan.what_if import compare_plans

    return compare_plans(base, changed)


def report(found: Difference, texts: Sequence[str], product_file: Path) -> list[str]:
    """Return the lines that stand before the changed plan: verdict, figures, places."""
    return [f"What if: {', '.join(texts)}", "", *side_by_side(found, product_file)]


def side_by_side(found: Difference, product_file: Path, verdicts: Sequence[tuple[str, str, str]] = ()) -> list[str]:
    """Return what two plans differ in, side by side, below rows with verdicts of another kind (head, before, after)."""
    base, changed = found.base, found.changed
    rows = [("", f"as {product_file.name} says", "with --set")]
    rows += _unlike("part", base.chip, changed.chip)
    rows += _unlike("update procedure", base.chosen, changed.chosen)
    rows += [("verdict", _verdict(base), _verdict(changed)), *verdicts]
    own = (base.plan.row, changed.plan.row)
    if base.chosen != changed.chosen:
        from rootwright.plan.what_if import row_changes

        rows += [_row(change) for change in row_changes(changed.chosen, *own)]
    else:
        rows += [_row(change) for change in found.changes if change.procedure == changed.chosen]
    lines = aligned(rows, "<<<")
    for heading, findings in (("no longer", found.gone), ("new", found.new)):
        for rule, text in findings:
            lines += wrapped(f"{heading}: {rule}: {text}", "  ")
    others = dict.fromkeys(change.procedure for change in found.changes)
    compared = [name for name in others if base.chosen != changed.chosen or name != changed.chosen]
    if compared:
        lines += ["", "  other procedures" if base.chosen == changed.chosen else "  procedure by procedure"]
    for name in compared:
        parts = [_words(change) for change in found.changes if change.procedure == name]
        lines += wrapped(f"{name}: {'; '.join(parts)}", "    ")
    if found.moves:
        lines += ["", "  places"]
        cells = [("", "block", "as given", "with --set")]
        cells += [("", move.block, _place(move.before), _place(move.after)) for move in found.moves]
        lines += aligned(cells, "<<<<")
    if not (found.changes or found.moves or found.gone or found.new or base.chosen != changed.chosen):
        lines += ["", "  nothing in the plan differs"]
    return [*lines, ""]


def _unlike(head: str, before: str, after: str) -> list[tuple[str, str, str]]:
    return [(head, before, after)] if before != after else []


def _verdict(result: PlanResult) -> str:
    count = sum(not finding.note for finding in result.findings)
    if result.plan.map is None:
        return "does not fit"
    return "fits" if not count else f"fits, {count} finding{'' if count == 1 else 's'}"


def _row(change: Change) -> tuple[str, str, str]:
    return (_figure_words(change), _value(change.figure, change.before), _value(change.figure, change.after))


def _words(change: Change) -> str:
    return f"{_figure_words(change)} {_value(change.figure, change.before)} -> {_value(change.figure, change.after)}"


def _figure_words(change: Change) -> str:
    return {
        "largest": f"largest {change.image}",
        "headroom": f"{change.image} beyond growth",
        "install_s": "install, at most",
        "longest_operation_s": "longest operation",
        "worn_block": "most worn block",
        "worn_erases": "erases per update",
        "worn_years": "years it lasts",
        "ram": "boot stage's RAM",
    }.get(change.figure, change.figure)


def _value(figure: str, value: bool | int | float | str | None) -> str:
    from rootwright.cli.plan import seconds_text, size_text, years_text

    if value is None or value == "":
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if figure in ("largest", "headroom", "ram", "free"):
        return size_text(int(value))
    if figure in ("install_s", "longest_operation_s"):
        return seconds_text(float(value) or None)
    if figure == "worn_years":
        return years_text(float(value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _place(place: tuple[str, int, int] | None) -> str:
    from rootwright.cli.plan import size_text

    return "-" if place is None else f"{place[0]} 0x{place[1]:08X}, {size_text(place[2])}"
