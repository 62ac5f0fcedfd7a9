"""Lines of keys: each leaf of these documents has its own line number as value."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.positions import Positions

DOCUMENT = '''\
# a comment with = and [brackets]
first = 2
"quoted key" = 3
'literal key' = 4
dotted.inner.leaf = 5
text = """
[not.a.table]
x = 1
""" # the key is on line 6
lines = [
  11, # eleven
  12,
  13, [13,
  14],
  { a = 15, b = { c = 15 } },
]
[table]
a = 18
b.c = 19
b.d = 20
[table.sub]
x = "]" # fine
y = 23
'''


def leaves(tree: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], int]]:
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from leaves(value, (*path, key))
    elif isinstance(tree, list):
        for index, value in enumerate(tree):
            yield from leaves(value, (*path, index))
    elif isinstance(tree, int) and not isinstance(tree, bool):
        yield path, tree


def check(text: str) -> None:
    tree = tomllib.loads(text)
    positions = Positions(text)
    for path, line in leaves(tree):
        assert positions.line(path) == line, path
        assert path in positions


def test_every_kind_of_value() -> None:
    check(DOCUMENT)
    positions = Positions(DOCUMENT)
    assert positions.line(("text",)) == 6
    assert positions.line(("lines",)) == 10
    assert positions.line(("lines", 4)) == 15
    assert positions.line(("table",)) == 17
    assert positions.line(("table", "sub", "x")) == 22


def test_windows_line_ends() -> None:
    check("a = 1\r\n[t]\r\nb = 3\r\ntext = '''\r\nx\r\n'''\r\nc = 7\r\n")


def test_strings_that_look_like_structure() -> None:
    check("a = 1\nb = '''\n'''\nc = 4\nd = \"\\\"]\"\ne = 6\nf = '''x''''\ng = 8\nh = \"\"\"\\\"\"\"\"\"\ni = 10\n")


def test_arrays_of_tables_inside_arrays_of_tables() -> None:
    check("[[a]]\nx = 2\n[[a.b]]\ny = 4\n[[a.b]]\ny = 6\n[a.b.c]\nz = 8\n[[a]]\nx = 10\n[[a.b]]\ny = 12\n")


def test_scalars_of_all_types() -> None:
    check("a = 1979-05-27 07:32:00\nb = 2\nc = 07:32:00 # time\nd = 4\ne = [1e5, inf, true]\nf = 6\n")


def test_an_unknown_key_takes_the_line_around_it() -> None:
    positions = Positions("a = 1\n[b]\nc = 3\n")
    assert positions.line(("b", "missing", 7)) == 2
    assert positions.line(("missing",)) == 1
    assert set(positions) == {("a",), ("b",), ("b", "c")}


keys = st.one_of(st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True), st.text('a.= #[]"{},é', min_size=1, max_size=4))


class Writer:
    """Writes a random tree so that each leaf number is the line it stands on."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw, self.text = draw, ""

    @property
    def line(self) -> int:
        return self.text.count("\n") + 1

    def key(self, key: str) -> str:
        bare = key.isascii() and all(c.isalnum() or c in "_-" for c in key)
        escaped = key.replace("\\", "\\\\").replace('"', '\\"')
        return key if bare and self.draw(st.booleans()) else f'"{escaped}"'

    def gap(self, *, breaks: bool) -> None:
        gaps = ["", " ", "\t"]
        self.text += self.draw(st.sampled_from([*gaps, "\n", " # ]}\n", "\n\n  "] if breaks else gaps))

    def value(self, depth: int) -> None:
        kind = self.draw(st.sampled_from(["leaf", "leaf", "text", "array", "inline"])) if depth else "leaf"
        if kind == "leaf":
            self.text += str(self.line)
        elif kind == "text":
            self.text += self.draw(
                st.sampled_from(["'[x]'", '"\\"="', '"""\n]}\\\n"""', "'''\n\n'''''", "true", "1.5"])
            )
        elif kind == "array":
            self.text += "["
            for _ in range(self.draw(st.integers(0, 3))):
                self.gap(breaks=True)
                self.value(depth - 1)
                self.gap(breaks=True)
                self.text += ","
            self.gap(breaks=True)
            self.text += "]"
        else:
            self.text += "{"
            names = self.draw(st.lists(keys, max_size=2, unique=True))
            for index, name in enumerate(names):
                self.text += ", " if index else " "
                self.text += f"{self.key(name)} = "
                self.value(0)
            self.text += "}"

    def pairs(self) -> None:
        for name in self.draw(st.lists(keys, max_size=4, unique=True)):
            self.text += f"{self.key(name)} ="
            self.gap(breaks=False)
            self.value(2)
            self.text += self.draw(st.sampled_from(["\n", " # x = 1\n", "\n\n"]))


@st.composite
def documents(draw: st.DrawFn) -> str:
    writer = Writer(draw)
    writer.pairs()
    for name in draw(st.lists(st.from_regex(r"T[a-z]{1,5}", fullmatch=True), max_size=3, unique=True)):
        if draw(st.booleans()):
            writer.text += f"[ {name} . inner ]\n"
            writer.pairs()
        else:
            for _ in range(draw(st.integers(1, 3))):
                writer.text += f"[[{name}]]\n"
                writer.pairs()
                if draw(st.booleans()):
                    writer.text += f"[{name}.Under]\n"
                    writer.pairs()
    return writer.text


@pytest.mark.slow
@given(documents())
def test_random_documents(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # a random key that clashes with a table
        return
    check(text)
