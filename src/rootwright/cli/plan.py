"""`rootwright plan`: place everything in memory and compare all update procedures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rootwright.cli.columns import WIDTH, aligned, wrapped
from rootwright.cli.what_if import HELP, difference_of, read_overrides

if TYPE_CHECKING:
    from rootwright.describe.overrides import Override
    from rootwright.layout.demand import Demand
    from rootwright.layout.map import Map
    from rootwright.plan.result import Finding, PlanResult, Row


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the map into this SVG file.")
@click.option("--procedure", help="Look at this update procedure instead of the product's own.")
@click.option("--check", "check", is_flag=True, help="Judge the map that the product's pins give; move no pin.")
@click.option("--set", "sets", metavar="PATH=VALUE", multiple=True, help=HELP)
def command(
    product_file: Path, as_json: bool, svg: Path | None, procedure: str | None, check: bool, sets: tuple[str, ...]
) -> int:
    """Place everything in memory; compare all update procedures.

    Prints the memory map of the product's update procedure, the figures of all procedures side by side, and what
    breaks a limit. Exit code 0: it fits and breaks none. 1: it does not. 2: bad input.

    With --set, what differs from the product as it is comes first; no file is changed.
    """
    import json

    from rootwright.describe.loading import load_product
    from rootwright.pipeline import plan_product
    from rootwright.writing import write_file

    overrides = read_overrides(sets)
    if check:
        return _check(product_file, overrides, procedure, svg, as_json=as_json)
    difference = None
    if sets:
        base = plan_product(load_product(product_file), product_file.parent, procedure=procedure)
    product = load_product(product_file, overrides=overrides)
    result = plan_product(product, product_file.parent, procedure=procedure)
    if sets:
        difference = difference_of(base, result)
    plan = result.plan
    if svg is not None:
        if plan.map is None:
            click.echo(f"no picture: {plan.row.title} has no map", err=True)
        else:
            from rootwright.plan.picture import draw_map

            write_file(svg, draw_map(plan.map, plan.demand, product.chip, title=result.product).encode())
    if as_json:
        data = result.as_data()
        if difference is not None:
            data |= {"set": list(sets), "difference": difference.as_data()}
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        from rootwright.cli.what_if import report as difference_lines

        lines = difference_lines(difference, sets, product_file) if difference is not None else []
        for line in [*lines, *report(result)]:
            click.echo(line)
    return 1 if result.breaks_a_limit else 0


def _check(
    product_file: Path, overrides: Sequence[Override], procedure: str | None, svg: Path | None, *, as_json: bool
) -> int:
    import json

    from rootwright.cli import given
    from rootwright.describe.loading import load_product
    from rootwright.pipeline import judge_given_map

    if svg is not None:
        raise click.UsageError("--svg draws the map of a plan; leave out --check")
    product = load_product(product_file, check_places=False, overrides=overrides)
    judged = judge_given_map(product, product_file.parent, procedure=procedure)
    if as_json:
        click.echo(json.dumps(judged.as_data(), indent=2, ensure_ascii=False))
    else:
        for line in given.report(judged, product):
            click.echo(line)
    return 0 if judged.holds else 1


def report(result: PlanResult) -> list[str]:
    """Return the lines of the printed report, at most 120 columns wide."""
    plan = result.plan
    lines = [f"{result.product} on {result.chip}, updated by: {plan.row.title.lower()}", ""]
    if plan.map is None:
        lines.append("  no map: see the finding below")
    else:
        lines += map_lines(plan.map, plan.demand)
        lines.append(f"  {plan.row.free:,} bytes of non-volatile memory are free")
    lines += ["", "All update procedures, worst case (* marks the one above)", ""]
    lines += row_lines([p.row for p in result.plans], result.chosen)
    reasons: dict[str, list[str]] = {}
    for other in result.plans:
        if not other.row.fits and other.row.procedure != result.chosen:
            reasons.setdefault(other.row.reason, []).append(other.row.procedure)
    for reason, names in reasons.items():
        lines += wrapped(f"{', '.join(names)}: {reason}", "  ")
    lines += ["", *finding_lines(result.findings)]
    return lines


def map_lines(plan: Map, demand: Demand) -> list[str]:
    """Return the map as a table: addresses, size, sectors, use, protection."""
    from rootwright.plan.picture import used_share

    head = ("memory", "block", "from", "to", "size", "sectors", "used", "protected")
    rows = [head]
    for region in plan.regions:
        share = used_share(region)
        protected = "yes" if demand.block(region.block).write_protect else ""
        rows.append(
            (
                region.memory,
                region.block,
                f"0x{region.address:08X}",
                f"0x{region.end - 1:08X}",
                size_text(region.size),
                str(region.sectors),
                "" if share is None else f"{share:.0%}".replace("%", " %"),
                protected,
            )
        )
    return aligned(rows, "<<>>>>><")


def row_lines(rows: list[Row], chosen: str) -> list[str]:
    """Return the comparison: one line per measure, one column per procedure."""
    images = [room.image for room in max((row.rooms for row in rows), key=len, default=())]
    table: list[tuple[str, ...]] = [("", *(f"{r.procedure}{'*' if r.procedure == chosen else ''}" for r in rows))]
    table.append(("fits", *("yes" if r.fits else "no" for r in rows)))
    table.append(("images kept", *(r.images_kept for r in rows)))
    table.append(("copies", *(r.copies for r in rows)))
    table.append(("way back", *(_yes(r.way_back) for r in rows)))
    table.append(("cut download ok", *(_yes(r.survives_interrupted_download) for r in rows)))
    for image in images:
        rooms = [next((room for room in r.rooms if room.image == image), None) for r in rows]
        table.append((f"largest {image}"[:20], *(size_text(room.largest) if room else "-" for room in rooms)))
        table.append(("  beyond growth", *(size_text(room.headroom) if room else "-" for room in rooms)))
    table.append(("install, at most", *(seconds_text(r.install_s) for r in rows)))
    table.append(("longest operation", *(seconds_text(r.longest_operation_s or None) for r in rows)))
    table.append(("most worn block", *(r.worn_block or "-" for r in rows)))
    table.append(("  erases per update", *(f"{r.worn_erases:g}" if r.worn_block else "-" for r in rows)))
    table.append(("  years it lasts", *(years_text(r.worn_years) for r in rows)))
    table.append(("boot stage's RAM", *(size_text(r.ram) for r in rows)))
    table.append(("free", *(size_text(r.free) if r.fits else "-" for r in rows)))
    return aligned(_wrapped_cells(table), "<" * (len(rows) + 1))


def _wrapped_cells(table: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Break cells at spaces, hyphens and colons so that all columns fit the width."""
    count = len(table[0]) - 1
    first = max(len(row[0]) for row in table)
    room = max(8, (WIDTH - 2 - first - 2 * count) // max(1, count))
    lines: list[tuple[str, ...]] = []
    for row in table:
        cells = [[row[0]], *(_broken(cell, room) for cell in row[1:])]
        height = max(map(len, cells))
        lines.extend(tuple(cell[i] if i < len(cell) else "" for cell in cells) for i in range(height))
    return lines


def _broken(cell: str, room: int) -> list[str]:
    import re

    parts = re.findall(r"[^ :-]*[ :-]?", cell)
    lines = [""]
    for part in parts:
        if len((lines[-1] + part).rstrip()) > room and lines[-1]:
            lines.append("")
        lines[-1] += part
    return [line.rstrip()[:room] for line in lines]


def finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    """Return findings and notes, each with its next step, and a closing count."""
    lines: list[str] = []
    for finding in findings:
        lines += wrapped(f"{'note' if finding.note else 'finding'}: {finding.rule}: {finding.found}", "")
        lines += wrapped(f"next: {finding.next_step}", "    ")
    count = sum(not finding.note for finding in findings)
    lines.append(f"{count} finding{'' if count == 1 else 's'}" if count else "nothing breaks a limit")
    return lines


def size_text(size: int) -> str:
    """Return bytes for people, exact: whole KiB where they are whole, else bytes.

    Example:
        >>> size_text(8192), size_text(-100), size_text(3 << 20)
        ('8 KiB', '-100 B', '3 MiB')
    """
    if size and size % (1 << 20) == 0:
        return f"{size >> 20} MiB"
    if size and size % 1024 == 0:
        return f"{size // 1024} KiB"
    return f"{size} B"


def _yes(flag: bool) -> str:
    return "yes" if flag else "no"


def seconds_text(value: float | None) -> str:
    """Return a time for people; a dash for none."""
    if value is None:
        return "-"
    return f"{value * 1000:.3g} ms" if value < 1 else f"{value:.1f} s" if value < 120 else f"{value / 60:.1f} min"


def years_text(value: float | None) -> str:
    """Return years for people; a dash for none."""
    if value is None:
        return "-"
    return "over 1000" if value > 1000 else f"{value:.0f}" if value >= 10 else f"{value:.1f}"
