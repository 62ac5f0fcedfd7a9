"""Devicetree sources into a tree of nodes: labels, overlays, deletions, cells with arithmetic.

Source: Devicetree Specification, release 0.4, chapter 6 "Devicetree Source (DTS) Format". `/include/` and lines of the
C preprocessor other than line markers are not followed: run the preprocessor first. `#include` lines are passed over,
and said to be.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn

from rootwright.errors import DescriptionError

LARGEST = 8 << 20
DEEPEST = 32
MOST_TOKENS = 1_000_000

_TOKEN = re.compile(
    r"""
    (?P<blank>[ \t\r\n\f]+ | //[^\n]* | /\*.*?\*/)
  | (?P<marker>\#(?:line)?[ \t]+\d+[^\n]*)
  | (?P<include>\#[ \t]*include[^\n]*)
  | (?P<directive>/[a-z][a-z0-9-]*/)
  | (?P<string>"(?:\\.|[^"\\\n])*")
  | (?P<reference>&(?:\{[^}\n]*\}|[A-Za-z_][A-Za-z0-9_]*))
  | (?P<char>'(?:\\[^\n]|[^'\\\n])')
  | (?P<operator><<|>>|<=|>=|==|!=|&&|\|\|)
  | (?P<name>[A-Za-z0-9_\#][A-Za-z0-9,._+?\#-]*(?:@[A-Za-z0-9,._+-]+)?)
  | (?P<sign>[{}<>\[\]();=:,/&|^~!?*%+-])
    """,
    re.VERBOSE | re.DOTALL,
)
_LABEL = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_INTEGER = re.compile(r"(0[xX][0-9a-fA-F]{1,16}|[0-9]{1,20})[uUlL]{0,3}")


@dataclass(slots=True)
class Property:
    """One property: cells, text and bytes in order; an empty list for a property that only stands there.

    Attributes:
        values: Whole numbers (cells), text, bytes, and references as `Reference`.
    """

    name: str
    line: int
    values: list[int | str | bytes | Reference] = field(default_factory=list)

    @property
    def cells(self) -> list[int]:
        """The whole numbers among the values."""
        return [value for value in self.values if isinstance(value, int)]

    @property
    def texts(self) -> list[str]:
        """The strings among the values."""
        return [value for value in self.values if isinstance(value, str)]


@dataclass(frozen=True, slots=True)
class Reference:
    """A label or path that a property points to."""

    target: str


@dataclass(slots=True)
class Node:
    """One node: name with its unit address, line, labels, properties and children by name."""

    name: str
    line: int
    parent: Node | None = field(default=None, repr=False)
    depth: int = 0
    labels: list[str] = field(default_factory=list)
    properties: dict[str, Property] = field(default_factory=dict)
    children: dict[str, Node] = field(default_factory=dict, repr=False)

    @property
    def path(self) -> str:
        """The full path."""
        return "/" if self.parent is None else f"{self.parent.path.rstrip('/')}/{self.name}"

    def cells(self, name: str) -> list[int]:
        """Return the cells of a property; empty where it is not there."""
        found = self.properties.get(name)
        return found.cells if found else []

    def texts(self, name: str) -> list[str]:
        """Return the strings of a property; empty where it is not there."""
        found = self.properties.get(name)
        return found.texts if found else []

    def walk(self) -> Iterator[Node]:
        """Yield the node and all nodes below it."""
        yield self
        for child in self.children.values():
            yield from child.walk()


@dataclass(frozen=True, slots=True)
class Tree:
    """A devicetree, and the lines that were passed over."""

    root: Node
    skipped: tuple[tuple[int, str], ...]


def parse_devicetree(data: bytes, *, name: str) -> Tree:
    """Return the tree of a devicetree source.

    Example:
        >>> parse_devicetree(b"/dts-v1/; / { a = <(4 * 2) 0x10>; };", name="a.dts").root.cells("a")
        [8, 16]

    Raises:
        DescriptionError: With the line of what cannot be read.
    """
    if len(data) > LARGEST:
        raise DescriptionError(
            f"{len(data)} bytes, at most {LARGEST} expected", where=name, next_step="cut the file down to your part"
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise DescriptionError("a byte that is no text", where=f"{name}:{line}", next_step="save it as UTF-8") from None
    return _Parser(text, name).read()


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    line: int


class _Parser:
    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self.skipped: list[tuple[int, str]] = []
        self.tokens = self.split(text)
        self.at = 0
        self.root = Node("", 1)
        self.labels: dict[str, Node] = {}

    # Tokens

    def split(self, text: str) -> list[_Token]:
        tokens: list[_Token] = []
        at, line, brackets = 0, 1, 0
        while at < len(text):
            # Within round brackets a minus is an operator; elsewhere it may stand in a name.
            match = (_INTEGER.match(text, at) if brackets else None) or _TOKEN.match(text, at)
            if match is None:
                shown = text[at : at + 20].split("\n")[0]
                self.fail(line, f"{shown!r}, which no devicetree source has", "run the C preprocessor over it first")
            kind, found = "name" if match.re is _INTEGER else str(match.lastgroup), match.group()
            brackets = max(0, brackets + (found == "(") - (found == ")"))
            if kind == "include":
                self.skipped.append((line, " ".join(found.split())))
            elif kind not in ("blank", "marker"):
                tokens.append(_Token(kind, found, line))
                if len(tokens) > MOST_TOKENS:
                    self.fail(line, f"more than {MOST_TOKENS} words", "cut the file down to your part")
            line += found.count("\n")
            at = match.end()
        tokens.append(_Token("end", "", line))
        return tokens

    def fail(self, line: int, found: str, next_step: str = "mend the file") -> NoReturn:
        shown = "".join(c if c.isprintable() else "?" for c in found)
        raise DescriptionError(shown, where=f"{self.name}:{line}", next_step=next_step)

    @property
    def here(self) -> _Token:
        return self.tokens[min(self.at, len(self.tokens) - 1)]

    def take(self, text: str) -> bool:
        if self.here.text == text and self.here.kind in ("sign", "directive", "operator"):
            self.at += 1
            return True
        return False

    def need(self, text: str) -> None:
        if not self.take(text):
            found = f"{self.here.text[:40]!r}" if self.here.text else "the end of the file"
            self.fail(self.here.line, f"{found}, {text!r} expected")

    # Structure

    def read(self) -> Tree:
        while self.here.kind != "end":
            self.top()
        return Tree(self.root, tuple(self.skipped))

    def top(self) -> None:
        token = self.here
        if token.kind == "directive":
            self.at += 1
            if token.text == "/delete-node/":
                self.remove_referenced()
            elif token.text == "/memreserve/":
                while not self.take(";") and self.here.kind != "end":
                    self.at += 1
                return
            elif token.text == "/include/":
                self.fail(token.line, "/include/, which is not followed", "put the included file in its place")
            elif token.text not in ("/dts-v1/", "/plugin/"):
                self.fail(token.line, f"the directive {token.text}, which is not known")
            self.need(";")
            return
        labels = self.read_labels()
        if self.take("/"):
            node = self.root
        elif self.here.kind == "reference":
            node = self.referenced(self.here)
            self.at += 1
        else:
            self.fail(self.here.line, f"{self.here.text[:40]!r}, a node '/ {{' or '&label {{' expected")
        self.note(node, labels)
        self.body(node)

    def read_labels(self) -> list[str]:
        labels = []
        while self.here.kind == "name" and self.tokens[self.at + 1].text == ":" and _LABEL.fullmatch(self.here.text):
            labels.append(self.here.text)
            self.at += 2
        return labels

    def note(self, node: Node, labels: list[str]) -> None:
        for label in labels:
            node.labels.append(label)
            self.labels[label] = node

    def referenced(self, token: _Token) -> Node:
        target = token.text[1:]
        if target.startswith("{"):
            node: Node | None = self.root
            for part in target[1:-1].strip("/").split("/"):
                node = node.children.get(part) if node is not None and part else node
        else:
            node = self.labels.get(target)
        if node is None:
            self.fail(
                token.line,
                f"{token.text[:60]}, which no node above is called",
                "give the part's own devicetree source, preprocessed, as one file",
            )
        return node

    def remove_referenced(self) -> None:
        if self.here.kind != "reference":
            self.fail(self.here.line, "/delete-node/ without a label")
        node = self.referenced(self.here)
        self.at += 1
        if node.parent is not None:
            node.parent.children.pop(node.name, None)

    def body(self, node: Node) -> None:
        if node.depth > DEEPEST:
            self.fail(self.here.line, f"more than {DEEPEST} nodes within each other")
        self.need("{")
        while not self.take("}"):
            if self.here.kind == "end":
                self.fail(self.here.line, f"the end of the file inside node {node.path}", "a closing brace is missing")
            self.member(node)
        self.need(";")

    def member(self, node: Node) -> None:
        token = self.here
        if token.kind == "directive":
            self.at += 1
            if token.text in ("/delete-property/", "/delete-node/"):
                gone = node.properties if token.text == "/delete-property/" else node.children
                gone.pop(self.here.text, None)
                self.at += 1
                self.need(";")
            elif token.text == "/omit-if-no-ref/":
                return
            else:
                self.fail(token.line, f"the directive {token.text} inside a node")
            return
        labels = self.read_labels()
        token = self.here
        if token.kind != "name":
            self.fail(
                token.line,
                f"{token.text[:40]!r}, a property or a node expected",
                "lines of the C preprocessor must be resolved first",
            )
        self.at += 1
        if self.here.text == "{":
            child = node.children.get(token.text)
            if child is None:
                child = node.children[token.text] = Node(token.text, token.line, node, node.depth + 1)
            self.note(child, labels)
            self.body(child)
            return
        made = Property(token.text, token.line)
        if self.take("="):
            self.values(made)
        self.need(";")
        node.properties[token.text] = made

    # Values

    def values(self, made: Property) -> None:
        while True:
            self.read_labels()
            token = self.here
            if token.kind == "string":
                made.values.append(_unquoted(token.text))
                self.at += 1
            elif token.kind == "reference":
                made.values.append(Reference(token.text[1:]))
                self.at += 1
            elif token.text == "/bits/":
                self.at += 2  # the width as well; every element becomes one number
                self.need("<")
                self.array(made)
            elif self.take("<"):
                self.array(made)
            elif self.take("["):
                made.values.append(self.byte_string())
            else:
                self.fail(token.line, f"{token.text[:40]!r}, a value expected", "run the C preprocessor over it first")
            self.read_labels()
            if not self.take(","):
                return

    def array(self, made: Property) -> None:
        while not self.take(">"):
            self.read_labels()
            token = self.here
            if token.kind == "reference":
                made.values.append(Reference(token.text[1:]))
                self.at += 1
            elif self.take("("):
                made.values.append(self.expression(0) & 0xFFFF_FFFF_FFFF_FFFF)
                self.need(")")
            else:
                made.values.append(self.integer())

    def byte_string(self) -> bytes:
        digits = ""
        line = self.here.line
        while not self.take("]"):
            if self.here.kind == "end":
                self.fail(line, "a byte string without its end")
            digits += self.here.text
            self.at += 1
        try:
            return bytes.fromhex(digits)
        except ValueError:
            self.fail(line, "a byte string that is not hexadecimal")

    def integer(self) -> int:
        token = self.here
        match = _INTEGER.fullmatch(token.text)
        if match and token.kind == "name":
            self.at += 1
            digits = match[1]
            base = 16 if digits[:2].lower() == "0x" else 8 if _is_octal(digits) else 10
            return int(digits, base)
        if token.kind != "char":
            self.fail(
                token.line,
                f"{token.text[:40]!r}, a number expected",
                "names of constants are resolved by the C preprocessor: run it first",
            )
        self.at += 1
        return ord(token.text[-2])

    def expression(self, depth: int) -> int:
        """Return the value of an expression in brackets: the operators of C that make sense for sizes."""
        return self.binary(0, depth)

    def binary(self, level: int, depth: int) -> int:
        if level == len(_LEVELS):
            return self.unary(depth)
        value = self.binary(level + 1, depth)
        while self.here.text in _LEVELS[level] and self.here.kind in ("sign", "operator"):
            token = self.here
            self.at += 1
            other = self.binary(level + 1, depth)
            value = self.apply(token, value, other)
        return value

    def apply(self, token: _Token, value: int, other: int) -> int:
        sign = token.text
        if sign in "/%" and other == 0:
            self.fail(token.line, "a division by zero")
        if sign in ("<<", ">>") and not 0 <= other < 64:
            self.fail(token.line, f"a shift by {other}")
        result = {
            "|": lambda: value | other,
            "^": lambda: value ^ other,
            "&": lambda: value & other,
            "<<": lambda: value << other,
            ">>": lambda: value >> other,
            "+": lambda: value + other,
            "-": lambda: value - other,
            "*": lambda: value * other,
            "/": lambda: value // other,
            "%": lambda: value % other,
        }[sign]()
        return result & 0xFFFF_FFFF_FFFF_FFFF

    def unary(self, depth: int) -> int:
        if depth > DEEPEST:
            self.fail(self.here.line, "an expression with too many brackets")
        if self.take("-"):
            return -self.unary(depth + 1) & 0xFFFF_FFFF_FFFF_FFFF
        if self.take("~"):
            return ~self.unary(depth + 1) & 0xFFFF_FFFF_FFFF_FFFF
        if self.take("("):
            value = self.binary(0, depth + 1)
            self.need(")")
            return value
        return self.integer()


_LEVELS = (("|",), ("^",), ("&",), ("<<", ">>"), ("+", "-"), ("*", "/", "%"))


def _is_octal(digits: str) -> bool:
    return len(digits) > 1 and digits[0] == "0" and all(c in "01234567" for c in digits)


def _unquoted(text: str) -> str:
    body = re.sub(r"\\(.)", r"\1", text[1:-1])
    return "".join(c if c.isprintable() else "?" for c in body)[:500]
