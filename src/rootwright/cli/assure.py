"""`rootwright assure`: run every stage on a product and write the dossier."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option(
    "--out", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder of the dossier."
)
@click.option(
    "--bench",
    "bench",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="What `rootwright bench --json` printed, as a file (may be given several times).",
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(product_file: Path, folder: Path, bench: tuple[Path, ...], as_json: bool) -> int:
    """Run every stage on a product and write DIR/dossier.html, one page for an evaluator.

    Beside it DIR/measurements.json says how long each stage took. The page is the same for the same files. Exit code 0:
    nothing fell short in what was tested. 1: something did; the page is written all the same. 2: bad input, nothing is
    written and an earlier page stays.
    """
    import json
    import platform

    from rootwright.dossier.page import make_page
    from rootwright.dossier.summary import as_data, summary_lines
    from rootwright.pipeline_assure import assure_product
    from rootwright.writing import write_whole

    texts = {str(path): path.read_bytes().decode(errors="replace") for path in bench}
    with _Ticker() as ticker:
        evidence = assure_product(product_file, bench=texts, on_stage=ticker.enter, progress=ticker.show)
        ticker.enter("page")
        page = make_page(evidence)
    measured = {"python": platform.python_version(), "seconds": ticker.seconds}
    write_whole(
        folder,
        {
            "dossier.html": page.encode(),
            "measurements.json": (json.dumps(measured, indent=2) + "\n").encode(),
        },
    )
    data = as_data(evidence)
    if as_json:
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        for line in summary_lines(evidence):
            click.echo(line)
        click.echo(f"dossier: {folder / 'dossier.html'}")
    return 1 if data["falls_short"] else 0


class _Ticker:
    """Times each stage, and shows on the terminal which one runs once the work takes longer than a second."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.started = time.perf_counter()
        self.stage = ""
        self.begun = self.started
        self.shown = False

    def __enter__(self) -> _Ticker:
        return self

    def __exit__(self, *_: object) -> None:
        self.enter("")
        if self.shown:
            click.echo("\r\033[K", nl=False, err=True)

    def enter(self, stage: str) -> None:
        """Close the running stage and begin the next."""
        now = time.perf_counter()
        if self.stage:
            self.seconds[self.stage] = round(now - self.begun, 3)
        self.stage, self.begun = stage, now
        if stage:
            self._print(stage)

    def show(self, name: str, states: int) -> None:
        """Show how far an exploration is."""
        self._print(f"prove {name}: {states:,} states")

    def _print(self, text: str) -> None:
        if sys.stderr.isatty() and time.perf_counter() - self.started > 1:
            self.shown = True
            click.echo(f"\r\033[K{text}", nl=False, err=True)
