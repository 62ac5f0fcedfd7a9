"""`rootwright assure`: run every stage on a product and write the dossier."""

from __future__ import annotations

import time
from pathlib import Path

import click

from rootwright.cli.ticker import Ticker


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
@click.option(
    "--bench-faults",
    "faults",
    type=click.IntRange(min=0),
    default=20_000,
    show_default=True,
    help="How many faults the bench tries here at most, beside cuts and hostile updates; 0: it is not run here.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(product_file: Path, folder: Path, bench: tuple[Path, ...], faults: int, as_json: bool) -> int:
    """Run every stage on a product and write DIR/dossier.html, one page for an evaluator.

    Where the product has a table [bench], its boot program is run in the emulator too: under power cuts, hostile
    updates and so many faults, except what the files of --bench hold. Fault testing is for equipment that you own.
    Beside the page DIR/measurements.json says how long each stage took. The page is the same for the same files.

    Exit code 0: nothing fell short in what was tested. 1: something did; the page is written all the same. 2: bad
    input, nothing is written and an earlier page stays.
    """
    import json
    import platform

    from rootwright.dossier.page import make_page
    from rootwright.dossier.summary import as_data, summary_lines
    from rootwright.pipeline_assure import assure_product
    from rootwright.writing import write_whole

    texts = {str(path): path.read_bytes().decode(errors="replace") for path in bench}
    with _Ticker() as ticker:
        evidence = assure_product(product_file, bench=texts, faults=faults, on_stage=ticker.enter, progress=ticker.show)
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


class _Ticker(Ticker):
    """Times each stage and says which one runs."""

    def __init__(self) -> None:
        super().__init__()
        self.seconds: dict[str, float] = {}
        self.stage = ""
        self.begun = time.perf_counter()

    def __exit__(self, *problem: object) -> None:
        self.enter("")
        super().__exit__(*problem)

    def enter(self, stage: str) -> None:
        """Close the running stage and begin the next."""
        now = time.perf_counter()
        if self.stage:
            self.seconds[self.stage] = round(now - self.begun, 3)
        self.stage, self.begun = stage, now
        if stage:
            self.say(stage)

    def show(self, name: str, states: int) -> None:
        """Show how far an exploration is."""
        self.say(f"prove {name}: {states:,} states")
