"""A failure as a picture: one column per happening, one strip of sectors per area, logs underneath."""

from __future__ import annotations

from html import escape

from rootwright.prove.proof import Verdict
from rootwright.prove.story import Happening

# Content -> (fill, pattern letter drawn into the strip's label). Patterns tell contents apart without colour.
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
COLUMN = 132
STRIP = 110
LEFT = 96
TOP = 76

_STYLE = """
.ink{fill:#1b1b1b}.soft{fill:#555}.line{stroke:#666;fill:none}.cut{stroke:#b3122a;stroke-width:2;stroke-dasharray:5 3}
text{font-family:system-ui,sans-serif;font-size:11px}.head{font-size:15px;font-weight:600}.bold{font-weight:600}
.paper{fill:#fff}
@media (prefers-color-scheme:dark){.ink{fill:#eee}.soft{fill:#bbb}.line{stroke:#999}.paper{fill:#181a1b}
.cut{stroke:#ff8b94}}
@media print{.ink{fill:#000}.soft{fill:#333}.paper{fill:#fff}}
"""


def shorten(story: tuple[Happening, ...], most: int = 14) -> tuple[tuple[Happening, int], ...]:
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


def draw_timeline(procedure: str, verdict: Verdict) -> str:
    """Return an SVG of the way to a failure, readable in print, light and dark; the text is in it as description."""
    columns = shorten(verdict.story)
    areas = [name for name, _ in columns[0][0].scene.areas]
    logs = [name for name, _ in columns[0][0].scene.logs]
    texts = [_wrap(_label(happening, count), 20) for happening, count in columns]
    head = max(len(lines) for lines in texts) * 13
    width = LEFT + COLUMN * len(columns) + 20
    strips = TOP + head + 14
    logs_top = strips + (STRIP + 22) * len(areas) + 8
    height = logs_top + 18 * len(logs) * 2 + 70
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
        ' role="img" aria-labelledby="t d">',
        f'<title id="t">How {escape(procedure)} fails: {escape(verdict.what)}</title>',
        f'<desc id="d">{escape(" Then: ".join(h.text for h in verdict.story))}</desc>',
        f"<style>{_STYLE}</style>",
        _patterns(),
        f'<rect class="paper" width="{width}" height="{height}"/>',
        f'<text class="ink head" x="16" y="26">{escape(procedure)}: {escape(verdict.words)}</text>',
        f'<text class="ink" x="16" y="45">{escape(verdict.what)}. Broken claim: {escape(verdict.claim)}.</text>',
        f'<text class="soft" x="16" y="62">{escape(verdict.level.describe())}. Flash is shown after each event.</text>',
    ]
    for index, area in enumerate(areas):
        y = strips + (STRIP + 22) * index
        parts.append(f'<text class="ink bold" x="16" y="{y + 14}">{escape(area)}</text>')
    for number, ((happening, _), lines) in enumerate(zip(columns, texts, strict=True)):
        x = LEFT + COLUMN * number
        for row, line in enumerate(lines):
            weight = " bold" if row == 0 else ""
            parts.append(f'<text class="ink{weight}" x="{x}" y="{TOP + 12 + row * 13}">{escape(line)}</text>')
        if happening.kind == "cut":
            parts.append(f'<line class="cut" x1="{x - 7}" x2="{x - 7}" y1="{TOP}" y2="{height - 52}"/>')
        for index, (_, sectors) in enumerate(happening.scene.areas):
            parts.append(_strip(x, strips + (STRIP + 22) * index, sectors))
        for index, (_, content) in enumerate(happening.scene.logs):
            for row, line in enumerate(_wrap(content, 21)[:2]):
                parts.append(
                    f'<text class="ink" x="{x}" y="{logs_top + 36 * index + 12 + row * 12}">{escape(line)}</text>'
                )
    for index, log in enumerate(logs):
        parts.append(f'<text class="ink bold" x="16" y="{logs_top + 36 * index + 12}">{escape(log)}</text>')
    parts.append(_legend(16, height - 34, columns))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _label(happening: Happening, count: int) -> str:
    if happening.kind == "cut":
        return "POWER CUT. " + happening.text
    if happening.kind == "end":
        return "FAILURE. " + happening.text
    times = f" ({count} such steps)" if count > 1 else ""
    return happening.text + times


def _strip(x: int, y: int, sectors: tuple[str, ...]) -> str:
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
    for content, count in blocks:
        key = content.removeprefix("weak ")
        fill, pattern = LOOKS.get(key, ("#7f7f7f", "level"))
        size = unit * count
        box = f'x="{x}" y="{top:.1f}" width="46" height="{size:.1f}"'
        parts.append(f'<rect {box} fill="{fill}" stroke="#666" stroke-width="0.6"/>')
        if pattern != "solid":
            parts.append(f'<rect {box} fill="url(#{pattern})"/>')
        if size >= 9 or count == len(sectors):
            parts.append(f'<text class="ink" x="{x + 50}" y="{top + size / 2 + 4:.1f}">{escape(content)}</text>')
        top += size
    return "".join(parts)


def _legend(x: int, y: int, columns: tuple[tuple[Happening, int], ...]) -> str:
    seen = dict.fromkeys(
        content.removeprefix("weak ") for h, _ in columns for _, sectors in h.scene.areas for content in sectors
    )
    parts = []
    for content in seen:
        fill, pattern = LOOKS.get(content, ("#7f7f7f", "level"))
        parts.append(f'<rect x="{x}" y="{y}" width="18" height="12" fill="{fill}" stroke="#666"/>')
        if pattern != "solid":
            parts.append(f'<rect x="{x}" y="{y}" width="18" height="12" fill="url(#{pattern})"/>')
        parts.append(f'<text class="ink" x="{x + 23}" y="{y + 10}">{escape(content)}</text>')
        x += 34 + 7 * len(content)
    return "".join(parts)


def _patterns() -> str:
    def pattern(name: str, path: str) -> str:
        return (
            f'<pattern id="{name}" width="7" height="7" patternUnits="userSpaceOnUse">'
            f'<path d="{path}" stroke="#fff" stroke-width="1.4" fill="none"/></pattern>'
        )

    return (
        "<defs>"
        + pattern("rise", "M-1,8 L8,-1")
        + pattern("fall", "M-1,-1 L8,8")
        + pattern("cross", "M-1,8 L8,-1 M-1,-1 L8,8")
        + pattern("level", "M0,3.5 L7,3.5")
        + '<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse">'
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
