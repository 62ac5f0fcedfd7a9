"""What was read from a unit: words by address, who read them, in which state, of which unit. JSON, HEX or raw."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rootwright.describe.lock_field import LifeState, Observer
from rootwright.errors import FormatError
from rootwright.image.reading import read_image

_UNIT = re.compile(r"[ -~]{1,64}")
_NAME = re.compile(r"(?s).{1,2048}")  # what product and chip file say of themselves, as they say it


@dataclass(frozen=True, slots=True)
class Reading:
    """Who read which unit in which state, and of which product on which part; empty or None where nothing says."""

    unit: str = ""
    silicon: str = ""
    state: LifeState | None = None
    observer: Observer | None = None
    product: str = ""
    chip: str = ""


@dataclass(frozen=True, slots=True)
class Dump:
    """The bytes that were read, by address, and what is known of the reading."""

    name: str
    reading: Reading
    content: Mapping[int, int]

    def word(self, address: int, width: int) -> int | None:
        """Return a little-endian word, None where a byte of it is missing."""
        values = [self.content.get(address + n) for n in range(width // 8)]
        return sum(v << 8 * n for n, v in enumerate(values) if v is not None) if None not in values else None

    def misses(self, address: int, width: int) -> int:
        """Return how many bytes of a word are missing."""
        return sum(address + n not in self.content for n in range(width // 8))


def read_dump(data: bytes, *, name: str, given: Reading, base: int | None = None) -> Dump:
    """Return a dump; the format is told from its bytes, never from its name.

    Args:
        data: The whole file.
        name: File name, for messages.
        given: What the operator says of the reading; a JSON file that says otherwise is refused.
        base: Address of the first byte of a raw file.

    Raises:
        FormatError, ImageError: The file is malformed, or contradicts what was given.
    """
    if data.lstrip()[:1] == b"{":
        return _read_json(data, name, given)
    image = read_image(data, name=name, base=base)
    content = {s.address + n: byte for s in image.segments for n, byte in enumerate(s.data)}
    return Dump(name, given, content)


def _load(data: bytes, name: str) -> dict[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        if len(set(keys)) != len(keys):
            raise FormatError("a key stands twice", where=name, next_step="keep one of them")
        return dict(pairs)

    try:
        found = json.loads(data.decode("utf-8"), object_pairs_hook=once)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise FormatError(f"not JSON: {error}", where=name, next_step="write it anew from the capture sheet") from None
    if not isinstance(found, dict):
        raise FormatError("no JSON object", where=name, next_step="start from `rootwright lockdown capture --json`")
    return found


def _read_json(data: bytes, name: str, given: Reading) -> Dump:
    found = _load(data, name)
    known = {"version", "product", "chip", "unit", "silicon", "state", "observer", "words"}
    for key in found:
        if key not in known:
            raise FormatError(
                f"an unknown key {key!r}", where=name, next_step=f"the keys are: {', '.join(sorted(known))}"
            )
    if found.get("version", 1) != 1:
        raise FormatError(f"version {found['version']!r}, expected 1", where=name, next_step="capture it anew")
    unit = _agreed(name, "unit", found.get("unit"), given.unit)
    silicon = _agreed(name, "silicon", found.get("silicon"), given.silicon)
    state = _agreed(name, "state", found.get("state"), given.state.value if given.state else "")
    observer = _agreed(name, "observer", found.get("observer"), given.observer.value if given.observer else "")
    reading = Reading(
        unit,
        silicon,
        _one_of(name, "state", state, [s.value for s in LifeState], LifeState),
        _one_of(name, "observer", observer, [o.value for o in Observer], Observer),
        _agreed(name, "product", found.get("product"), given.product),
        _agreed(name, "chip", found.get("chip"), given.chip),
    )
    words = found.get("words")
    if not isinstance(words, list) or len(words) > 4096:
        raise FormatError(
            "no list of words", where=f"{name}: words", next_step='give "words" as the capture sheet does'
        )
    content: dict[int, int] = {}
    for index, word in enumerate(words):
        where = f"{name}: words[{index}]"
        if not isinstance(word, dict) or set(word) - {"address", "width", "value", "fields"}:
            raise FormatError("no word of the capture sheet", where=where, next_step="give address, width and value")
        width = word.get("width")
        if width not in (8, 16, 32, 64) or isinstance(width, bool):
            raise FormatError(f"a width of {width!r}", where=where, next_step="8, 16, 32 or 64 bits")
        if word.get("value") is None:
            continue  # a line of the sheet that was not filled in
        address = _number(where, "address", word.get("address"), 32)
        value = _number(where, "value", word["value"], width)
        for n in range(width // 8):
            byte = value >> 8 * n & 0xFF
            if content.setdefault(address + n, byte) != byte:
                raise FormatError(
                    f"two values for the byte at 0x{address + n:08X}", where=where, next_step="capture it anew"
                )
    return Dump(name, reading, content)


def _agreed(name: str, key: str, said: object, given: str) -> str:
    if said is None:
        return given
    allowed = _NAME if key in ("product", "chip", "silicon") else _UNIT
    if not isinstance(said, str) or (said and not allowed.fullmatch(said)):
        raise FormatError(f"{key} is {said!r}", where=name, next_step="give one line of text")
    if given and said and said != given:
        raise FormatError(
            f"the file says {key} {said!r}, and {given!r} was asked for",
            where=name,
            next_step="take the dump of the right unit, in the right state",
        )
    return said or given


def _one_of(name: str, key: str, said: str, words: list[str], kind: Any) -> Any:
    if not said:
        return None
    if said not in words:
        raise FormatError(f"{key} {said!r}", where=name, next_step=f"one of: {', '.join(words)}")
    return kind(said)


def _number(where: str, key: str, said: object, bits: int) -> int:
    number = -1
    if isinstance(said, int) and not isinstance(said, bool):
        number = said
    elif isinstance(said, str) and re.fullmatch(r"0[xX][0-9A-Fa-f]{1,16}", said):
        number = int(said, 16)
    if not 0 <= number < 1 << bits:
        raise FormatError(f"{key} is {said!r}", where=where, next_step=f'a number of {bits} bits such as "0x1F"')
    return number


def read_outcomes(data: bytes, *, name: str, unit: str, known: Mapping[str, str]) -> dict[str, str]:
    """Return the outcome of each attempt that was made: "refused" or "worked", by the attempt's id.

    Args:
        data: The whole file: {"unit": "...", "outcomes": {"attach": "refused"}}.
        name: File name, for messages.
        unit: The unit of the dump; outcomes of another one are refused.
        known: The ids of the plan's attempts.

    Raises:
        FormatError: The file is malformed, speaks of another unit or of an attempt that the plan does not have.
    """
    found = _load(data, name)
    if set(found) != {"unit", "outcomes"} or not isinstance(found["outcomes"], dict):
        raise FormatError('not {"unit": ..., "outcomes": {...}}', where=name, next_step="write these two keys")
    if found["unit"] != unit:
        raise FormatError(
            f"outcomes of unit {found['unit']!r}, and the dump is of {unit!r}",
            where=name,
            next_step="try the same unit that was read",
        )
    for key, value in found["outcomes"].items():
        if key not in known:
            raise FormatError(
                f"an attempt {key!r} that the plan does not have", where=name, next_step=f"they are: {', '.join(known)}"
            )
        if value not in ("refused", "worked"):
            raise FormatError(f"{key} is {value!r}", where=name, next_step='write "refused" or "worked"')
    return dict(found["outcomes"])
