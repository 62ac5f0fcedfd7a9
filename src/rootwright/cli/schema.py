"""`rootwright schema`: the JSON Schema of product and chip files, for editors."""

from __future__ import annotations

import click


@click.command()
@click.argument("file_kind", metavar="[product|chip]", type=click.Choice(["product", "chip"]), default="product")
@click.option("--table", is_flag=True, help="Print the manual's table of all fields instead, as Markdown.")
def command(file_kind: str, table: bool) -> int:
    """Print the JSON Schema (draft 2020-12) of product.toml or chip.toml.

    An editor that reads it completes keys and marks slips while you write.
    """
    import json

    from rootwright.describe.schema import FileKind, field_tables, json_schema

    kind: FileKind = "chip" if file_kind == "chip" else "product"
    if table:
        click.echo(field_tables(kind), nl=False)
    else:
        click.echo(json.dumps(json_schema(kind), indent=2, ensure_ascii=False))
    return 0
