"""`rootwright release`: build, sign, check and write the update of one version."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
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
    except OSError as error:
        if not as_json:
            raise
        refused = {"refused": error.strerror or str(error), "where": str(error.filename or folder), "next_step": ""}
        click.echo(json.dumps(refused, indent=2))
        return 2
    rows = release.file_list
    if as_json:
        click.echo(json.dumps({"sequence": release.sequence, "demo_key_made": made_key, "files": rows}, indent=2))
        return 0
    if made_key:
        click.echo("note: a demo key was made; it protects nothing")
    for row in rows:
        click.echo(f"{row['size']:8} bytes  {folder / row['name']}")
    click.echo(f"release {release.sequence}: signature and digests checked, installed by the reference device")
    return 0


def _build(product_file: Path) -> tuple[Release, bool]:
    from rootwright.describe.loading import load_product
    from rootwright.errors import ReleaseRefused
    from rootwright.keys.file import load_signer, make_demo_key
    from rootwright.pipeline import read_release_inputs, require_installable
    from rootwright.release.build import build_release
    from rootwright.suit.check import check_envelope

    product = load_product(product_file)
    if not product.keys:
        raise ReleaseRefused("the product names no key", where=str(product_file), next_step="add a [[key]] table")
    inputs = read_release_inputs(product, product_file.parent)
    key = product.keys[0]
    path = product_file.parent / key.file
    made = make_demo_key(path, key.algorithm) if key.demo else False
    signer = load_signer(path, key.algorithm, allow_demo=key.demo)
    release = build_release(product, inputs.map, inputs.images, signer, like=inputs.like, form=inputs.form)
    anchor = signer.public(name=key.name)
    check_envelope(release.envelope, [anchor])
    require_installable(product, inputs, release, anchor)
    return release, made
