"""The picture of a failure: well formed, numbered like the story, and not dependent on colour."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from rootwright.device.ground import tiny_ground
from rootwright.prove.broken import BROKEN
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level
from rootwright.prove.story import Happening
from rootwright.prove.timeline import COLUMNS, draw_timeline, shorten

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def verdict() -> Verdict:
    """A procedure that dies at one power cut."""
    broken = next(b for b in BROKEN if b.name == "request-closed-first")
    found, _ = check_level(broken.make, tiny_ground(2, 1), Level(cells=1))
    return found


def texts(picture: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(picture).iter(f"{SVG}text")]


def test_it_says_in_words_what_it_shows(verdict: Verdict) -> None:
    root = ElementTree.fromstring(draw_timeline("a <procedure>", verdict))
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert title.text == f"How a <procedure> fails: {verdict.what}"
    for happening in verdict.story:
        assert happening.text in str(description.text)


def test_cut_and_failure_carry_their_word_and_number(verdict: Verdict) -> None:
    drawn = shorten(verdict.story)
    numbers = {event.kind: place for place, (event, _) in enumerate(drawn, 1)}
    shown = texts(draw_timeline("p", verdict))
    assert f"{numbers['cut']} POWER CUT" in shown
    assert f"{len(drawn)} FAILURE" in shown


def test_several_pictures_fit_on_one_page(verdict: Verdict) -> None:
    pages = [draw_timeline("p", verdict, key=key) for key in ("a", "b")]
    names = [set(re.findall(r'\bid="([^"]+)"', page)) for page in pages]
    assert names[0]
    assert not names[0] & names[1]
    for page, own in zip(pages, names, strict=True):
        assert set(re.findall(r"url\(#([^)]+)\)", page)) <= own


def test_every_content_has_a_hatching_or_a_fill_of_its_own_and_its_name(verdict: Verdict) -> None:
    shown = texts(draw_timeline("p", verdict))
    for event, _ in shorten(verdict.story):
        for _, sectors in event.scene.areas:
            assert any(word.startswith(sectors[0]) for word in shown)


def test_what_never_changes_is_named_and_not_drawn(verdict: Verdict) -> None:
    still = replace(verdict, story=tuple(with_area(happening, "still", ("kept data",)) for happening in verdict.story))
    shown = texts(draw_timeline("p", still))
    assert "still" not in shown
    assert any(word.startswith("Unchanged throughout:") and "still (kept data)" in word for word in shown)


def test_a_long_story_keeps_its_numbers_where_its_start_is_left_out(verdict: Verdict) -> None:
    ways = ("offer", "restart")
    extra = tuple(replace(verdict.story[0], kind="move", text=f"{ways[n % 2]} {n}") for n in range(30))
    long = replace(verdict, story=(*extra, *verdict.story))
    whole = shorten(long.story, most=len(long.story))
    shown = texts(draw_timeline("p", long))
    assert f"{len(whole)} FAILURE" in shown
    skipped = len(whole) - len(shorten(long.story))
    assert skipped > 0
    assert any(f"Events 1 to {skipped} are not drawn." in word for word in shown)
    assert str(skipped) not in shown
    assert str(skipped + 1) in shown
    assert len(shorten(long.story)) > COLUMNS


def with_area(happening: Happening, name: str, sectors: tuple[str, ...]) -> Happening:
    scene = replace(happening.scene, areas=(*happening.scene.areas, (name, sectors)))
    return replace(happening, scene=scene)
