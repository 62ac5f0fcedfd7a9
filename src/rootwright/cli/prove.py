"""`rootwright prove`: check the update procedures under power cuts, bad images and attackers."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rootwright.cli.ticker import Ticker
from rootwright.cli.what_if import HELP, read_overrides, side_by_side

if TYPE_CHECKING:
    from rootwright.describe.product import Product
    from rootwright.plan.result import PlanResult
    from rootwright.prove.proof import Proof, Verdict
    from rootwright.watch.what_if import Answer


@click.command()
@click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
@click.option("--procedure", "names", multiple=True, help="Only this procedure (may be given several times).")
@click.option("--quick", is_flag=True, help="Only the steady level; leave the harder levels out.")
@click.option(
    "--svg", type=click.Path(path_type=Path, file_okay=False), help="Draw each failure as a timeline into DIR."
)
@click.option(
    "--export-state",
    "export",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write each failure's flash as HEX into DIR, with a text that says when to cut.",
)
@click.option("--set", "sets", metavar="PATH=VALUE", multiple=True, help=HELP)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    product_file: Path,
    names: tuple[str, ...],
    quick: bool,
    svg: Path | None,
    export: Path | None,
    sets: tuple[str, ...],
    as_json: bool,
) -> int:
    """Check the update procedures under power cuts and bad images.

    Explores every state that a device can reach, on the planned map with its real sectors, for every procedure that
    fits. Exit code 0: the product's own procedure holds. 1: it fails, or it does not fit. 2: bad input.
    """
    import json

    from rootwright.describe.loading import load_product
    from rootwright.errors import PlanError
    from rootwright.pipeline import plan_product

    product = load_product(product_file, overrides=read_overrides(sets))
    plan = plan_product(product, product_file.parent)
    fitting = [p.demand.traits.name for p in plan.plans if p.map is not None]
    for name in names:
        if name not in fitting:
            raise PlanError(
                f"the procedure {name!r} is unknown or does not fit",
                where="--procedure",
                next_step=f"use one of: {', '.join(fitting)}",
            )
    answer: Answer | None = None
    with _Ticker() as ticker:
        if sets:
            given = load_product(product_file)
            answer = _ask(
                (given, plan_product(given, product_file.parent)),
                (product, plan),
                product_file.parent,
                names,
                ticker,
                harder=not quick,
                images=export is not None,
            )
            proofs = answer.proofs
        else:
            proofs = _prove(
                product,
                product_file.parent,
                plan,
                names or tuple(fitting),
                ticker,
                harder=not quick,
                images=export is not None,
            )
    own = [proof for proof in proofs if proof.migrates or proof.procedure == product.update.procedure]
    asked = proofs if names else own
    status = 0 if asked and all(proof.steady.holds for proof in asked) else 1
    if svg is not None:
        _draw(proofs, svg)
    if export is not None:
        _export(proofs, export)
    if as_json:
        data: dict[str, object] = {"proofs": [proof.as_data() for proof in proofs]}
        if answer is not None:
            data = {"set": list(sets), **answer.as_data()}
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        for line in change_lines(answer, sets, product_file) if answer is not None else ():
            click.echo(line)
        for line in report(product, proofs, plan.chosen in fitting):
            click.echo(line)
        # Times differ from run to run, so they stay out of the report itself.
        spent = ", ".join(f"{name} {took:.1f} s" for name, took in ticker.seconds.items())
        click.echo(f"time: {spent}", err=True)
    return status


def _prove(
    product: Product,
    folder: Path,
    plan: PlanResult,
    names: tuple[str, ...],
    ticker: _Ticker,
    *,
    harder: bool,
    images: bool,
) -> tuple[Proof, ...]:
    from rootwright.pipeline import prove_migrations, prove_product

    proofs: tuple[Proof, ...] = ()
    for name in names:
        with ticker.taking(name):
            proofs += prove_product(
                product, folder, plan, names=(name,), harder=harder, images=images, progress=ticker.show
            )
    if plan.chosen in names:
        proofs += prove_migrations(product, folder, plan, harder=harder, images=images, progress=ticker.show)
    return proofs


def _ask(
    given: tuple[Product, PlanResult],
    changed: tuple[Product, PlanResult],
    folder: Path,
    names: tuple[str, ...],
    ticker: _Ticker,
    *,
    harder: bool,
    images: bool,
) -> Answer:
    from rootwright.watch.what_if import ask

    with ticker.taking("both sides"):
        return ask(given, changed, folder, names=names, harder=harder, images=images, aside=True, progress=ticker.show)


def change_lines(answer: Answer, sets: tuple[str, ...], product_file: Path) -> list[str]:
    """Return the lines that say what `--set` changes: verdicts that turn, then everything side by side."""
    lines = [f"What if: {', '.join(sets)}", ""]
    for each in answer.turned:
        before, after = (each.words(side) or "not explored" for side in (each.before, each.after))
        lines.append(f"  {each.subject}, {each.level}: {before} -> {after}")
    lines += [*([] if answer.turned else ["  no verdict changes"]), ""]
    rows = []
    for each in answer.verdicts:
        sides = (each.before, each.after)
        head = each.subject if each.level == "steady" else f"{each.subject}, {each.level}"
        before, after = (each.words(side) or "-" for side in sides)
        rows.append((head, before, after))
        if any(side is not None and not side.holds for side in sides):
            before, after = ("-" if side is None else side.claim or "-" for side in sides)
            rows.append(("  broken claim", before, after))
        if each.level == "steady":
            before, after = ("-" if side is None else _erases(side) for side in sides)
            rows.append(("  erases a run", before, after))
    return [*lines, *side_by_side(answer.difference, product_file, rows)]


class _Ticker(Ticker):
    """Counts states while an exploration takes long, and notes how long each took."""

    def __init__(self) -> None:
        super().__init__()
        self.seconds: dict[str, float] = {}

    @contextmanager
    def taking(self, name: str) -> Iterator[None]:
        """Note how long the block takes, under a name."""
        begun = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - begun

    def show(self, name: str, states: int) -> None:
        """Show how far the exploration of `name` is."""
        self.say(f"exploring {name}: {states:,} states")


def report(product: Product, proofs: tuple[Proof, ...], fits: bool) -> list[str]:
    """Return the lines of the printed report."""
    lines = [f"{product.name} {product.model} on {product.chip.name}: model-checked under any number of power cuts", ""]
    if proofs:
        lines.append(f"level: {proofs[0].steady.level.describe()}")
        closed = sorted({block for proof in proofs for block in proof.steady.level.protect})
        lines += [f"write-protected while an application runs: {', '.join(closed) or 'none'}"]
        for left in dict.fromkeys(proof.left_open for proof in proofs if proof.left_open):
            names = ", ".join(proof.procedure for proof in proofs if proof.left_open == left)
            lines += [f"no lock of this part closes, though write_protect names it: {', '.join(left)} ({names})"]
        if any(proof.procedure.startswith("bank-flip") for proof in proofs):
            lines.append(f"settings area after a cut: {_settings_words(product)}")
        lines.append("")
    levels = list(dict.fromkeys(name for proof in proofs for name, _ in proof.harder))
    heads = ["procedure", "verdict", "states", "erases a run", *levels] if proofs else []
    rows = [heads] + [_row(proof, product, levels) for proof in proofs]
    widths = [max(len(row[i]) for row in rows) for i in range(len(heads))]
    lines += ["  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines.append("")
    for proof in proofs:
        if proof.not_claimed:
            lines.append(f"{proof.procedure} does not claim:")
            lines += [f"  - {text}" for text in proof.not_claimed]
    for proof in proofs:
        named = [("steady level", proof.steady), *proof.harder]
        for name, verdict in named:
            if not verdict.holds:
                lines += ["", f"{proof.procedure}, {name}: {verdict.words}", *story_lines(verdict)]
                if proof.remedy is not None:
                    lines.append(f"      next: {proof.remedy.sentence}.")
                break
    if not fits:
        lines += ["", f"the product's own procedure {product.update.procedure} has no map: see `rootwright plan`"]
    lines += [
        "",
        "A verdict is about the procedure's model and the part as described, not about your boot code.",
    ]
    return lines


def _row(proof: Proof, product: Product, levels: list[str]) -> list[str]:
    own = "*" if proof.procedure == product.update.procedure else ""
    steady = proof.steady
    beside = dict(proof.harder)
    return [
        proof.procedure + own,
        steady.words,
        f"{steady.states:,}",
        _erases(steady),
        *(beside[level].words if level in beside else "-" for level in levels),
    ]


def _erases(verdict: Verdict) -> str:
    return "-" if not verdict.holds else "no bound" if verdict.erases is None else str(verdict.erases)


def story_lines(verdict: Verdict) -> list[str]:
    """Return a failure's story as numbered lines, long runs of like steps drawn together."""
    lines: list[str] = []
    number = 0
    story = verdict.story
    index = 0
    while index < len(story):
        happening = story[index]
        number += 1
        run = index
        while run + 1 < len(story) and happening.kind == "step" and _is_like(story[run + 1], happening):
            run += 1
        if run > index + 1:
            lines.append(f"  {number:2}. {happening.text}")
            lines.append(f"      ... {run - index - 1} more steps like it ...")
            lines.append(f"      {story[run].text}")
        else:
            run = index
            lines.append(f"  {number:2}. {happening.text}")
            if happening.kind != "step" or len(happening.operations) <= 4:
                lines += [f"      {operation}" for operation in happening.operations[:6]]
        index = run + 1
    logs = ", ".join(f"{name}: {content}" for name, content in story[-1].scene.logs)
    return [*lines, f"      logs at that moment: {logs}"]


def _is_like(other: object, happening: object) -> bool:
    from rootwright.prove.story import Happening

    assert isinstance(other, Happening)
    assert isinstance(happening, Happening)
    return other.kind == "step" and other.text.partition(" (")[0] == happening.text.partition(" (")[0]


def _settings_words(product: Product) -> str:
    """Return what the part says of a torn settings area, for the reader of a verdict on bank-flip."""
    from rootwright.describe.chip import Follows, ProtectionKind
    from rootwright.describe.settings import Purpose

    for area in product.chip.settings_areas:
        field = area.find_field(Purpose.BANK)
        if field is not None:
            bank = {0: "the first bank low", 1: "the second bank low", None: "neither bank low"}[
                field.bank(field.default)
            ]
            ways = product.chip.find_protections(ProtectionKind.WRITE_PROTECTION)
            lifted = ", without write protection" if any(way.held_in == area.memory for way in ways) else ""
            follows = "address" if any(way.follows is Follows.ADDRESS for way in ways) else "physical bank"
            states = " or ".join(torn.value for torn in area.torn)
            return f"{states}; default is {bank}{lifted}; write protection follows the {follows}"
    return "old, new or the first bank low (assumed: the chip file has no [[settings]] table)"


def _file_name(proof: Proof) -> str:
    return proof.procedure.replace(":", "-").replace(",", "").replace(" ", "-")


def _draw(proofs: tuple[Proof, ...], folder: Path) -> None:
    from rootwright.prove.timeline import draw_timeline
    from rootwright.writing import write_file

    for proof in proofs:
        for name, verdict in (("steady", proof.steady), *proof.harder):
            if not verdict.holds:
                path = folder / f"{_file_name(proof)}-{name.replace(' ', '-')}.svg"
                write_file(path, draw_timeline(proof.procedure, verdict).encode())


def _export(proofs: tuple[Proof, ...], folder: Path) -> None:
    from rootwright.writing import write_file

    for proof in proofs:
        for name, verdict in (("steady", proof.steady), *proof.harder):
            if verdict.exported is not None:
                stem = folder / f"{_file_name(proof)}-{name.replace(' ', '-')}"
                write_file(stem.with_suffix(".hex"), verdict.exported.hex.encode())
                write_file(stem.with_suffix(".txt"), verdict.exported.text.encode())
