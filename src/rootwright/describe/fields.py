"""The kinds of fields in chip and product files: how each is read, and what JSON Schema says of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import PurePosixPath
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from rootwright.describe import units
from rootwright.describe.problems import Slip, closest, did_you_mean, listed

NAME_PATTERN = r"^[a-z][a-z0-9-]{0,31}$"
VERSION_PATTERN = r"^(0|[1-9][0-9]{0,8})(\.(0|[1-9][0-9]{0,8})){0,3}$"
BLOCK_PATTERN = r"^[a-z][a-z0-9-]{0,31}(:[a-z][a-z0-9-]{0,31})?$"
DOMAIN_PATTERN = r"^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)+$"
CLASS_PATTERN = r"^[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z_][A-Za-z0-9_]*)*:[A-Za-z_][A-Za-z0-9_]*$"
LONGEST_TEXT = 500


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """How a field is read from its TOML value (raising `Slip`), its JSON Schema, and its kind in the manual's words."""

    read: Callable[[object], Any]
    schema: dict[str, Any]
    words: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return dict(self.schema)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise Slip("text in quotation marks", suggestion=_quoted(value))
    if not value.strip():
        raise Slip("text that is not empty")
    return _remark(value)


def _remark(value: object) -> str:
    if not isinstance(value, str):
        raise Slip("text in quotation marks", suggestion=_quoted(value))
    if len(value) > LONGEST_TEXT:
        raise Slip(f"at most {LONGEST_TEXT} characters", found=f"{len(value)} characters")
    if not all(c.isprintable() for c in value):
        raise Slip("one line of text without control characters")
    return value.strip()


def _quoted(value: object) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f'did you mean "{value}"?'
    return ""


def _matching(pattern: str, expected: str, mend: Callable[[str], str] = str) -> Callable[[object], str]:
    compiled = re.compile(pattern)

    def read(value: object) -> str:
        if not isinstance(value, str):
            raise Slip(expected, suggestion=_quoted(value))
        if not compiled.fullmatch(value):
            mended = mend(value[:LONGEST_TEXT])
            fits = mended != value and compiled.fullmatch(mended)
            raise Slip(expected, suggestion=f'did you mean "{mended}"?' if fits else "")
        return value

    return read


def _as_name(value: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", value.casefold()).strip("-")


def _as_block(value: str) -> str:
    return ":".join(_as_name(part) for part in value.split(":", 1))


def _as_version(value: str) -> str:
    return value.strip().removeprefix("v").removeprefix("V").split("-")[0].split("+")[0]


def _as_domain(value: str) -> str:
    return re.sub(r"^[a-z]+://", "", value.strip().casefold()).split("/")[0]


def _path(value: object) -> PurePosixPath:
    expected = "a path relative to this file's folder, with forward slashes"
    if not isinstance(value, str) or not value.strip():
        raise Slip(expected)
    if len(value) > LONGEST_TEXT or not all(c.isprintable() for c in value):
        raise Slip("a path of printable characters, not longer than 500")
    if "\\" in value:
        mended = value.replace("\\", "/")
        raise Slip(expected, suggestion=f'did you mean "{mended}"?')
    if value.startswith(("/", "~")) or re.match(r"[A-Za-z]:", value):
        raise Slip(expected, suggestion="keep the file below the product's folder and name it from there")
    return PurePosixPath(value)


def _yes_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    said = str(value).strip().casefold()
    meant = {"yes": "true", "on": "true", "1": "true", "true": "true"}
    meant |= {"no": "false", "off": "false", "0": "false", "false": "false"}
    raise Slip(
        "true or false, without quotation marks", suggestion=f"did you mean {meant[said]}?" if said in meant else ""
    )


def _whole(smallest: int, largest: int) -> Callable[[object], int]:
    expected = f"a whole number from {smallest} to {largest}"

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            digits = str(value).replace(" ", "").replace("_", "")
            mended = digits if isinstance(value, str) and digits.isascii() and digits.isdigit() else ""
            raise Slip(expected, suggestion=f"did you mean {mended}, without quotation marks?" if mended else "")
        if not smallest <= value <= largest:
            raise Slip(expected)
        return value

    return read


def choice(kind: type[StrEnum]) -> Reader:
    """Return the reader of a field that takes one value of an enumeration."""
    words = [member.value for member in kind]

    def read(value: object) -> StrEnum:
        if isinstance(value, str) and value in words:
            return kind(value)
        suggestion = did_you_mean(value, words) if isinstance(value, str) else ""
        raise Slip(f"one of {listed(words)}", suggestion=suggestion)

    return Reader(read, {"type": "string", "enum": words}, ", ".join(f'`"{word}"`' for word in words))


def procedure_reader(known: type[StrEnum]) -> Reader:
    """Return the reader of an update procedure: a known one, or "module:Class" of the product's own."""
    words = [member.value for member in known]
    own = re.compile(CLASS_PATTERN)

    def read(value: object) -> str:
        if isinstance(value, str) and (value in words or (len(value) <= LONGEST_TEXT and own.fullmatch(value))):
            return value
        meant = closest(value, words) if isinstance(value, str) else None
        suggestion = f'did you mean "{meant}"?' if meant else ""
        raise Slip(f'one of {listed(words)}, or "module:Class" of your own', suggestion=suggestion)

    schema = {"anyOf": [{"type": "string", "enum": words}, {"type": "string", "pattern": CLASS_PATTERN}]}
    return Reader(read, schema, ", ".join(f'`"{word}"`' for word in words) + ' or `"module:Class"`')


def _erased(value: object) -> int | None:
    expected = '0xFF, 0x00, or "none" where the memory needs no erase'
    if value == "none":
        return None
    if isinstance(value, str) and re.fullmatch(r"0[xX](00|[fF]{2})", value):
        return int(value, 16)
    if isinstance(value, bool) or value not in (0x00, 0xFF) or not isinstance(value, int):
        raise Slip(expected, suggestion="did you mean 0xFF?" if value in (1, "1", "ones") else "")
    return value


def _pattern(pattern: str, example: str) -> dict[str, Any]:
    return {"type": "string", "pattern": pattern, "examples": [example]}


_NAME = "a short name in small letters, digits and hyphens that starts with a letter"
_BLOCK = 'the name of a block such as "boot" or "run:application"'
_VERSION = 'a version of one to four numbers such as "1.5.0"'
_DOMAIN = 'a domain name in small letters such as "maker.example"'
_SIZE_SCHEMA = {
    "oneOf": [
        {"type": "integer", "minimum": 0, "maximum": units.LARGEST_SIZE},
        {"type": "string", "pattern": units.SIZE_PATTERN},
    ],
    "examples": ["64 KiB", 4096, "0x8000"],
}

Text = Annotated[str, Reader(_text, {"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT}, "text")]
Remark = Annotated[str, Reader(_remark, {"type": "string", "maxLength": LONGEST_TEXT}, "text")]
Name = Annotated[
    str, Reader(_matching(NAME_PATTERN, _NAME, _as_name), _pattern(NAME_PATTERN, "application"), "short name")
]
BlockName = Annotated[
    str, Reader(_matching(BLOCK_PATTERN, _BLOCK, _as_block), _pattern(BLOCK_PATTERN, "boot"), "block name")
]
Version = Annotated[
    str,
    Reader(_matching(VERSION_PATTERN, _VERSION, _as_version), _pattern(VERSION_PATTERN, "1.5.0"), 'version: `"1.5.0"`'),
]
Domain = Annotated[
    str, Reader(_matching(DOMAIN_PATTERN, _DOMAIN, _as_domain), _pattern(DOMAIN_PATTERN, "a.example"), "domain name")
]
FilePath = Annotated[
    PurePosixPath, Reader(_path, {"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT}, "relative path")
]
YesNo = Annotated[bool, Reader(_yes_no, {"type": "boolean"}, "`true` or `false`")]
Size = Annotated[int, Reader(units.parse_size, _SIZE_SCHEMA, 'bytes: `"64 KiB"`, `4096`, `0x8000`')]
Time = Annotated[float, Reader(units.parse_time, _pattern(units.TIME_PATTERN, "25 ms"), 'time: `"25 ms"`')]
Frequency = Annotated[
    float, Reader(units.parse_frequency, _pattern(units.FREQUENCY_PATTERN, "80 MHz"), 'frequency: `"80 MHz"`')
]
Rate = Annotated[float, Reader(units.parse_rate, _pattern(units.RATE_PATTERN, "2.5 kB/s"), 'rate: `"2.5 kB/s"`')]
Share = Annotated[float, Reader(units.parse_share, _pattern(units.SHARE_PATTERN, "20 %"), 'share: `"20 %"`')]
Life = Annotated[float, Reader(units.parse_life, _pattern(units.LIFE_PATTERN, "15 years"), 'span: `"15 years"`')]
Erased = Annotated[int | None, Reader(_erased, {"enum": [0, 255, "0xFF", "0x00", "none"]}, '`0xFF`, `0x00`, `"none"`')]


def _hex_bytes(value: object) -> bytes:
    expected = 'bytes in hexadecimal such as "0badcafe"'
    if not isinstance(value, str):
        raise Slip(expected, suggestion=_quoted(value))
    digits = value.replace(" ", "")
    if not digits or len(digits) % 2 or not re.fullmatch(r"[0-9a-fA-F]+", digits):
        raise Slip(expected, suggestion="two digits make a byte; leave out 0x" if digits.startswith("0x") else "")
    return bytes.fromhex(digits)


HexBytes = Annotated[
    bytes, Reader(_hex_bytes, _pattern(r"^( *[0-9a-fA-F] *[0-9a-fA-F] *)+$", "0badcafe"), 'bytes: `"0badcafe"`')
]


def matching_text(pattern: str, expected: str) -> Reader:
    """Return the reader of a field that takes text of one pattern."""
    return Reader(_matching(pattern, expected), {"type": "string", "pattern": pattern}, expected)


def whole(smallest: int, largest: int) -> Reader:
    """Return the reader of a field that takes a whole number within bounds, both included."""
    schema = {"type": "integer", "minimum": smallest, "maximum": largest}
    words = f"whole number from {smallest}" + ("" if largest >= 10**10 else f" to {largest}")
    return Reader(_whole(smallest, largest), schema, words)


def real(smallest: float, largest: float) -> Reader:
    """Return the reader of a field that takes a number within bounds, both included."""

    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not smallest <= value <= largest:
            raise Slip(f"a number from {smallest:g} to {largest:g}")
        return float(value)

    schema = {"type": "number", "minimum": smallest, "maximum": largest}
    return Reader(read, schema, f"number from {smallest:g} to {largest:g}")
