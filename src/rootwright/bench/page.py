"""The source view as one page: every line that ran, with what faults there came to; readable without colour."""

from __future__ import annotations

from collections import Counter, defaultdict
from html import escape
from pathlib import Path
from urllib.parse import quote

from rootwright.bench.report import CAUTION, BenchReport, LineFinding, count_lines, reason

STYLE = """
:root { color-scheme: light dark; --ink: #1a1a1a; --paper: #fff; --soft: #666; --edge: #bbb;
  --hit: #fbe3d6; --bad: #a33a00 }
@media (prefers-color-scheme: dark) { :root { --ink: #eee; --paper: #161616; --soft: #a5a5a5; --edge: #555;
  --hit: #43261a; --bad: #ffb38a } }
body { font: 15px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper); max-width: 76rem;
  margin: 2rem auto; padding: 0 1rem }
pre, code, table.source { font: 13px/1.45 ui-monospace, monospace }
table.source { border-collapse: collapse; width: 100%; margin-bottom: 1.5rem }
table.source td { padding: 0 .6rem; vertical-align: top; white-space: pre-wrap; overflow-wrap: anywhere }
table.source td:last-child { width: 100% }
table.source td.n { text-align: right; color: var(--soft); white-space: nowrap }
tr.hit { background: var(--hit) } tr.hit td { border-top: 1px solid var(--bad) }
tr.hit td.m { color: var(--bad); font-weight: bold; white-space: nowrap } tr.no td { color: var(--soft) }
.why { margin: .2rem 0 .4rem 1.5rem; font-family: system-ui, sans-serif }
.bad { color: var(--bad); font-weight: bold } pre { overflow-x: auto; border: 1px solid var(--edge); padding: .6rem }
@media print { body { max-width: none } tr.hit { outline: 1px solid #000 } }
"""


def write_page(report: BenchReport, folder: Path) -> str:
    """Return the page. Source files are looked for below `folder`; without its file a line stands without text."""
    product = report.subject.product
    lines = report.lines()
    hits = sum(item.hits for item in lines)
    title = f"Bench of {product.name} {product.model}"
    parts = [
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(title)}</title>\n',
        f'<meta name="viewport" content="width=device-width">\n<style>{STYLE}</style>\n</head>\n<body>\n',
        f"<h1>{escape(title)}</h1>\n<p>Boot program "
        f"{escape(report.subject.firmware.name)}; mode {report.mode.value}.</p>\n",
    ]
    verdict = (
        f"{hits} faults broke a promise, at {len(lines)} line{'' if len(lines) == 1 else 's'}"
        if hits
        else "no fault that was tried broke a promise"
    )
    parts.append(f"<p{' class=bad' if hits else ''}>{verdict}.</p>\n<p>{escape(CAUTION)}</p>\n")
    if lines:
        parts.append("<h2>Where</h2>\n<ul>\n")
        parts += [_found(report, item) for item in lines]
        parts.append("</ul>\n")
    parts.append("<h2>Runs</h2>\n")
    for golden, tally in zip(report.goldens, report.tallies, strict=True):
        text = [f"{golden.start.name}: {len(golden.pcs):,} instructions; {golden.outcome.why}"]
        text += [f"NOT GOLDEN: {golden.fails}"] if golden.fails else []
        parts.append(f"<pre>{escape(chr(10).join([*text, *count_lines(tally)]))}</pre>\n")
    parts.append(
        "<h2>Source</h2>\n<p>A line marked <b>!!</b> was broken by a fault; the number in front says how often it ran "
        "in the golden runs, <b>-</b> that it never did.</p>\n"
    )
    parts += _files(report, lines, folder)
    parts.append("<h2>Not covered</h2>\n<ul>\n")
    parts += [f"<li>{escape(line)}</li>\n" for line in report.left_out()]
    parts.append("</ul>\n")
    assumed = report.assumed()
    if assumed:
        parts.append(
            "<h2>Assumed sites</h2>\n<p>These functions were done by the bench and not faulted inside.</p>\n<ul>\n"
        )
        parts += [f"<li><code>{escape(name)}</code> returned success {count} times</li>\n" for name, count in assumed]
        parts.append("</ul>\n")
    parts.append("</body>\n</html>\n")
    return "".join(parts)


def _found(report: BenchReport, item: LineFinding) -> str:
    """Return the entry of a broken line in the list that stands first, with a link to the line."""
    place = item.place
    name = f"{place.file}:{place.line}" if place.file else "no line known"
    whys = "".join(f'<div class="why">{escape(reason(report.subject, hit))}</div>' for hit in item.examples)
    many = f"{item.hits} fault{'' if item.hits == 1 else 's'}"
    return f'<li><a href="#{quote(_anchor(item))}">{escape(name)}</a> ({escape(place.function)}), {many}{whys}</li>\n'


def _anchor(item: LineFinding) -> str:
    return f"{item.place.file or f'{item.pc:08x}'}:{item.place.line}"


def _files(report: BenchReport, lines: list[LineFinding], folder: Path) -> list[str]:
    firmware = report.subject.firmware
    ran: Counter[tuple[str, int]] = Counter()
    for golden in report.goldens:
        for pc, count in Counter(golden.pcs).items():
            place = firmware.place(pc)
            ran[(place.file, place.line)] += count
    found: dict[str, dict[int, list[LineFinding]]] = defaultdict(lambda: defaultdict(list))
    for item in lines:
        found[item.place.file][item.place.line].append(item)
    files = sorted(
        {file for file, _ in ran if file} | {file for file in found if file}, key=lambda f: (f not in found, f)
    )
    parts = []
    for file in files:
        text = _source(folder, file)
        numbers = sorted({n for f, n in ran if f == file} | set(found.get(file, {})))
        shown = range(1, len(text) + 1) if text else numbers
        parts.append(f"<h3>{escape(file)}</h3>\n")
        if not text:
            parts.append("<p>This file was not found beside the product file; its lines stand without text.</p>\n")
        parts.append('<table class="source">\n')
        here = found.get(file, {})
        parts += [_row(report, number, text, ran[(file, number)], here.get(number, [])) for number in shown]
        parts.append("</table>\n")
    nowhere = [item for items in found.get("", {}).values() for item in items]
    if nowhere:
        parts.append('<h3>No line known</h3>\n<table class="source">\n')
        parts += [_row(report, 0, [], 1, [item]) for item in nowhere]
        parts.append("</table>\n")
    return parts


def _row(report: BenchReport, number: int, text: list[str], ran: int, items: list[LineFinding]) -> str:
    code = escape(text[number - 1]) if 0 < number <= len(text) else ""
    count = f"{ran:,}" if ran else "-"
    if not items:
        row = f'<td class="n">{count}</td><td class="n">{number}</td><td></td><td>{code}</td>'
        return f"<tr{'' if ran else ' class=no'}>{row}</tr>\n"
    whys = "".join(
        f'<div class="why">{escape(reason(report.subject, hit))}<br><code>--replay {escape(hit.id)}</code></div>'
        for item in items
        for hit in item.examples
    )
    hits = sum(item.hits for item in items)
    return (
        f'<tr class="hit" id="{escape(_anchor(items[0]))}"><td class="n">{count}</td>'
        f'<td class="n">{number}</td><td class="m">!! {hits}</td>'
        f"<td>{code}{whys}</td></tr>\n"
    )


def _source(folder: Path, file: str) -> list[str]:
    """Return a source file's lines; it may lie anywhere below the folder under the name that the debug data has."""
    parts = Path(file).parts
    if ".." in parts:
        return []
    # Debug data names files from where the build began, which may be above the product's folder or below it.
    tails = [Path(*parts[i:]) for i in range(len(parts))]
    candidates = [folder / tail for tail in tails] + [p for tail in tails[:2] for p in sorted(folder.glob(f"*/{tail}"))]
    for path in candidates:
        try:
            if path.is_file():
                return path.read_text(encoding="utf-8", errors="replace").splitlines()
        except (OSError, ValueError):
            continue
    return []
