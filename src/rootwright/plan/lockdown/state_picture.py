"""The states of a device's life as a picture (SVG): what does the change, and whether there is a way back.

It says everything twice: states that cannot be reached are hatched and say so, changes without a way back are thick,
with a bar, and worded. It reads in print, in light, in dark and without colour.
"""

from __future__ import annotations

import textwrap
from html import escape

from rootwright.describe.lock_field import LifeState
from rootwright.plan.lockdown.result import LockdownPlan, State, Transition

_WIDTH, _BOX, _HIGH = 960, 330, 210
_LINES = 12
_PLACES = {
    LifeState.DEVELOPMENT: (30, 70),
    LifeState.PRODUCTION: (600, 70),
    LifeState.FIELD_RETURN: (30, 400),
    LifeState.END_OF_LIFE: (600, 400),
}
_STYLE = """
  .paper { fill: #fff } .ink { fill: #111 } .soft { fill: #444 } .box { fill: #f4f6f8; stroke: #111; stroke-width: 1.5 }
  .shut { fill: url(#hatch); stroke: #111; stroke-width: 1.5; stroke-dasharray: 6 4 } .veil { fill: #fff; opacity: .85 }
  .line { stroke: #111; fill: none; stroke-width: 1.5 } .oneway { stroke-width: 4 } .head { fill: #111 }
  .grid { stroke: #999; stroke-width: 1.5 }
  @media (prefers-color-scheme: dark) {
    .paper { fill: #16191c } .ink { fill: #f2f2f2 } .soft { fill: #c4c9ce } .box { fill: #23282d; stroke: #f2f2f2 }
    .shut { stroke: #f2f2f2 } .veil { fill: #16191c } .line { stroke: #f2f2f2 } .head { fill: #f2f2f2 }
    .grid { stroke: #777 }
  }
  @media print {
    .paper { fill: #fff } .ink { fill: #000 } .soft { fill: #222 } .box { fill: #fff; stroke: #000 }
    .shut { stroke: #000 } .veil { fill: #fff } .line { stroke: #000 } .head { fill: #000 } .grid { stroke: #777 }
  }
  text { font: 13px sans-serif } .name { font-weight: bold; font-size: 15px } .small { font-size: 12px }
""".strip("\n")


def draw_states(plan: LockdownPlan) -> str:
    """Return the picture as SVG, with the same content as a text alternative."""
    told = [
        f"{t.origin.value} to {t.target.value} by {t.by}{'' if t.reversible else ', no way back'}"
        for t in plan.transitions
    ]
    for state in plan.states:
        cannot = "" if state.reachable else ", which cannot be reached"
        allows, denies = "; ".join(state.allows) or "nothing", "; ".join(state.denies) or "nothing"
        told.append(f"{state.state.value}{cannot}: allows {allows}; denies {denies}")
    about = f"States of {plan.product} on {plan.chip}. " + ". ".join(told)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} 690" role="img" aria-labelledby="t d">',
        f'<title id="t">Life of {escape(plan.product)} on {escape(plan.chip)}</title>',
        f'<desc id="d">{escape(about)}</desc>',
        f"<style>\n{_STYLE}\n</style>",
        '<defs><pattern id="hatch" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<line class="grid" x1="0" y1="0" x2="0" y2="8"/></pattern></defs>',
        f'<rect class="paper" width="{_WIDTH}" height="690"/>',
        f'<text class="ink name" x="30" y="36">Life of {escape(plan.product)} on {escape(plan.chip)}</text>',
    ]
    parts += [_box(state) for state in plan.states]
    parts += [_arrow(transition) for transition in plan.transitions]
    parts.append(
        '<text class="soft small" x="30" y="650">Thick line with a bar: no way back. Hatched and dashed: '
        "a state that this part cannot reach.</text>"
    )
    words = "Locking is often irreversible: try it on units you can lose; your data sheet and safety standard decide."
    parts.append(f'<text class="soft small" x="30" y="670">{words}</text>')
    parts.append("</svg>\n")
    return "\n".join(parts)


def _box(state: State) -> str:
    x, y = _PLACES[state.state]
    name = state.state.value + ("" if state.reachable else ": cannot be reached")
    lines = [("ink name", name)]
    for sign, things in (("+", state.allows), ("-", state.denies)):
        for thing in things:
            wrapped = textwrap.wrap(thing, 44)
            lines += [("ink small", f"{sign if n == 0 else ' '} {line}") for n, line in enumerate(wrapped)]
    if len(lines) > _LINES:
        lines = [*lines[: _LINES - 1], ("ink small", "  … and more: the plan has it whole")]
    cls = "box" if state.reachable else "shut"
    rows = [f'<rect class="{cls}" x="{x}" y="{y}" width="{_BOX}" height="{_HIGH}" rx="6"/>']
    if not state.reachable:
        rows.append(f'<rect class="veil" x="{x + 8}" y="{y + 8}" width="{_BOX - 16}" height="{_HIGH - 16}"/>')
    for n, (kind, line) in enumerate(lines):
        rows.append(
            f'<text class="{kind}" x="{x + 14}" y="{y + 26 + 16 * n}" xml:space="preserve">{escape(line)}</text>'
        )
    return "\n".join(rows)


_ENDS = {
    (LifeState.DEVELOPMENT, LifeState.PRODUCTION): ((360, 150), (600, 150), (480, 112)),
    (LifeState.PRODUCTION, LifeState.END_OF_LIFE): ((790, 280), (790, 400), (690, 345)),
    (LifeState.PRODUCTION, LifeState.FIELD_RETURN): ((600, 265), (360, 415), (548, 382)),
    (LifeState.FIELD_RETURN, LifeState.PRODUCTION): ((300, 400), (600, 215), (255, 340)),
    (LifeState.FIELD_RETURN, LifeState.END_OF_LIFE): ((360, 545), (600, 545), (480, 512)),
}


def _arrow(transition: Transition) -> str:
    start, end, middle = _ENDS[transition.origin, transition.target]
    (x0, y0), (x1, y1) = start, end
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    neck = (x1 - 14 * ux, y1 - 14 * uy)
    head = (
        f"{x1:.1f},{y1:.1f} {neck[0] - 6 * uy:.1f},{neck[1] + 6 * ux:.1f} {neck[0] + 6 * uy:.1f},{neck[1] - 6 * ux:.1f}"
    )
    kind = "line" if transition.reversible else "line oneway"
    rows = [
        f'<line class="{kind}" x1="{x0}" y1="{y0}" x2="{neck[0]:.1f}" y2="{neck[1]:.1f}"/>',
        f'<polygon class="head" points="{head}"/>',
    ]
    if not transition.reversible:
        bx, by = x0 + 16 * ux, y0 + 16 * uy
        rows.append(
            f'<line class="line oneway" x1="{bx - 9 * uy:.1f}" y1="{by + 9 * ux:.1f}" '
            f'x2="{bx + 9 * uy:.1f}" y2="{by - 9 * ux:.1f}"/>'
        )
    text = transition.by + ("" if transition.reversible else "; no way back")
    for n, line in enumerate(textwrap.wrap(text, 30)):
        at = f'x="{middle[0]}" y="{middle[1] + 15 * n - 15}"'
        rows.append(f'<text class="ink small" {at} text-anchor="middle">{escape(line)}</text>')
    return "\n".join(rows)
