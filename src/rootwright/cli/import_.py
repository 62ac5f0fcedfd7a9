"""`rootwright import`: a proposed product from linked firmware and a part."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rootwright.bring.named_regions import NamedRegion
    from rootwright.describe.chip import Chip


@click.command("import")
@click.option(
    "--elf",
    "files",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    help="A linked firmware file (ELF; HEX and S-records have no symbols); give it several times.",
)
@click.option("--chip", "chip_name", required=True, help="The part: a chip file or a packaged profile.")
@click.option("--dts", type=click.Path(path_type=Path), help="Devicetree source whose fixed partitions count as well.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Write DIR/product.toml; else print it, from here."
)
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON.")
def command(files: tuple[Path, ...], chip_name: str, dts: Path | None, out: Path | None, as_json: bool) -> int:
    """Propose a product file from linked firmware: images, slots, headers, vector tables, named regions.

    TODO lines say what no firmware tells. An existing file is never touched. Exit code 0: the proposal parses. 1: it is
    written, and `rootwright check` has more to say than its TODO lines. 2: bad input.
    """
    from rootwright.bring.product_import import propose_product
    from rootwright.bring.product_text import product_text
    from rootwright.describe.loading import load_product
    from rootwright.describe.open_points import find_open_points
    from rootwright.describe.problems import DescriptionProblems
    from rootwright.errors import DescriptionError
    from rootwright.image.reading import read_image

    folder = out if out is not None else Path()
    target = folder / "product.toml"
    if out is not None and (target.exists() or target.is_symlink()):
        raise DescriptionError(
            "this file exists already and is left as it is", where=str(target), next_step="choose another folder"
        )
    chip, named = _chip(chip_name, folder)
    images = {_from(path, folder): read_image(path.read_bytes(), name=str(path)) for path in files}
    product = propose_product(images, chip, chip_name=named, regions=_partitions(dts))
    text = product_text(product)
    points = find_open_points(text, name=str(target))
    if as_json:
        import json

        from rootwright.bring.listing import product_data

        left = [{"line": point.line, "text": point.text} for point in points]
        click.echo(json.dumps({**product_data(product), "open_points": left}, indent=2, ensure_ascii=False))
    if out is None:
        if not as_json:
            click.echo(text, nl=False)
        return 0
    folder.mkdir(parents=True, exist_ok=True)
    with target.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    try:
        load_product(target)
        more: DescriptionProblems | None = None
    except DescriptionProblems as error:
        more = error
    if not as_json:
        from rootwright.bring.listing import product_lines

        for line in product_lines(product):
            click.echo(line)
        click.echo(f"wrote {target}; {len(points)} points are left to fill in")
        if more is not None:
            click.echo(str(more))
        click.echo(f"next: rootwright check {target}")
    return 0 if more is None else 1


def _chip(name: str, folder: Path) -> tuple[Chip, str]:
    """Return the part, and how a product file in a folder names it."""
    from rootwright.describe.loading import load_chip, profile_names

    if name in profile_names():
        return load_chip(name), name
    path = Path(name)
    return (load_chip(path) if path.suffix == ".toml" else load_chip(name)), _from(path, folder)


def _from(path: Path, folder: Path) -> str:
    """Return a path as a product file in a folder names it: relative to it, with forward slashes."""
    import os

    return Path(os.path.relpath(path, folder)).as_posix()


def _partitions(dts: Path | None) -> tuple[NamedRegion, ...]:
    from rootwright.bring.devicetree import parse_devicetree
    from rootwright.bring.devicetree_facts import read_devicetree
    from rootwright.bring.named_regions import partition_regions

    if dts is None:
        return ()
    tree = parse_devicetree(dts.read_bytes(), name=str(dts))
    return partition_regions(read_devicetree(tree, name=str(dts)).partitions)
