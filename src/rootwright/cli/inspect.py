"""`rootwright inspect`: print any SUIT envelope in the standard's words."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--anchor",
    "anchor_files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Public key (PEM) to verify with; may be given several times.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="DOMAIN[/CLASS]",
    help="Vendor domain, or domain and class, to recognise identifiers by.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(file: Path, anchor_files: tuple[Path, ...], names: tuple[str, ...], as_json: bool) -> int:
    """Print a SUIT envelope: authentication, manifest, command sequences, text and payloads.

    Without an anchor, signatures are named and not verified. Exit code 0: well formed, and verified where anchors were
    given. 1: something does not verify or is covered by no digest. 2: malformed, with the byte offset.
    """
    from rootwright.cose.keys import verifier_from_pem
    from rootwright.errors import FormatError
    from rootwright.suit.inspection import inspect_envelope
    from rootwright.suit.listing import inspection_data, listing

    anchors = [verifier_from_pem(path.read_bytes(), name=str(path)) for path in anchor_files]
    try:
        inspection = inspect_envelope(file.read_bytes(), anchors)
    except FormatError as error:
        raise FormatError(
            error.found, where=f"{file}: {error.where}" if error.where else str(file), next_step=error.next_step
        ) from None
    if as_json:
        import json

        click.echo(json.dumps(inspection_data(inspection), indent=2))
    else:
        for line in listing(inspection, names):
            click.echo(line)
    return 1 if inspection.findings else 0
