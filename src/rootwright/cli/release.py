"""`rootwright release`: build, sign, check and write the update of one version."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rootwright.describe.product import Product
    from rootwright.image.model import Image
    from rootwright.layout.map import Map
    from rootwright.release.build import Release


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option(
    "--out", "folder", required=True, type=click.Path(path_type=Path), help="Folder of this product's releases."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(product_file: Path, folder: Path, as_json: bool) -> int:
    """Build the signed update that a product file describes, and write it to a folder.

    The folder keeps a record of sequence numbers; a number is never used twice. Exit code 2: refused, nothing released.
    """
    import json

    from rootwright.errors import RootwrightError
    from rootwright.release.record import write_release

    try:
        release, made_key = _build(product_file)
        write_release(folder, release)
    except RootwrightError as error:
        if not as_json:
            raise
        click.echo(json.dumps({"refused": error.found, "where": error.where, "next_step": error.next_step}, indent=2))
        return 2
    rows = [{"name": name, "size": len(content)} for name, content in release.files]
    if as_json:
        click.echo(json.dumps({"sequence": release.sequence, "demo_key_made": made_key, "files": rows}, indent=2))
        return 0
    if made_key:
        click.echo("note: a demo key was made; it protects nothing")
    for row in rows:
        click.echo(f"{row['size']:8} bytes  {folder / str(row['name'])}")
    click.echo(f"release {release.sequence}: signature and digests checked")
    return 0


def _build(product_file: Path) -> tuple[Release, bool]:
    from rootwright.describe.loading import load_product
    from rootwright.errors import ReleaseRefused
    from rootwright.keys.file import load_signer, make_demo_key
    from rootwright.release.build import build_release
    from rootwright.suit.check import check_envelope

    product = load_product(product_file)
    if not product.keys:
        raise ReleaseRefused("the product names no key", where=str(product_file), next_step="add a [[key]] table")
    images = _read_images(product, product_file.parent)
    memory_map = _find_map(product, images, str(product_file))
    key = product.keys[0]
    path = product_file.parent / key.file
    made = make_demo_key(path, key.algorithm) if key.demo else False
    signer = load_signer(path, key.algorithm, allow_demo=key.demo)
    release = build_release(product, memory_map, {n: images[n] for n in _updatable(product)}, signer)
    check_envelope(release.envelope, [signer.public(name=key.name)])
    return release, made


def _updatable(product: Product) -> list[str]:
    return [image.name for image in product.updatable_images]


def _read_images(product: Product, base: Path) -> dict[str, list[Image]]:
    """Return the files of every image; for either-slot both links of an updatable one."""
    from rootwright.describe.product import Procedure
    from rootwright.errors import ReleaseRefused
    from rootwright.image.reading import read_image

    both = product.update.procedure == Procedure.EITHER_SLOT
    images: dict[str, list[Image]] = {}
    for spec in product.images:
        names = [spec.file, spec.second_file] if both and spec.updatable else [spec.file]
        if None in names:
            raise ReleaseRefused(
                f"image {spec.name!r} lacks a firmware file for this procedure",
                where=product.model,
                next_step="name file, and for either-slot second_file",
            )
        images[spec.name] = [
            read_image((base / name).read_bytes(), name=str(name), base=spec.base if number == 0 else None)
            for number, name in enumerate(names)
            if name is not None
        ]
    return images


def _find_map(product: Product, images: dict[str, list[Image]], where: str) -> Map:
    """Return the memory map of the product's own procedure."""
    from rootwright.describe.product import Procedure
    from rootwright.device.procedures.demands import demand
    from rootwright.errors import ReleaseRefused
    from rootwright.layout.map import Misfit
    from rootwright.plan.search import find_map

    try:
        procedure = Procedure(product.update.procedure)
    except ValueError:
        raise ReleaseRefused(
            f"no memory map for the procedure {product.update.procedure!r}: it is not one of the tool's own",
            where=where,
            next_step="build the release in Python with build_release and your own map",
        ) from None
    sizes = {name: max(image.size for image in files) for name, files in images.items()}
    found = find_map(demand(procedure, product, sizes), product.chip)
    if isinstance(found, Misfit):
        raise ReleaseRefused(found.reason, where=where, next_step="make room; `rootwright plan` compares procedures")
    return found
