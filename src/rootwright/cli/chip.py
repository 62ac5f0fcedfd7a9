"""`rootwright chip import`: a chip file from the files that come with a part."""

from __future__ import annotations

from pathlib import Path

import click


@click.group()
def command() -> None:
    """Work on a chip file: fill one in from files about the part."""


@command.command("import")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write the chip file here; else print it.")
@click.option("--device", help="Which device of a description that holds several.")
@click.option(
    "--settings",
    multiple=True,
    metavar="PERIPHERAL",
    help="Peripheral whose registers are the settings area; may be given several times.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what was found, with its sources, as JSON.")
def import_command(
    files: tuple[Path, ...], out: Path | None, device: str | None, settings: tuple[str, ...], as_json: bool
) -> int:
    """Fill a chip file in from flash algorithms (ELF), device and register descriptions (XML) and devicetree sources.

    Each value says where it comes from; TODO lines say what is left for the data sheet. An existing file is never
    touched. Exit code 0: written or printed. 2: bad input.
    """
    from rootwright.bring.chip_import import import_chip
    from rootwright.errors import DescriptionError

    if out is not None and (out.exists() or out.is_symlink()):
        raise DescriptionError(
            "this file exists already and is left as it is", where=str(out), next_step="choose another name with --out"
        )
    contents = {str(path): path.read_bytes() for path in files}
    made = import_chip(contents, out=str(out or "part.toml"), device=device, settings=settings)
    if out is not None:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(made.text)
    if as_json:
        import json

        from rootwright.bring.listing import part_data

        points = [{"line": point.line, "text": point.text} for point in made.open_points]
        click.echo(json.dumps({**part_data(made.part), "open_points": points}, indent=2, ensure_ascii=False))
    elif out is None:
        click.echo(made.text, nl=False)
    else:
        from rootwright.bring.listing import part_lines

        for line in part_lines(made.part):
            click.echo(line)
        click.echo(f"wrote {out}; {len(made.open_points)} points are left to fill in")
        click.echo(f"next: rootwright check {out}")
    return 0
