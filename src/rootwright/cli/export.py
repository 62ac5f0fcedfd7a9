"""`rootwright export`: what a build takes over from the plan, as files."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option(
    "--out", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder of the files."
)
@click.option("--check", "only_check", is_flag=True, help="Write nothing; say whether the files there are up to date.")
@click.option("--procedure", help="Export this update procedure's map instead of the product's own.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(product_file: Path, folder: Path, only_check: bool, procedure: str | None, as_json: bool) -> int:
    """Write linker script fragment, C headers, protection tables and their record into a folder.

    The same plan gives the same bytes, and each file appears whole or not at all. Exit code 0: written, or with --check
    up to date. 1: with --check, the map changed or a file is stale. 2: bad input.
    """
    import json

    from rootwright.describe.loading import load_product
    from rootwright.pipeline import export_outputs, plan_product
    from rootwright.plan.outputs.bundle import find_stale
    from rootwright.writing import write_whole

    product = load_product(product_file)
    plan = plan_product(product, product_file.parent, procedure=procedure)
    outputs = export_outputs(product, plan)
    if only_check:
        there = {name: path.read_bytes() if (path := folder / name).is_file() else None for name in outputs}
        stale = find_stale(outputs, there)
        if as_json:
            data = {"version": 1, "stale": [{"file": s.file, "found": s.found} for s in stale]}
            click.echo(json.dumps(data, indent=2, ensure_ascii=False))
        else:
            for each in stale:
                click.echo(f"{each.file}: {each.found}")
            click.echo("export again: rootwright export" if stale else "up to date")
        return 1 if stale else 0
    write_whole(folder, outputs)
    if as_json:
        click.echo(json.dumps({"version": 1, "files": sorted(outputs)}, indent=2))
    else:
        for name, content in outputs.items():
            click.echo(f"{folder / name}: {len(content)} bytes")
    return 0
