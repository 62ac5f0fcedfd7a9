"""`rootwright watch`: run what depends on a changed file again, and show the verdicts in place."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rootwright.watch.rounds import Round, StageRow

MARKS = {"fine": "fine", "finding": "FINDING", "bad": "BAD", "waits": "waits"}
MOST_LINES = 8
INDENT = " " * 26


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option("--once", is_flag=True, help="One round, then leave; for scripts.")
@click.option(
    "--work",
    type=click.Path(path_type=Path, file_okay=False),
    help="Work folder; by default .rootwright beside PRODUCT.",
)
@click.option(
    "--every", "every_s", type=click.FloatRange(0.05, 60), default=0.5, help="Seconds between two looks at the files."
)
@click.option("--json", "as_json", is_flag=True, help="Print each round as one line of JSON.")
def command(product_file: Path, once: bool, work: Path | None, every_s: float, as_json: bool) -> int:
    """Watch a product's files; run again what depends on a change, and show every stage's verdict.

    What did not change comes from the work folder, which may be deleted at any time. Ctrl-C ends it. Exit code, with
    --once: 0 fine, 1 a finding, 2 bad input; else 0.
    """
    from rootwright.watch.rounds import find_files, look, run_round
    from rootwright.work_folder import WorkFolder

    sys.dont_write_bytecode = True  # a plugin that is edited twice within a second must not be found compiled
    kept = WorkFolder(work or product_file.parent / ".rootwright")
    screen = _Screen(quiet=as_json)
    try:
        while True:
            screen.begin(product_file)
            # Taken before the round, so that a change in the middle of it asks for another one.
            before = look(find_files(product_file))
            done = run_round(product_file, kept, on_begin=screen.busy, on_row=screen.add, progress=screen.count)
            if as_json:
                _print_json(done)
            else:
                screen.end(done)
            if once:
                return done.exit_code
            before = {**look(done.files), **before}
            while look(before) == before:
                time.sleep(every_s)
    except KeyboardInterrupt:
        screen.leave()
        return 0


class _Screen:
    """The rows of a round: on a terminal in the place of the round before, elsewhere one after the other."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.live = sys.stdout.isatty() and not quiet
        self.drawn = 0
        self.rows: list[StageRow] = []
        self.doing = ""
        self.shown_at = 0.0
        self.title = ""

    def begin(self, product_file: Path) -> None:
        """Begin a round."""
        self.rows = []
        self.title = f"watching {product_file}"

    def busy(self, name: str) -> None:
        """Show which stage runs."""
        self.doing = f"  {name:8} runs"
        self.draw()

    def count(self, name: str, states: int) -> None:
        """Show how far an exploration is."""
        if time.monotonic() - self.shown_at > 0.2:
            self.doing = f"  prove    runs: {states:,} states"
            self.draw()

    def add(self, row: StageRow) -> None:
        """Show a row as soon as it is known."""
        self.rows.append(row)
        self.doing = ""
        self.draw()

    def end(self, done: Round) -> None:
        """Show the whole round."""
        self.doing = ""
        if self.live:
            self.draw(closing=_closing(done))
        else:
            for line in (*row_lines(self.rows), _closing(done)):
                click.echo(line)

    def leave(self) -> None:
        """Leave the last rows on the screen."""
        if not self.quiet:
            click.echo("\nstopped watching" if self.live else "stopped watching")

    def draw(self, closing: str = "") -> None:
        """Put the present rows over those before."""
        if not self.live:
            return
        import shutil

        self.shown_at = time.monotonic()
        width, height = shutil.get_terminal_size()
        lines = [self.title, *row_lines(self.rows), *filter(None, [self.doing, closing])]
        if len(lines) >= height:  # what has left the screen cannot be drawn over
            lines = [*lines[: max(1, height - 3)], "  and more; make the window higher"]
        up = f"\033[{self.drawn}A" if self.drawn else ""
        body = "".join(f"\033[K{line[: width - 1]}\n" for line in lines)
        click.echo(f"{up}\r{body}\033[J", nl=False)
        self.drawn = len(lines)


def row_lines(rows: list[StageRow]) -> list[str]:
    """Return one line for each stage, and beneath it what is to be mended."""
    lines = []
    for row in rows:
        origin = "kept" if row.kept else "run" if row.ran else ""
        lines.append(f"  {row.name:8} {MARKS[row.state]:8} {origin:5} {row.summary}")
        lines += [f"{INDENT}{part}" for line in row.lines[:MOST_LINES] for part in line.splitlines()]
        if len(row.lines) > MOST_LINES:
            lines.append(f"{INDENT}and {len(row.lines) - MOST_LINES} more")
    return lines


def _closing(done: Round) -> str:
    ran = [row.name for row in done.rows if row.ran]
    kept = sum(row.kept for row in done.rows)
    return f"  run: {', '.join(ran) or 'nothing'}; kept from before: {kept}"


def _print_json(done: Round) -> None:
    import json

    rows: list[dict[str, Any]] = [
        {"stage": r.name, "state": r.state, "summary": r.summary, "lines": list(r.lines), "kept": r.kept, "ran": r.ran}
        for r in done.rows
    ]
    click.echo(json.dumps({"exit_code": done.exit_code, "stages": rows}, ensure_ascii=False))
