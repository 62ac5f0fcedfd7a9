"""`rootwright new`: a commented product file to start from, with a copy of a part profile."""

from __future__ import annotations

from pathlib import Path

import click

DEFAULT_PROFILE = "locks-until-reset"


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--chip", "profile", default=None, help="Part profile to start from; --list shows them.")
@click.option("--list", "list_parts", is_flag=True, help="List the part profiles, from weak to strong.")
def command(folder: Path | None, profile: str | None, list_parts: bool) -> int:
    """Write FOLDER/product.toml and FOLDER/part.toml to start from. Existing files are never touched."""
    from rootwright.describe.loading import load_chip, profile_text
    from rootwright.describe.starter import starter_product
    from rootwright.errors import DescriptionError

    if list_parts:
        from rootwright.cli.check import print_parts

        print_parts()
        return 0
    if folder is None:
        raise click.UsageError("name a folder: rootwright new my-product")
    name = profile or DEFAULT_PROFILE
    part_text = PART_HEAD.format(name=name) + profile_text(name)
    files = {folder / "part.toml": part_text, folder / "product.toml": starter_product(load_chip(name), "part.toml")}
    for path in files:
        if path.exists() or path.is_symlink():
            raise DescriptionError(
                "this file exists already and is left as it is", where=str(path), next_step="choose another folder"
            )
    folder.mkdir(parents=True, exist_ok=True)
    for path, text in files.items():
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        click.echo(f"wrote {path}")
    click.echo(f"next: rootwright check {folder / 'product.toml'}")
    return 0


PART_HEAD = """\
# Copied from the packaged profile "{name}". Its figures are typical of a class of parts.
# Put your data sheet's figures in their place, name the part, then set typical = false.
"""
