"""What if a value were another one: values of a product or chip file, replaced before the file is checked.

>>> read_override("images.application.growth=30 %").path
('image', 'application', 'growth')
>>> read_override("chip=key-vault").value
'key-vault'
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rootwright.describe.problems import DescriptionProblems, KeyPath, Problem, Slip, closest, listed
from rootwright.describe.units import parse_size

_TABLES = {"images": "image", "memories": "memory", "keys": "key", "pins": "pin", "keeps": "keep"}
_MORE_TABLES = {"protections": "protection", "assumptions": "assumption", "views": "view"}
_LABELS = ("name", "block", "id", "kind")
_HEAD_KEYS = frozenset(
    {"name", "title", "architecture", "clock", "reset_address", "interrupts", "vector_table_relocatable"}
    | {"strength", "typical", "silicon"}
)


@dataclass(frozen=True, slots=True)
class Override:
    """One replaced value.

    Attributes:
        text: As it was given.
        path: Keys from the top of its file; an element of an array of tables goes by its name, or its number from 1.
        value: What stands there instead, as TOML would give it.
        in_chip: Whether it is meant for the chip file.
    """

    text: str
    path: tuple[str, ...]
    value: Any
    in_chip: bool = False


def read_override(text: str) -> Override:
    """Return what `path=value` means.

    The value is read as TOML; what is no TOML is taken as text, so that quotation marks may be left out.

    Raises:
        DescriptionProblems: There is no equals sign, or the path is empty.
    """
    place, equals, written = text.partition("=")
    path = tuple(part.strip() for part in place.split("."))
    if not equals or not all(path):
        raise _problem(text, "no path=value", "such as update.procedure=copy-over", "")
    value = _read_value(written.strip())
    if path == ("chip",):
        return Override(text, ("product", "chip"), value)
    if path[0] == "chip":
        path = path[1:]
        if path[0] in _HEAD_KEYS:
            path = ("chip", *path)
        return Override(text, _singular(path), value, in_chip=True)
    return Override(text, _singular(path), value)


def _read_value(written: str) -> Any:
    try:
        return tomllib.loads(f"value = {written}")["value"] if "\n" not in written else written
    except (ValueError, RecursionError):
        return written


def _singular(path: tuple[str, ...]) -> tuple[str, ...]:
    return (({**_TABLES, **_MORE_TABLES}).get(path[0], path[0]), *path[1:])


def _problem(text: str, found: str, expected: str, suggestion: str) -> DescriptionProblems:
    return DescriptionProblems([Problem(f"--set {text}", 0, "", found, expected, suggestion)])


def apply_overrides(data: dict[str, Any], overrides: Sequence[Override], known: frozenset[str]) -> dict[KeyPath, str]:
    """Replace values in a document's data, in place; return the text of the override that each changed path is from.

    Args:
        data: The document as TOML gives it.
        overrides: Those that are meant for it, in order; a later one wins.
        known: The tables that such a document may have.

    Raises:
        DescriptionProblems: A path leads nowhere.
    """
    changed: dict[KeyPath, str] = {}
    for override in overrides:
        for path in _apply(data, override, known):
            changed[path] = override.text
    return changed


def _apply(data: dict[str, Any], override: Override, known: frozenset[str]) -> list[KeyPath]:
    text, path = override.text, override.path
    if path[0] not in known:
        near = closest(path[0], known)
        suggestion = f'did you mean "{near}"?' if near else "a path into the chip file starts with chip."
        raise _problem(text, f'the table "{path[0]}"', f"one of {listed(sorted(known))}", suggestion)
    here: Any = data
    place: KeyPath = ()
    for depth, key in enumerate(path[:-1]):
        if isinstance(here, list):
            index = _find_element(here, key, text, path[:depth])
            here, place = here[index], (*place, index)
        elif isinstance(here, dict):
            here.setdefault(key, [] if path[:2] == ("pin", path[-2]) and not depth else {})
            here, place = here[key], (*place, key)
        else:
            inside = ".".join(path[:depth])
            raise _problem(text, f"{inside}, which is one value", "a table or an array", "shorten the path")
    last = path[-1]
    if isinstance(here, list):
        index = _find_element(here, last, text, path[:-1])
        here[index] = override.value
        return [(*place, index)]
    if not isinstance(here, dict):
        inside = ".".join(path[:-1])
        raise _problem(text, f"{inside}, which is one value", "a table or an array", "shorten the path")
    if last == "sector" and path[0] == "memory" and len(path) == 3:
        return _resize_sectors(here, override, place)
    here[last] = override.value
    return [(*place, last)]


def _find_element(array: list[Any], key: str, text: str, inside: tuple[str, ...]) -> int:
    """Return the place in an array of the element that a key names; a pin that is not there yet is added."""
    labels = [next((e[label] for label in _LABELS if label in e), None) if isinstance(e, dict) else e for e in array]
    places = [index for index, label in enumerate(labels) if label == key]
    if len(places) == 1:
        return places[0]
    if not places and key.isdecimal() and 1 <= int(key) <= len(array):
        return int(key) - 1
    words = [str(label) for label in labels if label is not None]
    where = ".".join(inside)
    if places:
        numbers = ", ".join(str(index + 1) for index in places)
        raise _problem(text, f'{len(places)} elements "{key}" in {where}', f"its number: one of {numbers}", "")
    if inside == ("pin",):
        array.append({"block": key})
        return len(array) - 1
    near = closest(key, words)
    suggestion = f'did you mean "{near}"?' if near else ""
    raise _problem(text, f'"{key}" in {where}', f"one of {listed(words)}, or a number from 1", suggestion)


def _resize_sectors(memory: dict[str, Any], override: Override, place: KeyPath) -> list[KeyPath]:
    """Give a whole memory sectors of one size; what erased one of the old erases one of the new, in the same time."""
    runs = _tables(memory.get("sectors"))
    sizes = [_bytes(run.get("size")) for run in runs]
    counts = [run.get("count") for run in runs]
    new = _bytes(override.value)
    total = sum(a * b for a, b in zip(sizes, counts, strict=True) if isinstance(a, int) and isinstance(b, int))
    if new is None or not new or not total or None in sizes or total % new:
        raise _problem(
            override.text,
            f"sectors of {override.value}",
            f"a size that divides the memory of {total} bytes",
            'write it like "2 KiB"',
        )
    memory["sectors"] = [{"count": total // new, "size": new}]
    changed: list[KeyPath] = [(*place, "sectors")]
    erases = _tables(memory.get("erase"))
    own = next((erase for erase in erases if _bytes(erase.get("size")) in sizes), None)
    if own is not None:
        kept = [erase for erase in erases if (size := _bytes(erase.get("size"))) and size not in sizes and size > new]
        memory["erase"] = [{**own, "size": new}, *kept]
        changed.append((*place, "erase"))
    return changed


def _tables(value: Any) -> list[dict[str, Any]]:
    return value if isinstance(value, list) and all(isinstance(element, dict) for element in value) else []


def _bytes(value: Any) -> int | None:
    try:
        return parse_size(value)
    except Slip:
        return None
