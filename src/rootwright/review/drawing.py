"""Draw the cheapest ways to one asset as a tree in SVG: readable in print, light and dark, and without colour.

The asset stands at the top. Below a goal stand the steps that give it, any one of which is enough; below a step stands
all that it needs. The cheapest way is hatched, marked and bold. The colours are those of the memory map's picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from rootwright.describe.attack import AttackStep, Equipment
from rootwright.review.result import AssetReview, ReviewResult

WIDTH = 1180
ROW, TOP, INDENT, LEFT = 30, 118, 30, 44
MOST_PATHS = 4
"""Ways drawn; the list in the report has all."""


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of the tree.

    Attributes:
        kind: "goal" or "step".
        depth: Indentation; `parent` is the row it hangs on, -1 for the first.
        note: What stands at the right.
        cheapest: Whether it is on the cheapest way.
        many: Whether what hangs on it is a choice (goal) or a conjunction (step) of more than one.
    """

    kind: str
    text: str
    depth: int
    parent: int
    note: str
    cheapest: bool
    many: bool


def draw_ways(result: ReviewResult, review: AssetReview) -> str:
    """Return an SVG picture of the cheapest ways to an asset; of none where the catalogue has none."""
    rows = _rows(result, review)
    heading = f"{result.product} on {result.chip}: ways to {review.asset}"
    rated = "no way in the catalogue" if review.rating is None else review.rating.words
    height = TOP + ROW * len(rows) + 66
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" '
        'aria-labelledby="ways-title ways-desc" font-family="DejaVu Sans, Verdana, Helvetica, Arial, sans-serif" '
        'font-size="13">',
        f'<title id="ways-title">{escape(heading)}</title>',
        f'<desc id="ways-desc">{escape(describe_ways(result, review))}</desc>',
        _style(),
        '<defs><pattern id="h-way" width="9" height="9" patternUnits="userSpaceOnUse">'
        '<path class="hatch" d="M0 9L9 0M-2 2L2 -2M7 11L11 7"/></pattern></defs>',
        f'<rect class="paper" width="{WIDTH}" height="{height}"/>',
        f'<text class="ink head" x="28" y="40">{escape(heading)}</text>',
        f'<text class="ink" x="28" y="66">Cheapest at the first device: {escape(rated)}. '
        "Guesses of raters with their two ends; not proof.</text>",
        *_tree(rows),
        *_legend(TOP + ROW * len(rows) + 34),
        "</svg>",
        "",
    ]
    return "\n".join(parts)


def describe_ways(result: ReviewResult, review: AssetReview) -> str:
    """Return the picture in words, for readers who do not see it."""
    if not review.front:
        return f"The catalogue has no way to {review.asset}."
    sentences = []
    for number, path in enumerate(review.front[:MOST_PATHS], 1):
        steps = "; then ".join(_lower(result.step(step).title) for step in path.steps)
        sentences.append(f"Way {number}, {path.first.words}: {steps}.")
    return " ".join(sentences)


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _rows(result: ReviewResult, review: AssetReview) -> list[_Row]:
    drawn = review.front[:MOST_PATHS]
    steps = {identifier: result.step(identifier) for path in drawn for identifier in path.steps}
    cheapest = set(drawn[0].steps) if drawn else set()
    rows: list[_Row] = []
    told: set[str] = set()

    def goal(name: str, depth: int, parent: int, on_way: bool, above: frozenset[str]) -> None:
        givers = [step for step in steps.values() if name in step.gives and step.id not in above]
        if name in told and depth:
            rows.append(_Row("goal", f"{name} (as above)", depth, parent, "", on_way, False))
            return
        told.add(name)
        rows.append(_Row("goal", name, depth, parent, "", on_way, len(givers) > 1))
        place = len(rows) - 1
        for step in givers:
            taken = on_way and step.id in cheapest
            rows.append(_Row("step", step.title, depth + 1, place, _cost_words(step), taken, len(step.needs) > 1))
            at = len(rows) - 1
            for need in step.needs:
                goal(need, depth + 2, at, taken, above | {step.id})

    goal(str(review.asset), 0, -1, bool(drawn), frozenset())
    return rows


def _cost_words(step: AttackStep) -> str:
    """Return a step's own cost in few words: days, expertise, equipment where more than standard."""
    low, high = step.first.low, step.first.high
    words = [_span_words(f"{low.days:g}", f"{high.days:g}") + " d"]
    words.append(_span_words(low.expertise, high.expertise))
    if high.equipment is not Equipment.STANDARD:
        words.append(high.rig)
    return ", ".join(words)


def _span_words(low: str, high: str) -> str:
    return str(low) if low == high else f"{low}-{high}"


def _tree(rows: list[_Row]) -> list[str]:
    parts = []
    for number, row in enumerate(rows):
        x, y = LEFT + INDENT * row.depth, TOP + ROW * number
        if row.cheapest:
            parts.append(f'<rect fill="url(#h-way)" x="{x - 14}" y="{y - 15}" width="{WIDTH - x}" height="26"/>')
    for number, row in enumerate(rows):
        x, y = LEFT + INDENT * row.depth, TOP + ROW * number
        if row.parent >= 0:
            px, py = LEFT + INDENT * rows[row.parent].depth, TOP + ROW * row.parent
            kind = "way" if row.cheapest else "line"
            parts.append(f'<path class="{kind}" d="M{px} {py + 7}V{y - 2}H{x - 9}"/>')
    for number, row in enumerate(rows):
        x, y = LEFT + INDENT * row.depth, TOP + ROW * number
        parts.append(_mark(row, x, y - 2))
        weight = " bold" if row.cheapest else ""
        style = "goal" if row.kind == "goal" else "step"
        parts.append(f'<text class="ink halo {style}{weight}" x="{x + 14}" y="{y + 3}">{escape(row.text)}</text>')
        if row.note:
            parts.append(
                f'<text class="soft halo" x="{WIDTH - 30}" y="{y + 3}" text-anchor="end">{escape(row.note)}</text>'
            )
    return parts


def _mark(row: _Row, x: int, y: int) -> str:
    filled = "full" if row.cheapest else "hollow"
    if row.kind == "goal":
        return f'<circle class="{filled}" cx="{x}" cy="{y}" r="{7 if row.many else 5}"/>'
    size = 7 if row.many else 5
    return f'<rect class="{filled}" x="{x - size}" y="{y - size}" width="{2 * size}" height="{2 * size}"/>'


def _legend(y: int) -> list[str]:
    entries = (
        (28, '<circle class="hollow" cx="36" cy="{y}" r="7"/>', "what is wanted: one of the steps below is enough"),
        (
            390,
            '<rect class="hollow" x="391" y="{top}" width="14" height="14"/>',
            "a step: all that stands below is needed",
        ),
        (710, '<rect fill="url(#h-way)" x="711" y="{top}" width="26" height="14"/>', "on the cheapest way"),
    )
    parts = []
    for x, mark, words in entries:
        parts.append(mark.replace("{y}", str(y)).replace("{top}", str(y - 7)))
        offset = 34 if "h-way" in mark else 22
        parts.append(f'<text class="ink" x="{x + offset}" y="{y + 4}">{words}</text>')
    return parts


def _style() -> str:
    light = (
        ".paper{fill:#fff}.halo{stroke:#fff}.ink{fill:#1c1c1c}.soft{fill:#4a4a4a}.line{stroke:#7a7a7a}.way{stroke:#0072b2}"
        ".hatch{stroke:#bcd7ea}.hollow{fill:#fff;stroke:#1c1c1c}.full{fill:#0072b2;stroke:#1c1c1c}"
    )
    dark = (
        ".paper{fill:#15181c}.halo{stroke:#15181c}.ink{fill:#f0f0f0}.soft{fill:#bcc2c8}.line{stroke:#8a9098}"
        ".way{stroke:#4da3d9}.hatch{stroke:#1f4a66}.hollow{fill:#15181c;stroke:#e4e4e4}.full{fill:#4da3d9;stroke:#e4e4e4}"
    )
    return (
        "<style>"
        f"{light}"
        ".head{font-size:19px;font-weight:bold}.bold{font-weight:bold}.goal{font-style:italic}"
        ".line{fill:none;stroke-width:1.2}.way{fill:none;stroke-width:2.6}.hatch{fill:none;stroke-width:1.6}"
        ".hollow,.full{stroke-width:1.4}.halo{paint-order:stroke;stroke-width:4;stroke-linejoin:round}"
        f"@media (prefers-color-scheme:dark){{{dark}}}"
        f"@media print{{{light}.paper{{fill:none}}}}"
        "</style>"
    )
