"""The page loads and runs nothing, its links resolve, hostile text stays text, the same evidence is the same page."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from rootwright.dossier.evidence import Evidence, NotDone, TestedFile
from rootwright.dossier.page import make_page

VOID = {"meta", "br", "col", "wbr", "path", "rect", "circle", "line"}


class Reader(HTMLParser):
    """Reads a page strictly: every element that is opened is closed, in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.said.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.said))


@pytest.fixture(params=["small", "failing"])
def evidence(request: pytest.FixtureRequest) -> Evidence:
    found = request.getfixturevalue(request.param)
    assert isinstance(found, Evidence)
    return found


@pytest.mark.slow
def test_the_same_evidence_gives_the_same_page(evidence: Evidence) -> None:
    assert make_page(evidence) == make_page(evidence)


def test_nothing_is_loaded_and_nothing_runs(evidence: Evidence) -> None:
    page = make_page(evidence)
    for tag, attributes in Reader(page).tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "img", "base", "form", "foreignobject"}
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            assert name not in {"src", "srcset", "data", "action", "xlink:href"}, (tag, name)
            if name == "href":
                assert str(value).startswith("#")
            if value and name != "xmlns":
                assert not re.search(r"https?:|javascript:|data:", value) or tag in {"title", "desc"}
    for style in re.findall(r"<style>(.*?)</style>", page, flags=re.DOTALL):
        assert "@import" not in style
        assert "url(" not in style
        assert "@font-face" not in style
    assert set(re.findall(r"url\(([^)]*)\)", page)) == {u for u in re.findall(r"url\((#[\w-]+)\)", page)}


def test_every_link_and_reference_resolves_and_every_id_is_unique(evidence: Evidence) -> None:
    page = make_page(evidence)
    tags = Reader(page).tags
    ids = Counter(str(attributes["id"]) for _, attributes in tags if "id" in attributes)
    assert [name for name, count in ids.items() if count > 1] == []
    wanted = {str(attributes["href"]).removeprefix("#") for _, attributes in tags if "href" in attributes}
    wanted |= {name for _, a in tags for name in str(a.get("aria-labelledby") or "").split()}
    wanted |= set(re.findall(r"url\(#([\w-]+)\)", page))
    assert sorted(wanted - set(ids)) == []


def test_pictures_are_well_formed_and_say_in_words_what_they_show(failing: Evidence) -> None:
    pictures = re.findall(r"<svg .*?</svg>", make_page(failing), flags=re.DOTALL)
    assert len(pictures) == 2
    for picture in pictures:
        root = ElementTree.fromstring(picture)
        words = {child.tag.rpartition("}")[2]: child.text or "" for child in root}
        assert words["title"]
        assert len(words["desc"]) > 100


def test_page_one_says_what_was_tested(evidence: Evidence) -> None:
    text = Reader(make_page(evidence)).text
    first = text.partition("Contents")[0]
    for wanted in ("Sluice gate drive SG-1", "hardware revision A", "rv32-pmp", "Rootwright 1.2.3", evidence.command):
        assert wanted in first
    for file in evidence.files:
        assert file.name in first
        assert file.sha256 in first
    assert first.index("FALLS SHORT") < first.index("Open findings") < first.index("Files tested")
    assert first.index("FINDING 1") < first.index("Files tested")


def test_a_failure_looks_like_one_without_colour(failing: Evidence) -> None:
    page = make_page(failing)
    text = Reader(page).text
    assert "✗ FAILS" in text
    assert "✗ FAILURE" in text
    assert "POWER CUT" in text
    assert "Broken claim: an uncut boot reaches an authentic image" in text
    # The picture says it as well, on a label.
    assert re.search(r'<text class="tl-on"[^>]*>\d+ POWER CUT</text>', page)
    assert re.search(r'<text class="tl-on"[^>]*>\d+ FAILURE</text>', page)
    style = page.partition("<style>")[2].partition("</style>")[0]
    assert re.search(r"\.d-mark\.d-fails \{[^}]*border: 2px solid[^}]*font-weight: 700", style)


def test_story_and_picture_number_the_same_events(failing: Evidence) -> None:
    page = make_page(failing)
    story = page.partition('<ol class="d-story">')[2].partition("</ol>")[0]
    kinds = re.findall(r'<li class="d-(step|cut|move|end)">', story)
    assert kinds[-1] == "end"
    cut = kinds.index("cut") + 1
    assert f">{cut} POWER CUT</text>" in page
    assert f">{len(kinds)} FAILURE</text>" in page


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{ 7*7 }}\u202e\u0007&amp;"


def test_hostile_text_stays_text(failing: Evidence) -> None:
    product = replace(
        failing.product,
        name=HOSTILE,
        model=HOSTILE,
        maker=HOSTILE,
        revision=HOSTILE,
        chip=replace(failing.product.chip, name=HOSTILE, title=HOSTILE, silicon=HOSTILE),
    )
    proof = replace(failing.proofs[0], procedure=HOSTILE, not_claimed=(HOSTILE,))
    plan = replace(failing.plan, chosen=HOSTILE)
    plan = replace(
        plan,
        plans=tuple(
            replace(p, demand=replace(p.demand, traits=replace(p.demand.traits, name=HOSTILE, title=HOSTILE)))
            if p is failing.plan.plan
            else p
            for p in plan.plans
        ),
    )
    evidence = replace(
        failing,
        product=product,
        plan=plan,
        proofs=(proof,),
        command=HOSTILE,
        files=(TestedFile(HOSTILE, HOSTILE, 1, "0" * 64),),
        release=NotDone(HOSTILE, HOSTILE, HOSTILE),
        trials=NotDone(HOSTILE, HOSTILE, HOSTILE),
    )
    page = make_page(evidence)
    reader = Reader(page)
    assert not {tag for tag, _ in reader.tags} & {"script", "img"}
    assert not [name for _, attributes in reader.tags for name in attributes if name.startswith("on")]
    assert reader.text.count("<script>alert(1)</script>") > 10
    assert "{{ 7*7 }}" in reader.text
    assert "\u202e" not in page
    assert "\u0007" not in page
    for picture in re.findall(r"<svg .*?</svg>", page, flags=re.DOTALL):
        ElementTree.fromstring(picture)


@pytest.mark.slow
def test_the_words_secure_and_met_are_not_used_for_verdicts(evidence: Evidence) -> None:
    page = make_page(evidence)
    text = Reader(page).text
    assert not re.search(r"\bis secure\b|\bproven secure\b|✓ met\b", text)
    marks = re.findall(
        r'<span class="d-mark d-(\w+)"><span aria-hidden="true">(.) </span>([^<]*)</span>', make_page(evidence)
    )
    assert marks
    for kind, sign, word in marks:
        assert (kind == "holds") == (sign == "✓") == (word in {"holds", "passed", "caught"})
