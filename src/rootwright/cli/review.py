"""`rootwright review`: rate the ways to every asset, check design rules, compare parts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rootwright.cli.columns import aligned, wrapped
from rootwright.cli.ticker import Ticker

if TYPE_CHECKING:
    from rootwright.plan.result import Finding
    from rootwright.review.compare import Comparison
    from rootwright.review.paths import Path as Way
    from rootwright.review.paths import Rating
    from rootwright.review.result import AssetReview, ReviewResult

FACTORS = ("time", "expertise", "knowledge", "window", "equipment")


@click.command()
@click.argument("product_file", metavar="PRODUCT", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--asset", "asset_name", help="Show one asset in full: all ways that no other one beats, step by step.")
@click.option("--svg", type=click.Path(path_type=Path, file_okay=False), help="Also draw each asset into this folder.")
@click.option(
    "--sarif", type=click.Path(path_type=Path, dir_okay=False), help="Also write findings to this SARIF file."
)
@click.option(
    "--bench", type=click.Path(path_type=Path, dir_okay=False), help="What `rootwright bench --json` found, as a file."
)
@click.option("--across", is_flag=True, help="Compare the product on all part profiles and on its own part instead.")
@click.option(
    "--prove", is_flag=True, help="With --across: check power cuts on every part where it fits; takes minutes."
)
@click.option("--rules", is_flag=True, help="List the design rules instead, as Markdown.")
@click.option("--steps", is_flag=True, help="List the packaged attack steps instead, as Markdown.")
@click.option("--quick", is_flag=True, help="Leave out the check under power cuts; it then counts as not done.")
def command(
    product_file: Path | None,
    as_json: bool,
    asset_name: str | None,
    svg: Path | None,
    sarif: Path | None,
    bench: Path | None,
    across: bool,
    prove: bool,
    rules: bool,
    steps: bool,
    quick: bool,
) -> int:
    """Rate what it takes to reach each asset, and ask what the design leaves open.

    Ratings are guesses of raters, counted as ISO/IEC 18045 counts attack potential. Exit code 0: no rule is broken and
    no asset is rated below what the product asks. 1: one is. 2: bad input.
    """
    import json

    if rules or steps:
        _print_lists(rules=rules, steps=steps)
        return 0
    if product_file is None:
        raise click.UsageError("name a product file: rootwright review product.toml")

    from rootwright.describe.loading import load_product
    from rootwright.pipeline import plan_product
    from rootwright.pipeline_review import compare_parts, read_bench_report, read_boot_stage, review_product

    if across and (asset_name or svg or sarif or bench or quick):
        raise click.UsageError("--across compares parts; leave out --asset, --svg, --sarif, --bench and --quick")
    if prove and not across:
        raise click.UsageError(
            "--prove goes with --across; a review of one part checks power cuts unless --quick is given"
        )
    product = load_product(product_file)
    folder = product_file.parent
    faults = None
    if bench is not None:
        text = bench.read_bytes().decode(errors="replace")
        faults = read_bench_report(text, name=str(bench), boot=read_boot_stage(product, folder))
    with _Ticker() as ticker:
        if across:
            comparison = compare_parts(product, folder, check_cuts=prove, on_part=ticker.name, progress=ticker.count)
        else:
            plan = plan_product(product, folder)
            result = review_product(
                product,
                folder,
                plan,
                check_cuts=not quick,
                bench=faults,
                progress=ticker.count,
            )
    if across:
        lines = across_report(comparison)
        click.echo(json.dumps(comparison.as_data(), indent=2, ensure_ascii=False) if as_json else "\n".join(lines))
        return 0
    chosen = _find_asset(result, asset_name)
    if svg is not None:
        _draw(result, svg)
    if sarif is not None:
        _write_sarif(result, product_file, sarif)
    if as_json:
        click.echo(json.dumps(result.as_data(), indent=2, ensure_ascii=False))
    else:
        for line in asset_report(result, chosen) if chosen is not None else report(result):
            click.echo(line)
    return 1 if result.has_findings else 0


def _print_lists(*, rules: bool, steps: bool) -> None:
    from rootwright.review.catalogue import packaged_steps
    from rootwright.review.listing import rule_tables, step_tables

    if rules:
        click.echo(rule_tables(), nl=False)
    if steps:
        click.echo(step_tables(packaged_steps()), nl=False)


def _find_asset(result: ReviewResult, name: str | None) -> AssetReview | None:
    if name is None:
        return None
    for review in result.assets:
        if review.asset == name:
            return review
    known = ", ".join(review.asset for review in result.assets)
    raise click.UsageError(f"there is no asset {name!r}; use one of: {known}")


def _draw(result: ReviewResult, folder: Path) -> None:
    from rootwright.review.drawing import draw_ways
    from rootwright.writing import write_whole

    names = {review.asset: f"{review.asset.replace(' ', '-')}.svg" for review in result.assets}
    write_whole(folder, {names[review.asset]: draw_ways(result, review).encode() for review in result.assets})


def _write_sarif(result: ReviewResult, product_file: Path, target: Path) -> None:
    import json

    from rootwright import __version__
    from rootwright.describe.lines import find_line
    from rootwright.review.rules import RULES
    from rootwright.review.sarif import make_sarif
    from rootwright.writing import write_file

    text = product_file.read_text(encoding="utf-8")
    placed = [
        (finding, find_line(text, field, finding.block))
        for finding, field in zip(result.findings, result.fields, strict=True)
    ]
    log = make_sarif(placed, RULES, file=product_file.name, version=__version__)
    write_file(target, (json.dumps(log, indent=2, ensure_ascii=False) + "\n").encode())


def report(result: ReviewResult) -> list[str]:
    """Return the lines of the printed report, at most 120 columns wide."""

    seen = ", ".join(result.seen) or "nothing else"
    lines = [f"{result.product} on {result.chip}, updated by: {result.procedure}", ""]
    lines += wrapped(
        f"Points of attack potential (ISO/IEC 18045) that the cheapest way takes, between the raters' low and high "
        f"guesses. {len(result.steps)} steps make sense here; the product has {result.own_steps} of its own. Looked at "
        f"besides product and plan: {seen}. Guesses, not proof.",
        "",
    )
    head: tuple[str, ...] = ("asset", "first device", "by attackers in scope", "each further device", "ways")
    rows = [head]
    for review in result.assets:
        cells = [_rating_words(r) for r in (review.rating, review.in_scope, review.further)]
        rows.append((str(review.asset), *cells, str(review.ways)))
    lines += ["", *aligned(rows, "<<<<>"), ""]
    if result.resist is not None:
        lines += wrapped(f"The product asks every asset to resist attackers of {result.resist} potential.", "")
        lines.append("")
    for review in result.assets:
        lines += _in_short(result, review)
    return [*lines, "", *_finding_lines(result.findings)]


def _finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    lines: list[str] = []
    for finding in findings:
        lines += wrapped(f"{'note' if finding.note else 'finding'}: {finding.rule}: {finding.found}", "")
        lines += wrapped(f"next: {finding.next_step}", "    ")
    count = sum(not finding.note for finding in findings)
    lines.append(f"{count} finding{'' if count == 1 else 's'}" if count else "no rule is broken")
    return lines


def _in_short(result: ReviewResult, review: AssetReview) -> list[str]:
    if not review.front:
        return wrapped(f"{review.asset}: the catalogue has no way", "")
    lines = wrapped(f"{review.asset}: {_way_words(review.front[0])}", "")
    for loss in review.losses[:2]:
        lost = " and ".join(f'"{fact}"' for fact in loss.protections)
        lines += wrapped(f"without {lost}: {loss.after.words}", "    ")
    if review.guesses:
        steps = list(dict.fromkeys(guess.step for guess in review.guesses))
        lines += wrapped(f"one row decides the band at: {', '.join(steps)}", "    ")
    return lines


def _way_words(way: Way) -> str:
    return " > ".join(way.steps)


def _rating_words(rating: Rating | None) -> str:
    if rating is None:
        return "no way"
    first, last = rating.bands
    bands = str(first) if first is last else f"{first} to {last}"
    return f"{bands}, {_points_words(rating)}"


def _points_words(rating: Rating) -> str:
    return str(rating.low) if rating.low == rating.high else f"{rating.low}-{rating.high}"


def asset_report(result: ReviewResult, review: AssetReview) -> list[str]:
    """Return one asset in full: each way with its steps, what they cost and why; what the rating hangs on."""
    from rootwright.review.listing import range_words

    lines = [f"{result.product} on {result.chip}: {review.asset}", ""]
    told: set[str] = set()
    for number, way in enumerate(review.front, 1):
        lines += wrapped(
            f"way {number}: {way.first.words} at the first device, {way.further.words} at each further", ""
        )
        points = zip(FACTORS, way.low.points, way.high.points, strict=True)
        cells = ", ".join(f"{name} {low}" if low == high else f"{name} {low}-{high}" for name, low, high in points)
        lines += wrapped(cells, "    ")
        for identifier in way.steps:
            step = result.step(identifier)
            lines += wrapped(f"{identifier}: {step.title}", "  - ")
            if identifier not in told:
                rated = f" Rated by {step.rater}." if step.rater else ""
                lines += wrapped(f"{range_words(step.first)}. {step.why}{rated}", "      ")
                told.add(identifier)
        lines.append("")
    if review.further_path is not None:
        lines += wrapped(
            f"cheapest at each further device, {review.further_path.further.words}: {_way_words(review.further_path)}",
            "",
        )
    lines += [f"{len(review.front)} ways that no other beats, of {review.ways}", ""]
    for loss in review.losses:
        lines += wrapped(f"without {' and '.join(loss.protections)}: {loss.after.words}", "  ")
    for guess in review.guesses:
        way_words = "cheaper" if guess.by < 0 else "dearer"
        lines += wrapped(f"{guess.step}, {guess.factor} one row {way_words}: {guess.after.words}", "  ")
    return lines


def across_report(comparison: Comparison) -> list[str]:
    """Return the comparison of parts as a table, at most 120 columns wide."""
    from rootwright.cli.plan import size_text

    assets = next((row.assets for row in comparison.rows if row.assets), ())
    marks = [_short_name(asset) for asset, _ in assets]
    images = next((row.largest for row in comparison.rows if row.largest), ())
    largest = max(images, key=lambda room: room.size).image if images else ""
    has_aims = any(row.aims is not None for row in comparison.rows)
    cuts = comparison.cuts_checked
    head = (
        "part",
        "fits",
        "isolation",
        *(("aims",) if has_aims else ()),
        *(("cuts",) if cuts else ()),
        *marks,
        "largest",
    )
    rows: list[tuple[str, ...]] = [head]
    for row in comparison.rows:
        cells = ["-" if r is None else _points_words(r) for _, r in row.assets] or ["-"] * len(marks)
        room = next((room for room in row.largest if room.image == largest), None)
        fits = "no" if not row.fits else "yes" if row.protected else "open"
        name = row.part + ("*" if row.own else "")
        isolation = _ISOLATION.get(row.isolation, row.isolation) if row.can_host else "none"
        aims = (f"{row.aims_met}/{row.aims}" if row.aims is not None else "-",) if has_aims else ()
        held = ({True: "hold", False: "FAIL", None: "-"}[row.cuts],) if cuts else ()
        rows.append((name, fits, isolation, *aims, *held, *cells, size_text(room.largest) if room else "-"))
    lines = [f"{comparison.product}, updated by: {comparison.procedure}", ""]
    lines += aligned(rows, "<<<" + ">" * (len(head) - 3), gap=1)
    lines.append("")
    lines += wrapped(
        "* the product's own part, with its pins. Points of attack potential that the cheapest way in scope "
        "takes, low to high guess: "
        + ", ".join(f"{_short_name(asset)} = {asset}" for asset, _ in assets)
        + f". largest = room for {largest}. "
        + (
            "cuts = the procedure under power cuts, on that part's map."
            if cuts
            else "Power cuts were not checked here, on any part, which counts as open."
        ),
        "",
    )
    lines += wrapped('"open": it fits only without its write protections. "none": it cannot host a root of trust.', "")
    for row in comparison.rows:
        if not row.fits:
            lines += wrapped(f"{row.part}: {row.reason}", "  ")
    return lines


_ISOLATION = {
    "secure/non-secure split": "secure split",
    "key vault behind a core boundary": "key vault",
    "closed-until-reset or gated code area": "closed or gated area",
    "physical memory protection with lock": "locked memory regions",
    "protection unit and write protection": "protection unit",
}
_SHORT = {
    "boot code": "boot",
    "application authenticity": "appl",
    "signing keys": "sign",
    "device keys": "dkey",
    "version floor": "floor",
    "firmware confidentiality": "conf",
    "availability": "avail",
    "keep-areas": "keep",
}


def _short_name(asset: str) -> str:
    return _SHORT[asset]


class _Ticker(Ticker):
    """Says which part is looked at, and how far its check under power cuts is."""

    what = ""

    def name(self, part: str) -> None:
        """Show which part is looked at."""
        self.what = f"{part}: "
        self.say(part)

    def count(self, procedure: str, states: int) -> None:
        """Show how far the check under power cuts is."""
        self.say(f"{self.what}prove {procedure}: {states:,} states")
