"""`rootwright bench`: the boot program itself in an emulator, under faults, power cuts and hostile updates."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rootwright.cli.ticker import Ticker

if TYPE_CHECKING:
    from rootwright.bench.campaign import Mode
    from rootwright.bench.subject import Subject

MODES = ("hooked", "sampled", "exhaustive")
MODELS = ("skip", "replay", "branch", "word", "line", "load", "register", "two")


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option("--boot", type=click.Path(path_type=Path, dir_okay=False), help="Another build of the boot program.")
@click.option("--run", "names", multiple=True, help="Only this golden run (may be given several times).")
@click.option("--probe", is_flag=True, help="List every access that no rule covers, and propose rules.")
@click.option("--trace", is_flag=True, help="Show the golden runs: instructions, flash operations, functions.")
@click.option("--faults", "models", multiple=True, type=click.Choice(MODELS), help="Only this fault model.")
@click.option("--mode", default="hooked", type=click.Choice(MODES), help="Which instructions are faulted.")
@click.option("--pairs", default=2000, show_default=True, help="How many pairs of two faults are tried.")
@click.option("--cuts", is_flag=True, help="Cut the power at every flash operation instead of injecting faults.")
@click.option("--depth", type=click.IntRange(0), help="For --cuts: at most so many cuts; any number if left out.")
@click.option("--states", default=4000, show_default=True, help="For --cuts: stop after this many flash states.")
@click.option("--hostile", is_flag=True, help="Offer altered updates instead of injecting faults.")
@click.option("--seconds", default=60.0, show_default=True, help="For --hostile: time for the mutation fuzzer.")
@click.option("--updates", type=click.Path(path_type=Path, exists=True, file_okay=False), help="Offer these files too.")
@click.option("--replay", metavar="ID", help="Show one hit's run step by step around its fault.")
@click.option("--work", type=click.Path(path_type=Path, file_okay=False), help="Keep finished parts here; go on there.")
@click.option("--jobs", default=0, help="Worker processes; all cores if left out.")
@click.option("--cluster", metavar="ADDRESS", default="", help="Inject faults on the workers of this scheduler.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write the source view as one page.")
@click.option("--sarif", type=click.Path(path_type=Path, dir_okay=False), help="Write the findings as SARIF.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(product_file: Path, boot: Path | None, replay: str | None, as_json: bool, **options: Any) -> int:
    """Run the boot program in an emulator under faults, cuts and hostile updates.

    Exit code 0: nothing that was tried broke a promise. 1: something did, or a golden run is not golden. 2: bad input.
    Fault testing is for equipment that you own.
    """
    from rootwright.bench.campaign import Mode
    from rootwright.bench.subject import Subject
    from rootwright.describe.loading import load_product

    subject = Subject(load_product(product_file), product_file.parent, boot=boot)
    mode = Mode(options["mode"])
    _require_faults(options, replay)
    if replay:
        from rootwright.bench.replay import replay as replayed

        for line in replayed(subject, replay, mode):
            click.echo(line)
        return 0
    if options["probe"]:
        return _probe(subject, options["names"], as_json)
    if options["trace"]:
        return _trace(subject, options["names"], mode)
    if options["cuts"]:
        return _cuts(subject, options, as_json)
    if options["hostile"]:
        return _hostile(subject, options, as_json)
    return _faults(subject, mode, options, as_json)


def _require_faults(options: dict[str, Any], replay: str | None) -> None:
    """Raise BenchError where --cluster is given with something that runs here alone."""
    from rootwright.errors import BenchError

    others = [word for word in ("probe", "trace", "cuts", "hostile") if options[word]] + ["replay"] * bool(replay)
    if options["cluster"] and others:
        raise BenchError(
            f"--cluster spreads fault campaigns alone, not --{others[0]}",
            where="--cluster",
            next_step=f"leave one of the two out; --{others[0]} runs on this machine",
        )


def _starts(subject: Subject, names: tuple[str, ...]) -> list[Any]:
    from rootwright.errors import BenchError

    known = [run.name for run in subject.bench.runs]
    for name in names:
        if name not in known:
            raise BenchError(f"no run {name!r}", where="--run", next_step=f"one of: {', '.join(known)}")
    return [start for start in subject.starts() if not names or start.run.name in names]


def _probe(subject: Subject, names: tuple[str, ...], as_json: bool) -> int:
    import json

    from rootwright.bench.golden import probe

    seen: dict[tuple[int, str, int], Any] = {}
    for start in _starts(subject, names):
        for proposal in probe(subject, start):
            key = (proposal.access.address, proposal.access.kind, proposal.access.pc)
            seen.setdefault(key, proposal)
    found = [seen[key] for key in sorted(seen)]
    if as_json:
        rows = [
            {"address": p.access.address, "kind": p.access.kind, "count": p.count, "place": p.place, "rule": p.rule}
            for p in found
        ]
        click.echo(json.dumps({"uncovered": rows}, indent=2))
        return 1 if found else 0
    for proposal in found:
        access = proposal.access
        value = f" of 0x{access.value:x}" if access.kind == "write" else ""
        click.echo(f"0x{access.address:08x}: {access.kind}{value}, {proposal.count} x, at {proposal.place}")
    if found:
        click.echo("\nproposed rules; put in what the data sheet says:\n")
        rules = dict.fromkeys(f"{p.rule}\n" for p in found)
        click.echo("\n".join(rules), nl=False)
        return 1
    click.echo("every access of the golden runs is covered by a rule, a controller or a plugin")
    return 0


def _trace(subject: Subject, names: tuple[str, ...], mode: Mode) -> int:
    from rootwright.bench.campaign import golden_for
    from rootwright.bench.report import golden_lines

    goldens = [golden_for(subject, start, mode) for start in _starts(subject, names)]
    for line in golden_lines(subject, goldens):
        click.echo(line)
    return 1 if any(golden.fails for golden in goldens) else 0


def _faults(subject: Subject, mode: Mode, options: dict[str, Any], as_json: bool) -> int:
    import json
    import os

    from rootwright.bench.campaign import golden_for, make_plan
    from rootwright.bench.faults import Model
    from rootwright.bench.page import write_page
    from rootwright.bench.pool import run_campaign
    from rootwright.bench.report import BenchReport
    from rootwright.pipeline_bench import about
    from rootwright.writing import write_file

    models = [Model(name) for name in options["models"]] or list(Model)
    with Progress() as ticker:
        goldens = []
        for start in _starts(subject, options["names"]):
            ticker.say(f"golden run {start.name}")
            goldens.append(golden_for(subject, start, mode))
        plans = [make_plan(golden, models, mode, pairs=options["pairs"]) for golden in goldens]
        tallies = run_campaign(
            subject,
            goldens,
            plans,
            workers=options["jobs"] or os.cpu_count() or 1,
            cluster=options["cluster"],
            folder=options["work"],
            progress=ticker.share,
        )
    report = BenchReport(subject, mode, tuple(goldens), tuple(tallies))
    if options["sarif"] is not None:
        write_file(options["sarif"], (json.dumps(report.sarif(), indent=1, ensure_ascii=False) + "\n").encode())
    if options["html"] is not None:
        write_file(options["html"], write_page(report, subject.folder).encode())
    if as_json:
        click.echo(json.dumps({**about(subject, "faults"), **report.data()}, indent=2, ensure_ascii=False))
    else:
        for line in report.text():
            click.echo(line)
    return 0 if report.holds else 1


def _cuts(subject: Subject, options: dict[str, Any], as_json: bool) -> int:
    import json

    from rootwright.bench.closure.verdict import try_each
    from rootwright.pipeline_bench import about

    with Progress() as ticker:
        results = try_each(
            subject,
            _starts(subject, options["names"]),
            depth=options["depth"],
            most_states=options["states"],
            progress=ticker.states,
        )
    if as_json:
        data = {**about(subject, "cuts"), "cuts": [result.data() for result in results]}
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        for result in results:
            for line in result.text():
                click.echo(line)
    return 0 if all(result.holds for result in results) else 1


def _hostile(subject: Subject, options: dict[str, Any], as_json: bool) -> int:
    import json

    from rootwright.bench.hostile import offer_all
    from rootwright.pipeline_bench import about, find_updates

    with Progress() as ticker:
        ticker.say("hostile trials")
        trials, packer, why = find_updates(subject)
        result = offer_all(
            subject,
            seconds=options["seconds"],
            clock=time.monotonic,
            trials=trials,
            no_trials=why,
            packer=packer,
            hooked=options["mode"] == "hooked",
            updates=options["updates"],
            progress=ticker.states,
            folder=options["work"],
        )
    if as_json:
        click.echo(json.dumps({**about(subject, "hostile"), **result.data()}, indent=2, ensure_ascii=False))
    else:
        for line in result.text():
            click.echo(line)
    return 0 if result.holds else 1


class Progress(Ticker):
    """Says how far the work is, at which rate, and how long it will take."""

    def __init__(self) -> None:
        super().__init__()
        self.begun: float | None = None
        self.first = 0.0
        self.tried_first = 0

    def states(self, text: str, count: int) -> None:
        """Show a count."""
        spent = max(time.monotonic() - self.started, 1e-3)
        self.say(f"{text}: {count:,} ({count / spent:,.0f} a second)")

    def share(self, done: float, tried: int) -> None:
        """Show a share of the work, with rate and time left."""
        if self.begun is None:
            self.begun, self.first, self.tried_first = time.monotonic(), done, tried
            return
        spent = max(time.monotonic() - self.begun, 1e-3)
        rate = (tried - self.tried_first) / spent
        left = (1 - done) * spent / max(done - self.first, 1e-6)
        bar = "#" * round(20 * done)
        self.say(f"[{bar:<20}] {100 * done:5.1f} %  {tried:,} faults, {rate:,.0f} a second, {_span(left)} left")


def _span(seconds: float) -> str:
    minutes = round(seconds) // 60
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes}:{round(seconds) % 60:02d} min"
