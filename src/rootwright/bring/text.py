"""How words from other files stand in a TOML file that is written here: quoted, in a comment, as a TODO line."""

from __future__ import annotations

from rootwright.describe.open_points import MARK


def quoted(text: str) -> str:
    """Return text as a TOML string on one line.

    >>> quoted('a "b"')
    '"a \\\\"b\\\\""'
    """
    plain = "".join(c if c.isprintable() else " " for c in text)
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def commented(text: str) -> str:
    """Return text that can stand in a comment on one line."""
    return "".join(c if c.isprintable() else " " for c in text)


def todo(text: str) -> str:
    """Return the comment line that `rootwright check` lists."""
    return f"{MARK} {commented(text)}"
