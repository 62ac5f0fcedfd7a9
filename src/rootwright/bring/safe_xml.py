"""XML from outside into a small tree: no document type, no entities, bounded depth and size.

Source: Extensible Markup Language (XML) 1.0. Entities of one's own, external or nested, are what makes XML from
outside dangerous (a few lines that grow to gigabytes, files of the machine read into the document). The formats read
here have no use for a document type, so any is refused before it takes effect.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from rootwright.errors import DescriptionError

LARGEST = 64 << 20
MOST_ELEMENTS = 2_000_000
DEEPEST = 64


@dataclass(slots=True)
class Element:
    """One element: name without prefix, attributes, children, own text, line counted from 1."""

    tag: str
    attributes: dict[str, str]
    line: int
    children: list[Element] = field(default_factory=list, repr=False)
    texts: list[str] = field(default_factory=list, repr=False)

    @property
    def text(self) -> str:
        """The element's own text without blanks around it."""
        return "".join(self.texts).strip()

    def find(self, tag: str) -> Element | None:
        """Return the first child of a name, or None."""
        return next((child for child in self.children if child.tag == tag), None)

    def find_all(self, tag: str) -> Iterator[Element]:
        """Yield the children of a name."""
        return (child for child in self.children if child.tag == tag)

    def text_of(self, tag: str) -> str:
        """Return the text of the first child of a name; empty where there is none."""
        found = self.find(tag)
        return found.text if found is not None else ""


def parse_xml(data: bytes, *, name: str) -> Element:
    """Return the root element of an XML document.

    Example:
        >>> parse_xml(b"<a><b c='1'>x</b></a>", name="a.xml").find("b").text
        'x'

    Raises:
        DescriptionError: Not well formed, with its line; a document type; nested or grown beyond any real file.
    """
    if len(data) > LARGEST:
        raise DescriptionError(
            f"{len(data)} bytes, at most {LARGEST} expected", where=name, next_step="name the description of one part"
        )
    return _Reader(name).read(data)


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = name
        self.root: Element | None = None
        self.open: list[Element] = []
        self.count = 0
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.refuse
        self.parser.EntityDeclHandler = self.refuse
        self.parser.ExternalEntityRefHandler = self.refuse

    def fail(self, found: str, next_step: str) -> NoReturn:
        raise DescriptionError(found, where=f"{self.name}:{self.parser.CurrentLineNumber}", next_step=next_step)

    def read(self, data: bytes) -> Element:
        try:
            self.parser.Parse(data, True)
        except expat.ExpatError as error:
            raise DescriptionError(
                f"no well-formed XML ({expat.ErrorString(error.code)})",
                where=f"{self.name}:{error.lineno}",
                next_step="the file is damaged or is no XML; get it again",
            ) from None
        except (LookupError, ValueError):
            raise DescriptionError(
                "an encoding that is not known", where=self.name, next_step="save the file as UTF-8"
            ) from None
        assert self.root is not None
        return self.root

    def refuse(self, *_: object) -> NoReturn:
        self.fail(
            "a document type or an entity of its own, which a part's description has no use for",
            "take the <!DOCTYPE ...> out, or do not trust this file",
        )

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self.count += 1
        if self.count > MOST_ELEMENTS or len(self.open) >= DEEPEST:
            self.fail(
                f"more than {MOST_ELEMENTS} elements, or more than {DEEPEST} within each other",
                "name the description of one part",
            )
        element = Element(tag.rpartition(":")[2], attributes, self.parser.CurrentLineNumber)
        if self.open:
            self.open[-1].children.append(element)
        else:
            self.root = element
        self.open.append(element)

    def end(self, tag: str) -> None:
        self.open.pop()

    def characters(self, text: str) -> None:
        self.open[-1].texts.append(text)


def read_number(text: str, *, where: str, what: str) -> int:
    """Return a whole number not below 0 as the formats here write it: decimal, 0x..., or binary with # or 0b.

    Example:
        >>> read_number("0x20", where="a", what="b"), read_number("#101", where="a", what="b")
        (32, 5)

    Raises:
        DescriptionError: It is none, or does not fit 64 bits.
    """
    bare = text.strip().lower().lstrip("+")
    base = 10
    for prefix, number in (("0x", 16), ("0b", 2), ("#", 2)):
        if bare.startswith(prefix):
            bare, base = bare[len(prefix) :], number
            break
    try:
        if not bare.isascii() or not bare.isalnum() or len(bare) > 64:
            raise ValueError
        value = int(bare, base)
    except ValueError:
        value = -1
    if not 0 <= value < 1 << 64:
        shown = "".join(c if c.isprintable() else "?" for c in text[:40])
        raise DescriptionError(
            f"{what} is {shown!r}, a whole number such as 0x1000 or 4096 expected",
            where=where,
            next_step="mend the file, or leave it out and fill the value in by hand",
        ) from None
    return value
