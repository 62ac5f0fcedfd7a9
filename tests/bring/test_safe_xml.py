"""XML from outside: well formed or refused with its line, and never anything that grows or reads other files."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from rootwright.bring.safe_xml import Element, parse_xml, read_number
from rootwright.errors import DescriptionError

LAUGHS = b"""<?xml version="1.0"?>
<!DOCTYPE a [<!ENTITY x "ha"><!ENTITY y "&x;&x;&x;&x;&x;&x;&x;&x;"><!ENTITY z "&y;&y;&y;&y;&y;&y;&y;&y;">]>
<a>&z;</a>"""
OUTSIDE = b"""<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]><a>&x;</a>"""
ELSEWHERE = b"""<?xml version="1.0"?><!DOCTYPE a SYSTEM "http://machine.example/a.dtd"><a/>"""


@pytest.mark.parametrize("data", [LAUGHS, OUTSIDE, ELSEWHERE, b"<!DOCTYPE a><a/>"])
def test_document_types_are_refused_before_they_take_effect(data: bytes) -> None:
    with pytest.raises(DescriptionError, match="document type"):
        parse_xml(data, name="a.xml")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<a>",
        b"<a></b>",
        b"<a/><b/>",
        b"<a>&x;</a>",
        b"<a b=1/>",
        b"\xff\xfe",
        b"<a>\x00</a>",
        b"<?xml encoding='x'?><a/>",
    ],
)
def test_damaged_documents_are_refused(data: bytes) -> None:
    with pytest.raises(DescriptionError) as error:
        parse_xml(data, name="a.xml")
    assert error.value.where.startswith("a.xml")
    assert error.value.next_step


def test_unknown_encoding_is_our_error() -> None:
    with pytest.raises(DescriptionError):
        parse_xml(b'<?xml version="1.0" encoding="klingon-8"?><a/>', name="a.xml")


def test_depth_is_bounded() -> None:
    with pytest.raises(DescriptionError, match="within each other"):
        parse_xml(b"<a>" * 100 + b"</a>" * 100, name="a.xml")


def same(ours: Element, theirs: ET.Element) -> bool:
    text = "".join([theirs.text or "", *(child.tail or "" for child in theirs)])
    return (
        (ours.tag, ours.attributes, ours.text) == (theirs.tag.rpartition("}")[2], dict(theirs.attrib), text.strip())
        and len(ours.children) == len(theirs)
        and all(same(a, b) for a, b in zip(ours.children, theirs, strict=True))
    )


def test_tree_is_the_one_that_another_parser_sees() -> None:
    data = b"<a x='1'>one<b>&#228;&lt;</b>two<!-- no --><c y='&quot;'><![CDATA[<raw>]]></c>\n</a>"
    assert same(parse_xml(data, name="a"), ET.fromstring(data))


def test_numbers() -> None:
    where = {"where": "a", "what": "b"}
    cases = {"0x1F": 31, "0X10": 16, "12": 12, "+3": 3, "#11": 3, "0b11": 3}
    assert {text: read_number(text, **where) for text in cases} == cases
    for text in ("", "-1", "0x", "1.5", "1e3", "٣", "9" * 80, "0x1_0", "1 2"):
        with pytest.raises(DescriptionError, match="whole number"):
            read_number(text, **where)
