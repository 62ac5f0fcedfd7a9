"""`rootwright check`: read a product and its part; say what was understood and what is wrong."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rootwright.describe.problems import DescriptionProblems
    from rootwright.plan.root_of_trust import PartFinding, PartVerdict


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--without-files", is_flag=True, help="Do not ask whether the named firmware files exist.")
@click.option("--parts", is_flag=True, help="List the packaged part profiles instead, from weak to strong.")
def command(file: Path | None, as_json: bool, without_files: bool, parts: bool) -> int:
    """Read a product file (or a chip file alone) and say what was understood, and what is wrong.

    Exit code 0: nothing found. 1: the part cannot give what the product needs. 2: the file has mistakes.
    """
    from rootwright.describe.open_points import open_points_of
    from rootwright.describe.problems import DescriptionProblems

    if parts:
        print_parts(as_json=as_json)
        return 0
    if file is None:
        raise click.UsageError("name a product file: rootwright check product.toml")
    try:
        lines, verdict, gaps, head, notes = _read(file, check_files=not without_files)
    except DescriptionProblems as error:
        if not as_json:
            raise
        _print_json({"file": str(file), "problems": _problems(error)})
        return 2
    points = open_points_of(file)
    if as_json:
        left = [{"file": point.file, "line": point.line, "text": point.text} for point in points]
        data = {**_verdict_data(verdict, gaps), "open_points": left, "understood": lines, "notes": notes}
        _print_json({"file": str(file), **data})
    else:
        click.echo(head)
        _print_lines(lines)
        _print_verdict(verdict)
        for note in notes:
            click.echo(f"note: {note}")
        for gap in gaps:
            click.echo(f"finding: {gap.field}: {gap.message}\n    {gap.next_step}")
        for point in points:
            click.echo(f"to fill in: {point.where}: {point.text}")
        found = [f"{len(gaps)} finding{'' if len(gaps) == 1 else 's'}"] if gaps else []
        found += [f"{len(points)} point{'' if len(points) == 1 else 's'} to fill in"] if points else []
        click.echo(", ".join(found) or "nothing found")
    return 1 if gaps or points else 0


def _read(
    file: Path, *, check_files: bool
) -> tuple[list[tuple[str, str]], PartVerdict, tuple[PartFinding, ...], str, list[str]]:
    from rootwright.describe.loading import is_chip_file, load_chip, load_product
    from rootwright.describe.summary import chip_summary, summary
    from rootwright.plan.root_of_trust import PartFinding, find_gaps, judge_part

    if is_chip_file(file):
        chip = load_chip(file)
        verdict = judge_part(chip)
        gaps: tuple[PartFinding, ...] = ()
        if not verdict.is_possible:
            message = f"{chip.name} {verdict.standing.value}"
            gaps = (PartFinding("chip", message, "choose a part that offers one of the foundations"),)
        return list(chip_summary(chip)), verdict, gaps, "A part, described alone", []
    product = load_product(file, check_files=check_files)
    notes = [
        f"{key.file} is not there yet; " + ("it is made when first needed" if key.demo else "only signing needs it")
        for key in product.keys
        if not (file.parent / key.file).is_file()
    ]
    head = f"{product.name} {product.model} by {product.maker}, hardware revision {product.revision}"
    return list(summary(product)), judge_part(product.chip), find_gaps(product), head, notes


def print_parts(*, as_json: bool = False) -> None:
    """Print the packaged part profiles in order of strength, one line each."""
    from rootwright.describe.loading import load_chip, profile_names
    from rootwright.plan.root_of_trust import judge_part

    chips = sorted(((load_chip(name), name) for name in profile_names()), key=lambda pair: pair[0].strength)
    if as_json:
        rows = []
        for chip, name in chips:
            verdict = judge_part(chip)
            row: dict[str, Any] = {"name": name, "strength": chip.strength, "architecture": chip.architecture.value}
            rows.append({**row, "title": chip.title, **_verdict_data(verdict, ())["root_of_trust"]})
        _print_json({"parts": rows})
        return
    width = max(len(name) for _, name in chips)
    for chip, name in chips:
        mark = judge_part(chip).standing.value.replace(" a root of trust", "")
        click.echo(f"{chip.strength:3}  {name:{width}}  {chip.architecture.value:8}  {mark:22}  {chip.title}")


def _print_lines(lines: list[tuple[str, str]]) -> None:
    width = max(len(topic) for topic, _ in lines)
    before = ""
    for topic, sentence in lines:
        click.echo(f"  {'' if topic == before else topic:{width}}  {sentence}")
        before = topic


def _print_verdict(verdict: PartVerdict) -> None:
    click.echo(f"root of trust: the part {verdict.standing.value}; it rests on: {verdict.foundation.value}")
    for topic, sentences in (("why", verdict.reasons), ("limit", verdict.limits), ("caution", verdict.cautions)):
        for sentence in sentences:
            click.echo(f"  {topic:7}  {sentence}")
    if verdict.alternatives:
        click.echo(f"  {'else':7}  {'; '.join(verdict.alternatives)}")


def _verdict_data(verdict: PartVerdict, gaps: tuple[PartFinding, ...]) -> dict[str, Any]:
    return {
        "root_of_trust": {
            "standing": verdict.standing.value,
            "foundation": verdict.foundation.value,
            "alternatives": [alternative.value for alternative in verdict.alternatives],
            "reasons": verdict.reasons,
            "limits": verdict.limits,
            "cautions": verdict.cautions,
        },
        "findings": [{"field": g.field, "message": g.message, "next_step": g.next_step} for g in gaps],
        "problems": [],
    }


def _problems(error: DescriptionProblems) -> list[dict[str, Any]]:
    return [
        {
            "file": problem.file,
            "line": problem.line,
            "field": problem.field,
            "found": problem.found,
            "expected": problem.expected,
            "suggestion": problem.suggestion,
        }
        for problem in error.problems
    ]


def _print_json(data: dict[str, Any]) -> None:
    import json

    click.echo(json.dumps(data, indent=2, ensure_ascii=False))
