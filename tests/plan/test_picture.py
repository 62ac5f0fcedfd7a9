"""The picture of a map: well-formed, complete, to scale, and readable without colour."""

from __future__ import annotations

import random
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations

import pytest
from random_cases import chip_of, flash
from test_search import BANKED, BASE, KIB, block, demand

from rootwright.describe.loading import load_product
from rootwright.describe.overrides import read_override
from rootwright.describe.product import Procedure
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map
from rootwright.pipeline import plan_product
from rootwright.plan.picture import BAR_HEIGHT, BAR_WIDTH, describe_map, draw_map, size_words, used_share
from rootwright.plan.search import find_map

SVG = "{http://www.w3.org/2000/svg}"
WANTED = demand(
    block("boot", 4 * KIB, BlockRole.BOOT, write_protect=True),
    block("run:<a&b>", 20 * KIB, BlockRole.SLOT),
    block("keys", KIB, BlockRole.KEYS, exclusive=False),
)


def drawn(wanted=WANTED, chip=BANKED):
    plan = find_map(wanted, chip)
    assert isinstance(plan, Map)
    return plan, ET.fromstring(draw_map(plan, wanted, chip, title="Gauge"))


def test_the_picture_has_a_title_and_says_all_in_words():
    plan, root = drawn()
    assert "Gauge" in root.find(f"{SVG}title").text
    words = root.find(f"{SVG}desc").text
    assert words == describe_map(plan, WANTED)
    for region in plan.regions:
        assert region.block in words
        assert f"0x{region.address:X}" in words
    assert words.count("write-protected") == 1


def test_every_block_is_labelled_and_its_height_is_to_scale():
    plan, root = drawn()
    labels = "".join(t.text or "" for t in root.iter(f"{SVG}tspan"))
    assert all(region.block in labels for region in plan.regions)
    heights = {
        g.find(f"{SVG}title").text: float(g.find(f"{SVG}rect").get("height"))
        for g in root.iter(f"{SVG}g")
        if g.find(f"{SVG}title") is not None
    }
    bar = BAR_HEIGHT - 40
    run = plan.region("run:<a&b>")
    assert abs(heights[run.block] - bar * run.size / (64 * KIB)) < 0.1


def test_what_is_used_is_hatched_to_its_share():
    wanted = demand(block("half", 2 * KIB, size=4 * KIB))
    _, root = drawn(wanted)
    widths = [float(r.get("width")) for r in root.iter(f"{SVG}rect") if (r.get("fill") or "").startswith("url(#h-keep")]
    assert BAR_WIDTH / 2 in widths


def test_logs_and_lift_sectors_are_hatched_all_over_and_have_no_share():
    plan, root = drawn(demand(block("lift", 1, BlockRole.LIFT), block("journal", 64, BlockRole.JOURNAL)))
    widths = [float(r.get("width")) for r in root.iter(f"{SVG}rect") if (r.get("fill") or "").startswith("url(#h-log")]
    assert widths.count(BAR_WIDTH) >= 2
    assert "%" not in root.find(f"{SVG}desc").text
    assert [used_share(region) for region in plan.regions] == [None, None]


def test_long_names_do_not_run_into_what_is_enlarged():
    name = "run:measurement-and-control-and-display"
    wanted = demand(block("tiny", 64), block(name, 200 * KIB, BlockRole.SLOT), block("end", 8 * KIB))
    _, root = drawn(wanted, chip_of((flash("flash", BASE, [(4096, 256)]),)))
    (enlarged,) = [t for t in root.iter(f"{SVG}text") if "enlarged" in (t.text or "")]
    label = next(t for t in root.iter(f"{SVG}text") if any(s.text == name for s in t.iter(f"{SVG}tspan")))
    # Measured in a browser: a bold letter takes 7.6 pixels on average, one of the detail 6.4; addresses take 82.
    end = float(label.get("x")) + 7.6 * len(name) + 8 + 6.4 * len("200 KiB, 100 % used")
    assert end < float(enlarged.get("x")) - 82
    assert float(root.get("viewBox").split()[2]) >= float(enlarged.get("x")) + 460


def test_text_keeps_a_halo_of_the_papers_colour():
    _, root = drawn()
    style = root.find(f"{SVG}style").text
    light, dark = style.split("@media (prefers-color-scheme:dark)")
    for rules in (light, dark.split("@media print")[0]):
        assert re.search(r"\.paper{fill:(#\w+)}", rules)[1] == re.search(r"\.halo{stroke:(#\w+)}", rules)[1]


def test_dark_and_print_have_rules_of_their_own_and_hatches_tell_kinds_apart():
    _, root = drawn()
    style = root.find(f"{SVG}style").text
    assert "prefers-color-scheme:dark" in style
    assert "@media print" in style
    shapes = [ET.tostring(p[0]) for p in root.iter(f"{SVG}pattern")]
    assert len(shapes) == len(set(shapes)) == 3


def test_each_memory_with_blocks_is_drawn_and_empty_ones_are_not():
    chip = chip_of(
        (
            flash("flash", BASE, [(8, 4 * KIB)]),
            flash("outer", 0x9000_0000, [(8, 4 * KIB)]),
            flash("spare", 0xA000_0000, [(1, 64)]),
        )
    )
    wanted = demand(block("a", 8 * KIB), block("b", 8 * KIB, memories=("outer",)))
    _, root = drawn(wanted, chip)
    text = ET.tostring(root, encoding="unicode")
    assert "outer, 32 KiB" in text
    assert "spare" not in text
    assert not re.search(r"enlarged", text)


def boxes_of(root):
    """Rough boxes of all texts: left, top, right, bottom; letters as wide as a browser draws them, a bit more."""
    found = []
    shifts = {g: float(re.search(r"translate\(0 ([\d.]+)\)", g.get("transform"))[1]) for g in root.findall(f"{SVG}g")}
    for group in [root, *shifts]:
        inside = group.iter(f"{SVG}text") if group in shifts else group.findall(f"{SVG}text")
        for text in inside:
            size = {"ink head": 19, "soft mono": 12}.get(text.get("class"), 13)
            spans = list(text.iter(f"{SVG}tspan"))
            parts = spans or [text]
            widths = [(6.7 if part.get("font-size") == "12" else 0.6 * size) * len(part.text or "") for part in parts]
            width = sum(widths) + 8 * (len(parts) - 1)
            x, y = float(text.get("x")), float(text.get("y")) + shifts.get(group, 0)
            left = x - width if text.get("text-anchor") == "end" else x
            found.append((left, y - 0.75 * size, left + width, y + 0.2 * size, "".join(p.text or "" for p in parts)))
    return found, shifts


def lines_of(root, shifts):
    """The leader lines and bank lines as pieces from point to point."""
    found = []
    for group, shift in shifts.items():
        for path in group.iter(f"{SVG}path"):
            if "dash" not in path.get("class"):
                continue
            x = y = 0.0
            for kind, numbers in re.findall(r"([MHL])([^MHL]+)", path.get("d")):
                values = [float(n) for n in numbers.split()]
                to = (values[0], y) if kind == "H" else (values[0], values[1])
                if kind != "M":
                    found.append((x, y + shift, to[0], to[1] + shift))
                x, y = to
    return found


def crosses(line, box):
    """Whether a line meets a box, by looking at many of its points."""
    x1, y1, x2, y2 = line
    left, top, right, bottom, _ = box
    points = ((x1 + (x2 - x1) * k / 400, y1 + (y2 - y1) * k / 400) for k in range(401))
    return any(left < x < right and top < y < bottom for x, y in points)


def assert_nothing_crosses(root):
    boxes, shifts = boxes_of(root)
    width, height = (float(n) for n in root.get("viewBox").split()[2:])
    for one, two in combinations(boxes, 2):
        apart = one[2] <= two[0] or two[2] <= one[0] or one[3] <= two[1] or two[3] <= one[1]
        assert apart, f"{one[4]!r} and {two[4]!r} overlap"
    for box in boxes:
        assert box[0] >= 0, box[4]
        assert box[2] <= width, box[4]
        assert box[3] <= height, box[4]
    for line in lines_of(root, shifts):
        assert not [box[4] for box in boxes if crosses(line, box)], line


@pytest.mark.slow
@pytest.mark.parametrize("procedure", [p.value for p in Procedure if p is not Procedure.BANK_FLIP])
def test_no_label_or_line_crosses_another_label_on_the_demo(repository, procedure):
    file = repository / "demo" / "river-gauge" / "product.toml"
    product = load_product(file)
    plan = plan_product(product, file.parent, procedure=procedure).plan
    assert_nothing_crosses(ET.fromstring(draw_map(plan.map, plan.demand, product.chip, title="Gauge")))


@pytest.mark.slow
@pytest.mark.parametrize("chip", ["two-banks-settings-area", "external-flash-only", "closed-area-large-sectors"])
def test_no_label_or_line_crosses_another_label_on_other_parts(repository, chip):
    file = repository / "demo" / "river-gauge" / "product.toml"
    sets = ("pin=[]", f"chip={chip}", 'lock.write_protect=["boot", "keys"]')
    product = load_product(file, overrides=[read_override(text) for text in sets])
    drawn_maps = 0
    for plan in plan_product(product, file.parent).plans:
        if plan.map is not None:
            assert_nothing_crosses(ET.fromstring(draw_map(plan.map, plan.demand, product.chip, title="Gauge")))
            drawn_maps += 1
    assert drawn_maps > 2


@pytest.mark.slow
@pytest.mark.parametrize("runs", [[(1000, 2048)], [(200, 1024), (300, 2048), (500, 8192)]])
@pytest.mark.parametrize("banks", [1, 2])
def test_no_label_or_line_crosses_another_label_with_thousand_sectors(runs, banks):
    chip = chip_of((flash("flash", BASE, runs, banks=banks), flash("outer", 0x9000_0000, [(100, 4096)])))
    for seed in range(12):
        rng = random.Random(seed)
        blocks = [
            block(f"keep:area-{i}", rng.choice((64, 3000, 20_000, 200_000)), rng.choice(list(BlockRole)))
            for i in range(14)
        ]
        wanted = demand(*(replace(b, memories=("flash", "outer"), write_protect=False) for b in blocks))
        plan = find_map(wanted, chip, grow=False)
        assert isinstance(plan, Map)
        assert_nothing_crosses(ET.fromstring(draw_map(plan, wanted, chip)))


def test_sizes_for_labels():
    assert [size_words(n) for n in (1, 1023, 1536, 1 << 20)] == ["1 B", "1023 B", "1.5 KiB", "1 MiB"]
