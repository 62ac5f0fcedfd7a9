"""The form of the table [boot.format], how its two programs are named, and what it must satisfy."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import Field

from rootwright.describe.fields import LONGEST_TEXT, Reader, Remark, Text, Time
from rootwright.describe.forms import Form
from rootwright.describe.own_format import OwnFormat
from rootwright.describe.problems import Fault, KeyPath, Slip, did_you_mean, listed, shown

FUNCTION_PATTERN = r"^[A-Za-z_][A-Za-z0-9_]*:[A-Za-z_][A-Za-z0-9_]*$"
PLACEHOLDERS = ("input", "output", "name", "version", "address", "header", "trailer", "key")
"""What a command may be told, each written in braces as a word of its own or part of one."""

MOST_WORDS = 64
LONGEST_LIMIT_S = 600.0
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_KEY_BYTES = re.compile(r"-----BEGIN|(?:^|[^0-9A-Za-z])[0-9a-fA-F]{32,}(?:$|[^0-9A-Za-z])")


def _program(value: object) -> str | tuple[str, ...]:
    expected = '"module:function" of a file beside this one, or a command: an array of words'
    if isinstance(value, str):
        if not re.fullmatch(FUNCTION_PATTERN, value):
            words = ", ".join(f'"{word}"' for word in value.split()[:8])
            raise Slip(expected, suggestion=f"a command is written as words: [{words}]" if " " in value else "")
        return value
    if not isinstance(value, list) or not 0 < len(value) <= MOST_WORDS:
        raise Slip(expected)
    for word in value:
        if not isinstance(word, str) or not 0 < len(word) <= LONGEST_TEXT or not all(c.isprintable() for c in word):
            raise Slip(expected, found=shown(word), suggestion="every word of a command is text in quotation marks")
    return tuple(value)


_SCHEMA: dict[str, Any] = {
    "oneOf": [
        {"type": "string", "pattern": FUNCTION_PATTERN},
        {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1, "maxItems": MOST_WORDS},
    ]
}
Program = Annotated[
    str | tuple[str, ...], Reader(_program, _SCHEMA, '`"module:function"` or a command: `["word", "{input}"]`')
]


class FormatForm(Form):
    """The image format that the boot stage reads. See 'Bring your own boot code'."""

    packer: Program = Field(description="What puts header and trailer around the linked code.")
    reader: Program = Field(description="What takes them apart again, and refuses what the boot stage would refuse.")
    key: Remark = Field(
        default="",
        description="What packer and reader find their key by: a path, a label, an address. Never key bytes.",
    )
    trial_keys: list[Text] = Field(
        default=[],
        description="The same for one or two keys that everyone may know: hostile trials are packed with the first, "
        "and the second stands for a stranger.",
    )
    time_limit: Time = Field(default=20.0, description="How long one run of a command may take.")

    def own_format(self) -> OwnFormat:
        """Return the format."""
        return OwnFormat(self.packer, self.reader, self.key, tuple(self.trial_keys), self.time_limit)


class BootForm(Form):
    """The boot stage as other images meet it."""

    format: FormatForm | None = Field(
        default=None, description="Its image format; without it images travel as they are linked."
    )


def format_checks(boot: BootForm) -> list[Iterator[Fault]]:
    """Return the checks of the table [boot.format]."""
    form = boot.format
    if form is None:
        return []
    path: KeyPath = ("boot", "format")
    return [_places(path, form, "packer"), _places(path, form, "reader"), _keys(path, form), _limit(path, form)]


def _places(path: KeyPath, form: FormatForm, key: str) -> Iterator[Fault]:
    words = getattr(form, key)
    if isinstance(words, str):
        return
    used = {name for word in words for name in _PLACEHOLDER.findall(word)}
    for name in sorted(used - set(PLACEHOLDERS)):
        expected = f"one of {listed([f'{{{known}}}' for known in PLACEHOLDERS])}"
        yield Fault((*path, key), f"{{{shown(name)[1:-1]}}}", expected, did_you_mean(name, PLACEHOLDERS))
    for name in ("input", "output"):
        if name not in used:
            yield Fault((*path, key), f"a command without {{{name}}}", f"the word {{{name}}}, for a file's path")


def _keys(path: KeyPath, form: FormatForm) -> Iterator[Fault]:
    for place, text in (("key", form.key), *(("trial_keys", key) for key in form.trial_keys)):
        if _KEY_BYTES.search(text):
            yield Fault(
                (*path, place),
                "what looks like a key's own bytes",
                "a reference to a key: where it lies or what it is called",
                "a command line is seen by everyone on the machine",
            )
    if len(form.trial_keys) > 2:
        yield Fault((*path, "trial_keys"), f"{len(form.trial_keys)} keys", "one key, and one more for a stranger")
    if len(set(form.trial_keys)) != len(form.trial_keys) or form.key in form.trial_keys:
        yield Fault((*path, "trial_keys"), "the same key twice", "keys that differ from each other and from key")


def _limit(path: KeyPath, form: FormatForm) -> Iterator[Fault]:
    if not 0 < form.time_limit <= LONGEST_LIMIT_S:
        yield Fault((*path, "time_limit"), f"{form.time_limit:g} s", f"more than 0 s, at most {LONGEST_LIMIT_S:g} s")
