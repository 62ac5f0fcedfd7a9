"""Draw a memory map as SVG: to scale, with a zoom on what is small, readable in print, light and dark.

Blocks are told apart by hatching, label and colour together; the colours are those of a palette made for colour
blindness (Okabe and Ito, "Color Universal Design", 2008). Text and lines follow the reader's colour scheme.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from rootwright.describe.chip import Chip
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map, Region

LEAST_WIDTH = 1180
BAR_TOP, BAR_HEIGHT = 118, 560
BAR_LEFT, BAR_WIDTH = 186, 150
GUTTER = 150  # pixels between the labels of a memory and its enlarged part: leader lines and addresses
LEAST_ROW = 18.0  # pixels that a row of the enlarged part needs for its label
SMALL = 19  # pixels below which a region has no room for its label

# How a role is drawn: the name of its colour and hatch.
_KINDS: dict[BlockRole, str] = {
    BlockRole.BOOT: "boot",
    BlockRole.RECOVERY: "boot",
    BlockRole.SLOT: "slot",
    BlockRole.STAGING: "stage",
    BlockRole.LIFT: "log",
    BlockRole.JOURNAL: "log",
    BlockRole.SELECTOR: "log",
    BlockRole.REQUESTS: "log",
    BlockRole.FLOOR: "keys",
    BlockRole.KEYS: "keys",
    BlockRole.KEEP: "keep",
}
_ROLLING = frozenset({BlockRole.LIFT, BlockRole.JOURNAL, BlockRole.SELECTOR, BlockRole.REQUESTS, BlockRole.FLOOR})
"""What fills all of its block in time and starts again: a share in use today would say nothing."""
_WORDS = {
    "boot": "Boot stage, recovery image",
    "slot": "Slot that code runs from",
    "stage": "Staged image",
    "log": "Lift sectors and logs",
    "keys": "Keys, records, version floor",
    "keep": "Keep-area",
    "free": "Free",
}
_COLOURS = {
    "boot": ("#d55e00", "#e8843f"),
    "slot": ("#0072b2", "#4da3d9"),
    "stage": ("#56b4e9", "#8accf2"),
    "log": ("#b8860b", "#e6b422"),
    "keys": ("#a0527f", "#d58fb6"),
    "keep": ("#00795a", "#3fbf97"),
}
_HATCHES = {
    "boot": '<path d="M0 0L10 10M-2 8L2 12M8 -2L12 2"/>',
    "slot": '<path d="M0 10L10 0M-2 2L2 -2M8 12L12 8"/>',
    "stage": '<path d="M0 5H10"/>',
    "log": '<path d="M5 0V10"/>',
    "keys": '<path d="M0 5H10M5 0V10"/>',
    "keep": '<circle cx="5" cy="5" r="1.6"/>',
}


@dataclass(frozen=True, slots=True)
class _Strip:
    """A stretch of one memory drawn as an upright bar: addresses low..high between two heights, low at the top."""

    low: int
    high: int
    x: float
    top: float
    bottom: float

    def height_of(self, address: int) -> float:
        return self.top + (self.bottom - self.top) * (address - self.low) / (self.high - self.low)


def draw_map(plan: Map, demand: Demand, chip: Chip, *, title: str = "") -> str:
    """Return an SVG picture of `plan`.

    One figure per memory that holds blocks: the whole memory to scale, and beside it, where blocks are too small to
    label, the stretch that holds them at a larger scale. Inside each block the part in use today is hatched, the rest
    is plain, logs and lift sectors hatched all over; a double edge marks write protection.

    Args:
        plan: The map.
        demand: Where write protection stands.
        chip: Sizes of the memories.
        title: What the picture is of; the procedure is added.
    """
    procedure = demand.traits.title[:1].lower() + demand.traits.title[1:]
    heading = f"{title + ', ' if title else ''}{chip.name}: memory map, {procedure}"
    memories = [m for m in chip.memories if any(r.memory == m.name for r in plan.regions)]
    longest = max(_label_width(r, demand) for r in plan.regions)
    zoom_x = max(664.0, BAR_LEFT + BAR_WIDTH + 14 + longest + GUTTER)
    width = max(LEAST_WIDTH, round(zoom_x + max(BAR_WIDTH + 14 + longest, 470)))
    parts: list[str] = []
    top = 0
    for memory in memories:
        regions = [r for r in plan.regions if r.memory == memory.name]
        parts.append(f'<g transform="translate(0 {top})">')
        drawn, height = _draw_memory(memory.name, memory.base, memory.end, memory.banks, regions, demand, zoom_x)
        parts += [*drawn, "</g>"]
        top += height
    kinds = [k for k in _WORDS if k == "free" or any(_KINDS[r.role] == k for r in plan.regions)]
    parts += _legend(kinds, top + 34, width)
    height = top + 110
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
            'aria-labelledby="map-title map-desc" font-family="DejaVu Sans, Verdana, Helvetica, Arial, sans-serif" '
            'font-size="13">',
            f'<title id="map-title">{escape(heading)}</title>',
            f'<desc id="map-desc">{escape(describe_map(plan, demand))}</desc>',
            _style(),
            _definitions(kinds),
            f'<rect class="paper" width="{width}" height="{height}"/>',
            f'<text class="ink head" x="28" y="40">{escape(heading)}</text>',
            *parts,
            "</svg>",
            "",
        ]
    )


def describe_map(plan: Map, demand: Demand) -> str:
    """Return the map in words, for readers who do not see the picture."""
    sentences = []
    for region in plan.regions:
        protected = ", write-protected" if demand.block(region.block).write_protect else ""
        sentences.append(
            f"{region.block} ({region.role.value}) in {region.memory} from 0x{region.address:X} to "
            f"0x{region.end - 1:X}, {size_words(region.size)}{_in_use(region, ' in use')}{protected}."
        )
    return " ".join(sentences)


def size_words(size: int) -> str:
    """Return a size for a label: KiB or MiB with at most one decimal, bytes below one KiB.

    Example:
        >>> size_words(512), size_words(6144), size_words(5 << 20)
        ('512 B', '6 KiB', '5 MiB')
    """
    if size < 1024:
        return f"{size} B"
    if size < 1 << 20:
        return f"{size / 1024:.1f}".removesuffix(".0") + " KiB"
    return f"{size / (1 << 20):.1f}".removesuffix(".0") + " MiB"


def used_share(region: Region) -> float | None:
    """Return which share of a region its content takes today, at most 1; None for logs and lift sectors."""
    return None if region.role in _ROLLING else min(1.0, region.used / region.size)


def _in_use(region: Region, word: str) -> str:
    share = used_share(region)
    if share is None:
        return ""
    return f", {'under 1' if 0 < share < 0.005 else round(100 * share)} %{word}"


def _style() -> str:
    def colours(n: int) -> str:
        return "".join(f".f-{k}{{fill:{c[n]}}}.s-{k}{{stroke:{c[n]}}}" for k, c in _COLOURS.items())

    light = (
        ".paper{fill:#fff}.halo{stroke:#fff}.ink{fill:#1c1c1c}.soft{fill:#4a4a4a}.line{stroke:#1c1c1c}.free{fill:#f1f1f1}"
        + colours(0)
    )
    dark = (
        ".paper{fill:#15181c}.halo{stroke:#15181c}.ink{fill:#f0f0f0}.soft{fill:#bcc2c8}.line{stroke:#e4e4e4}.free{fill:#23282e}"
        + colours(1)
    )
    return (
        "<style>"
        f"{light}"
        ".head{font-size:19px;font-weight:bold}.name{font-weight:bold}.mono{font-family:DejaVu Sans Mono,Menlo,"
        "Consolas,monospace;font-size:12px}.line{fill:none}.tint{fill-opacity:.16}.thin{stroke-width:.8}"
        ".edge{stroke-width:1.2}.guard{stroke-width:3.2}.dash{stroke-dasharray:4 4;stroke-width:1}"
        ".faint{stroke-opacity:.45}"
        ".hatch path{fill:none;stroke-width:1.7}.halo{paint-order:stroke;stroke-width:5;stroke-linejoin:round}"
        f"@media (prefers-color-scheme:dark){{{dark}}}"
        f"@media print{{{light}.paper{{fill:none}}}}"
        "</style>"
    )


def _definitions(kinds: list[str]) -> str:
    found = []
    for kind in kinds:
        if kind in _HATCHES:
            cls = f"f-{kind}" if kind == "keep" else f"s-{kind}"
            found.append(
                f'<pattern id="h-{kind}" class="hatch" width="10" height="10" patternUnits="userSpaceOnUse">'
                + _HATCHES[kind].replace("<path", f'<path class="{cls}"').replace("<circle", f'<circle class="{cls}"')
                + "</pattern>"
            )
    return f"<defs>{''.join(found)}</defs>"


def _draw_memory(
    name: str, low: int, high: int, banks: int, regions: list[Region], demand: Demand, zoom_x: float
) -> tuple[list[str], int]:
    strip = _Strip(low, high, BAR_LEFT, BAR_TOP, BAR_TOP + BAR_HEIGHT - 40)
    small = [r for r in regions if strip.height_of(r.end) - strip.height_of(r.address) < SMALL]
    out = [
        f'<text class="ink name" x="28" y="80">{escape(name)}, {size_words(high - low)} from 0x{low:08X}</text>',
    ]
    bottom = strip.bottom
    if small:
        zoomed, bottom = _zoom(strip, small, regions, demand, zoom_x)
        out += zoomed
    out += _draw_strip(strip, regions, demand, {r.block for r in small})
    if banks == 2:
        middle = strip.height_of((low + high) // 2)
        # Interrupted where addresses stand.
        out.append(f'<path class="line dash" d="M28 {middle:.1f}H96M{strip.x} {middle:.1f}H{strip.x + BAR_WIDTH}"/>')
        out.append(f'<text class="soft" x="28" y="{middle - 5:.1f}">bank 0</text>')
        out.append(f'<text class="soft" x="28" y="{middle + 16:.1f}">bank 1</text>')
    return out, round(max(strip.bottom, bottom) + 40)


def _zoom(
    strip: _Strip, small: list[Region], regions: list[Region], demand: Demand, x: float
) -> tuple[list[str], float]:
    """Draw what is small again, as a strip with rows of its own height; return also where that ends."""
    start, end = min(r.address for r in small), max(r.end for r in small)
    shown = [r for r in regions if r.end > start and r.address < end]
    rows: list[tuple[Region | None, int, int]] = []
    position = start
    for region in shown:
        if region.address > position:
            rows.append((None, position, region.address))
        rows.append((region, max(region.address, start), min(region.end, end)))
        position = region.end
    small_names = {r.block for r in small}
    # Heights follow size within bounds: a row is never too flat to read, nor one so high that the rest suffers.
    wanted = [
        max(26.0, min(70.0, (b - a) / 1024 * 4.2)) if r is None or r.block in small_names else 34.0 for r, a, b in rows
    ]
    room = strip.bottom - strip.top
    scale = max(min(1.0, room / sum(wanted)), LEAST_ROW / min(wanted))
    out = [
        f'<text class="ink name" x="{x:.0f}" y="80">0x{start:08X} to 0x{end - 1:08X} enlarged (heights not to scale)'
        "</text>"
    ]
    y = strip.top
    total = sum(wanted) * scale
    a, b = strip.height_of(start), strip.height_of(end)
    # Level between the labels, which stand in the middle of their blocks, then across where nothing else is.
    right, turn, goal = strip.x + BAR_WIDTH, x - GUTTER + 6, x - 92
    out.append(
        f'<path class="line dash faint leader" d="M{right} {a:.1f}H{turn:.1f}L{goal:.1f} {strip.top}M{right} {b:.1f}'
        f'H{turn:.1f}L{goal:.1f} {strip.top + total:.1f}"/>'
    )
    for (shown_here, first, last), height in zip(rows, wanted, strict=True):
        tall = height * scale
        out.append(f'<text class="soft mono" x="{x - 10:.0f}" y="{y + 4:.1f}" text-anchor="end">0x{first:08X}</text>')
        if shown_here is None:
            out.append(f'<rect class="free" x="{x:.1f}" y="{y:.1f}" width="{BAR_WIDTH}" height="{tall:.1f}"/>')
            out.append(_frame(x, y, tall, "edge"))
            out.append(_label(x + BAR_WIDTH + 14, y + tall / 2, "free", size_words(last - first), ""))
        else:
            out += _box(shown_here, x, y, tall, demand)
            out.append(_region_label(shown_here, x + BAR_WIDTH + 14, y + tall / 2, demand))
        y += tall
    out.append(f'<text class="soft mono" x="{x - 10:.0f}" y="{y + 4:.1f}" text-anchor="end">0x{end:08X}</text>')
    return out, y


def _draw_strip(strip: _Strip, regions: list[Region], demand: Demand, unlabelled: set[str]) -> list[str]:
    x, full = strip.x, strip.bottom - strip.top
    out = [f'<rect class="free" x="{x}" y="{strip.top}" width="{BAR_WIDTH}" height="{full}"/>']
    marks: list[tuple[float, int]] = []
    for region in regions:
        top, bottom = strip.height_of(region.address), strip.height_of(region.end)
        out += _box(region, x, top, bottom - top, demand)
        if region.block not in unlabelled:
            out.append(_region_label(region, x + BAR_WIDTH + 14, (top + bottom) / 2, demand))
        marks += [(top, region.address), (bottom, region.end)]
    previous = strip.low
    for here, behind in [*((r.address, r.end) for r in regions), (strip.high, strip.high)]:
        top, bottom = strip.height_of(previous), strip.height_of(here)
        if bottom - top >= SMALL:
            out.append(_label(x + BAR_WIDTH + 14, (top + bottom) / 2, "free", size_words(here - previous), ""))
        previous = behind
    out.append(_frame(x, strip.top, full, "edge"))
    last = -100.0
    for place, address in [(strip.top, strip.low), *marks, (strip.bottom, strip.high)]:
        if place - last >= 15 and (address == strip.high or strip.bottom - place >= 15):
            out.append(
                f'<text class="soft mono" x="{x - 10}" y="{place + 4:.1f}" text-anchor="end">0x{address:08X}</text>'
            )
            last = place
    return out


def _box(region: Region, x: float, y: float, tall: float, demand: Demand) -> list[str]:
    kind = _KINDS[region.role]
    share = used_share(region)
    used = BAR_WIDTH * (1.0 if share is None else share)
    out = [
        f'<g><title>{escape(region.block)}</title><rect class="f-{kind} tint" x="{x:.1f}" y="{y:.1f}" '
        f'width="{BAR_WIDTH}" height="{tall:.1f}"/>'
    ]
    if used >= 1:
        out.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{used:.1f}" height="{tall:.1f}" fill="url(#h-{kind})"/>'
            f'<path class="s-{kind}" stroke-width="2" d="M{x + used:.1f} {y:.1f}v{tall:.1f}"/>'
        )
    out.append(_frame(x, y, tall, "thin"))
    if demand.block(region.block).write_protect:
        out.append(
            f'<path class="line guard" d="M{x - 5:.1f} {y + 1:.1f}V{y + tall - 1:.1f}M{x + BAR_WIDTH + 5:.1f} '
            f'{y + 1:.1f}V{y + tall - 1:.1f}"/>'
        )
    return [*out, "</g>"]


def _frame(x: float, y: float, tall: float, weight: str) -> str:
    return f'<rect class="line {weight}" x="{x:.1f}" y="{y:.1f}" width="{BAR_WIDTH}" height="{tall:.1f}"/>'


def _region_label(region: Region, x: float, y: float, demand: Demand) -> str:
    return _label(x, y, region.block, _detail(region, demand), "name")


def _detail(region: Region, demand: Demand) -> str:
    lock = ", protected" if demand.block(region.block).write_protect else ""
    return f"{size_words(region.size)}{_in_use(region, ' used')}{lock}"


def _label_width(region: Region, demand: Demand) -> float:
    """Return about how many pixels a region's label takes: bold 13 px letters, then 12 px ones."""
    return 8.0 * len(region.block) + 8 + 6.7 * len(_detail(region, demand))


def _label(x: float, y: float, name: str, detail: str, weight: str) -> str:
    return (
        f'<text class="ink halo" x="{x:.1f}" y="{y + 4.5:.1f}"><tspan class="{weight or "soft"}">{escape(name)}</tspan>'
        f'<tspan class="soft" dx="8" font-size="12">{escape(detail)}</tspan></text>'
    )


def _legend(kinds: list[str], y: float, width: int) -> list[str]:
    out, x = [], 28.0
    for kind in [*kinds, "guard"]:
        words = _WORDS.get(kind, "Write protection")
        wide = 42 + 7.4 * len(words) + 24
        if x + wide > width - 20:
            x, y = 28.0, y + 30
        if kind == "guard":
            out.append(f'<path class="line guard" d="M{x + 6:.0f} {y:.0f}v20M{x + 22:.0f} {y:.0f}v20"/>')
        elif kind == "free":
            out.append(f'<rect class="free" x="{x:.0f}" y="{y:.0f}" width="30" height="20"/>')
            out.append(f'<rect class="line thin" x="{x:.0f}" y="{y:.0f}" width="30" height="20"/>')
        else:
            out.append(f'<rect class="f-{kind} tint" x="{x:.0f}" y="{y:.0f}" width="30" height="20"/>')
            out.append(f'<rect x="{x:.0f}" y="{y:.0f}" width="30" height="20" fill="url(#h-{kind})"/>')
            out.append(f'<rect class="line thin" x="{x:.0f}" y="{y:.0f}" width="30" height="20"/>')
        out.append(f'<text class="ink" x="{x + 38:.0f}" y="{y + 15:.0f}">{words}</text>')
        x += wide
    words = "Hatched: in use today. Plain: room to grow."
    if x + 7.4 * len(words) > width - 20:
        x, y = 28.0, y + 30
    out.append(f'<text class="soft" x="{x:.0f}" y="{y + 15:.0f}">{words}</text>')
    return out
