"""A failure as a picture: one column per happening, one strip of sectors per area that changes, logs underneath.

Columns stand in rows of six, so that the picture can be read on paper. Contents are told apart by hatching and name,
not by colour alone; power cuts and the failure carry their word on a dark label.
"""

from __future__ import annotations

from html import escape

from rootwright.prove.proof import Verdict
from rootwright.prove.story import Happening

# Content -> (fill, hatching). Hatching tells contents apart without colour.
LOOKS: dict[str, tuple[str, str]] = {
    "current": ("#4c78a8", "solid"),
    "newer": ("#f2b134", "rise"),
    "older": ("#9c9ede", "fall"),
    "stale": ("#c7c7c7", "fall"),
    "altered": ("#d1495b", "cross"),
    "foreign": ("#d1495b", "cross"),
    "blank": ("none", "solid"),
    "torn": ("#111111", "dots"),
    "mixed": ("#7f7f7f", "level"),
    "undecodable": ("#111111", "cross"),
    "programmed": ("#111111", "level"),
    "permanent": ("#54787f", "solid"),
    "kept data": ("#54787f", "rise"),
}
COLUMNS = 6
COLUMN = 182
STRIP = 66
BAR = 52
LEFT = 92
TOP = 108
LINE = 14
WIDTH = LEFT + COLUMNS * COLUMN + 12

# Class names are this picture's own, since pictures stand inside pages together.
_STYLE = """
.tl-ink{fill:#1b1b1b}.tl-soft{fill:#4a4a4a}.tl-edge{stroke:#666;stroke-width:.8;fill:none}
.tl-new{stroke:#1b1b1b;stroke-width:2.4;fill:none}.tl-rule{stroke:#999;stroke-width:.8}
.tl-cut{stroke:#a30d26;stroke-width:2.4;stroke-dasharray:6 3}.tl-tag{fill:#a30d26}.tl-on{fill:#fff;font-weight:700}
.tl-end{stroke:#a30d26;stroke-width:3;fill:none}.tl-paper{fill:#fff}
.tl{font-family:DejaVu Sans,Verdana,Helvetica,Arial,sans-serif;font-size:12px}
.tl-head{font-size:17px;font-weight:700}.tl-bold{font-weight:700}
@media (prefers-color-scheme:dark){.tl-ink{fill:#eee}.tl-soft{fill:#bcc2c8}.tl-edge{stroke:#aaa}.tl-new{stroke:#eee}
.tl-paper{fill:#15181c}.tl-cut,.tl-end{stroke:#ff8b94}.tl-tag{fill:#ff8b94}.tl-on{fill:#15181c}}
@media print{.tl-ink{fill:#000}.tl-soft{fill:#333}.tl-paper{fill:none}.tl-edge{stroke:#666}.tl-new{stroke:#000}
.tl-cut,.tl-end{stroke:#a30d26}.tl-tag{fill:#a30d26}.tl-on{fill:#fff}}
"""


def shorten(story: tuple[Happening, ...], most: int = 18) -> tuple[tuple[Happening, int], ...]:
    """Return the happenings to draw, each with the number of like steps that it stands for.

    Runs of steps of one kind become one; beyond `most` the earliest are left out.
    """
    drawn: list[tuple[Happening, int]] = []
    for happening in story:
        word = happening.text.partition(" (")[0]
        if drawn and happening.kind == "step" and drawn[-1][0].kind == "step":
            last, count = drawn[-1]
            if last.text.partition(" (")[0] == word:
                drawn[-1] = (happening, count + 1)
                continue
        drawn.append((happening, 1))
    return tuple(drawn[-most:])


def draw_timeline(procedure: str, verdict: Verdict, *, key: str = "timeline") -> str:
    """Return an SVG of the way to a failure, readable in print, light and dark; the text is in it as description.

    Areas that hold the same from the first to the last column are named in a sentence, not drawn.

    Args:
        procedure: What is drawn, for the heading.
        verdict: A verdict that does not hold.
        key: Starts every identifier in the picture; must differ where several pictures share a page.
    """
    whole = shorten(verdict.story, most=len(verdict.story))
    columns = shorten(verdict.story)
    skipped = len(whole) - len(columns)
    omitted = f" Events 1 to {skipped} are not drawn." if skipped else ""
    scenes = [dict(happening.scene.areas) for happening, _ in columns]
    areas = [name for name in scenes[0] if any(scene[name] != scenes[0][name] for scene in scenes)]
    still = [name for name in scenes[0] if name not in areas]
    logs = [name for name, _ in columns[0][0].scene.logs]
    body: list[str] = []
    top = float(TOP)
    for first in range(0, len(columns), COLUMNS):
        band, high = _band(columns, first, areas, logs, top, key, skipped)
        body += band
        top += high
    legend, legend_high = _legend(columns, areas, top + 4, key)
    height = round(top + legend_high + (22 if still else 0) + 12)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" class="tl" role="img" '
        f'aria-labelledby="{key}-title {key}-desc">',
        f'<title id="{key}-title">How {escape(procedure)} fails: {escape(verdict.what)}</title>',
        f'<desc id="{key}-desc">{escape(" Then: ".join(h.text for h in verdict.story))}</desc>',
        f"<style>{_STYLE}</style>",
        _patterns(key),
        f'<rect class="tl-paper" width="{WIDTH}" height="{height}"/>',
        f'<text class="tl-ink tl-head" x="16" y="28">{escape(procedure)}: {escape(verdict.words)}</text>',
        f'<text class="tl-ink" x="16" y="50">{escape(verdict.what)}. Broken claim: {escape(verdict.claim)}.</text>',
        f'<text class="tl-soft" x="16" y="70">{escape(verdict.level.describe())}.</text>',
        f'<text class="tl-soft" x="16" y="87">Flash is shown after each event; '
        f"a heavy edge marks what the event changed.{omitted}</text>",
        *body,
        *legend,
    ]
    if still:
        words = ", ".join(f"{name} ({' and '.join(dict.fromkeys(scenes[0][name]))})" for name in still)
        parts.append(f'<text class="tl-soft" x="16" y="{height - 12}">Unchanged throughout: {escape(words)}.</text>')
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _band(
    columns: tuple[tuple[Happening, int], ...],
    first: int,
    areas: list[str],
    logs: list[str],
    top: float,
    key: str,
    skipped: int,
) -> tuple[list[str], float]:
    """Draw up to six columns; return the parts and how high they are."""
    shown = columns[first : first + COLUMNS]
    texts = [_wrap(_label(happening, count), 24) for happening, count in shown]
    strips = top + 26 + max(len(lines) for lines in texts) * LINE
    records = {
        name: max(len(_wrap(dict(happening.scene.logs)[name], 26)) for happening, _ in shown) * LINE + 8
        for name in logs
    }
    logs_top = strips + (STRIP + 12) * len(areas) + 6
    bottom = logs_top + sum(records.values())
    parts = [
        f'<text class="tl-ink tl-bold" x="16" y="{strips + (STRIP + 12) * index + 14:.0f}">{escape(area)}</text>'
        for index, area in enumerate(areas)
    ]
    y = logs_top
    for name in logs:
        parts.append(f'<path class="tl-rule" d="M16 {y - 4:.0f}H{LEFT + COLUMN * len(shown) - 12}"/>')
        parts.append(f'<text class="tl-ink tl-bold" x="16" y="{y + 10:.0f}">{escape(name)}</text>')
        y += records[name]
    for number, ((happening, _), lines) in enumerate(zip(shown, texts, strict=True)):
        x = LEFT + COLUMN * number
        before = columns[first + number - 1][0] if first + number else None
        parts.append(_heading(x, top, skipped + first + number + 1, happening.kind))
        for row, line in enumerate(lines):
            parts.append(f'<text class="tl-ink" x="{x}" y="{top + 32 + row * LINE:.0f}">{escape(line)}</text>')
        if happening.kind == "cut":
            parts.append(f'<path class="tl-cut" d="M{x - 9} {top:.0f}V{bottom:.0f}"/>')
        if happening.kind == "end":
            wide = COLUMN - 10
            parts.append(
                f'<rect class="tl-end" x="{x - 8}" y="{top - 4:.0f}" width="{wide}" height="{bottom - top:.0f}"/>'
            )
        held, was = dict(happening.scene.areas), dict(before.scene.areas) if before else {}
        for index, area in enumerate(areas):
            changed = before is not None and held[area] != was[area]
            parts.append(_strip(x, strips + (STRIP + 12) * index, held[area], changed, key))
        y = logs_top
        said, said_before = dict(happening.scene.logs), dict(before.scene.logs) if before else {}
        for name in logs:
            weight = " tl-bold" if before is not None and said[name] != said_before[name] else ""
            for row, line in enumerate(_wrap(said[name], 26)):
                parts.append(
                    f'<text class="tl-ink{weight}" x="{x}" y="{y + 10 + row * LINE:.0f}">{escape(line)}</text>'
                )
            y += records[name]
    return parts, bottom - top + 24


def _heading(x: int, top: float, number: int, kind: str) -> str:
    word = {"cut": "POWER CUT", "end": "FAILURE"}.get(kind)
    if word is None:
        return f'<text class="tl-ink tl-bold" x="{x}" y="{top + 14:.0f}">{number}</text>'
    return (
        f'<rect class="tl-tag" x="{x}" y="{top:.0f}" width="{24 + 9 * len(word)}" height="19"/>'
        f'<text class="tl-on" x="{x + 6}" y="{top + 14:.0f}">{number} {word}</text>'
    )


def _label(happening: Happening, count: int) -> str:
    times = f" ({count} such steps)" if count > 1 else ""
    return happening.text + times


def _strip(x: int, y: float, sectors: tuple[str, ...], changed: bool, key: str) -> str:
    """Draw one area's sectors from top to bottom, equal neighbours as one block with its name."""
    blocks: list[tuple[str, int]] = []
    for content in sectors:
        if blocks and blocks[-1][0] == content:
            blocks[-1] = (content, blocks[-1][1] + 1)
        else:
            blocks.append((content, 1))
    unit = STRIP / max(1, len(sectors))
    parts = []
    top = float(y)
    last = y - 4
    for content, count in blocks:
        size = unit * count
        parts.append(_filled(x, top, BAR, size, content, key))
        # Names of neighbours must not lie on one another: a thin block's name moves down, or is left out.
        middle = max(top + size / 2 + 4, last + 12)
        if middle <= y + STRIP + 6:
            share = "" if len(blocks) == 1 else f" ({count})"
            parts.append(f'<text class="tl-ink" x="{x + BAR + 7}" y="{middle:.1f}">{escape(content)}{share}</text>')
            last = middle
        top += size
    edge = "tl-new" if changed else "tl-edge"
    parts.append(f'<rect class="{edge}" x="{x}" y="{y:.1f}" width="{BAR}" height="{STRIP}"/>')
    return "".join(parts)


def _filled(x: float, y: float, width: float, height: float, content: str, key: str) -> str:
    fill, hatching = LOOKS.get(content.removeprefix("weak "), ("#7f7f7f", "level"))
    box = f'x="{x}" y="{y:.1f}" width="{width}" height="{height:.1f}"'
    parts = [f'<rect {box} fill="{fill}"/><rect class="tl-edge" {box}/>']
    if hatching != "solid":
        parts.append(f'<rect {box} fill="url(#{key}-{hatching})"/>')
    if content.startswith("weak "):
        parts.append(f'<path class="tl-new" stroke-dasharray="3 3" d="M{x} {y:.1f}l{width} {height:.1f}"/>')
    return "".join(parts)


def _legend(
    columns: tuple[tuple[Happening, int], ...], areas: list[str], y: float, key: str
) -> tuple[list[str], float]:
    seen = dict.fromkeys(
        content for h, _ in columns for area, sectors in h.scene.areas if area in areas for content in sectors
    )
    parts = []
    x, start = 16.0, y
    for content in seen:
        wide = 44 + 7.6 * len(content)
        if x + wide > WIDTH - 12:
            x, y = 16.0, y + 22
        parts.append(_filled(x, y, 22, 14, content, key))
        parts.append(f'<text class="tl-ink" x="{x + 28:.0f}" y="{y + 11:.0f}">{escape(content)}</text>')
        x += wide
    return parts, y - start + 24


def _patterns(key: str) -> str:
    def pattern(name: str, path: str) -> str:
        return (
            f'<pattern id="{key}-{name}" width="7" height="7" patternUnits="userSpaceOnUse">'
            f'<path d="{path}" stroke="#fff" stroke-width="1.6" fill="none"/></pattern>'
        )

    return (
        "<defs>"
        + pattern("rise", "M-1,8 L8,-1")
        + pattern("fall", "M-1,-1 L8,8")
        + pattern("cross", "M-1,8 L8,-1 M-1,-1 L8,8")
        + pattern("level", "M0,3.5 L7,3.5")
        + f'<pattern id="{key}-dots" width="6" height="6" patternUnits="userSpaceOnUse">'
        + '<circle cx="3" cy="3" r="1.5" fill="#fff"/></pattern></defs>'
    )


def _wrap(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
