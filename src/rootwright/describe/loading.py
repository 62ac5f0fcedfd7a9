"""Chip and product files into frozen values; every mistake of a file is reported at once, with line and fix.

>>> load_chip("secure-split").architecture.value
'Armv8-M'
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from rootwright.describe.attack import AttackStep
from rootwright.describe.chip import Chip
from rootwright.describe.overrides import Override, apply_overrides
from rootwright.describe.positions import Positions
from rootwright.describe.problems import DescriptionProblems, Fault, KeyPath, Problem, closest, listed, shown
from rootwright.describe.product import Product

LARGEST_FILE = 1 << 20
"""No description needs a megabyte; a larger file is not one."""

_AT = re.compile(r" ?\(at line (\d+), column \d+\)$")


def load_product(
    path: Path, *, check_files: bool = True, check_places: bool = True, overrides: Sequence[Override] = ()
) -> Product:
    """Return the product that a product.toml describes, on its part.

    Args:
        path: The product file. Its part is a chip file beside it or a packaged profile.
        check_files: Whether the firmware files it names must exist. They are not opened here.
        check_places: Whether pinned places must be sound; without it `judge_given_map` has more to say about them.
        overrides: Values of the product or its chip file to replace before anything is checked.

    Raises:
        DescriptionProblems: The file or its part's file has mistakes; `problems` holds all of both.
    """
    from rootwright.describe.forms import read_form
    from rootwright.describe.product_checks import check_product
    from rootwright.describe.product_file import ProductForm

    document = _Document.read(path)
    document.override([o for o in overrides if not o.in_chip], frozenset(ProductForm.model_fields))
    in_chip = [o for o in overrides if o.in_chip]
    form, faults = read_form(ProductForm, document.data)
    problems: list[Problem] = []
    chip = None
    head = document.data.get("product")
    named = head.get("chip") if isinstance(head, dict) else None
    if isinstance(named, str) and named.strip():
        try:
            chip = _find_chip(named.strip(), path.parent, in_chip)
        except DescriptionProblems as error:
            problems = list(error.problems)
        except _NoSuchPart as error:
            faults.append(Fault(("product", "chip"), error.found, error.expected, error.suggestion))
    faults += check_product(form, chip, path.parent if check_files else None, check_places=check_places)
    problems = document.problems(faults) + problems
    if problems or chip is None:
        raise DescriptionProblems(problems)
    return form.build(chip)


def load_chip(part: Path | str) -> Chip:
    """Return a part: from a chip file, or a packaged profile by its name.

    Raises:
        DescriptionProblems: The chip file has mistakes, or there is no such file or profile.
    """
    if isinstance(part, Path):
        return _chip_from(_Document.read(part))
    try:
        return _find_chip(part, Path())
    except _NoSuchPart as error:
        raise DescriptionProblems([Problem("", 0, "part", error.found, error.expected, error.suggestion)]) from None


def load_steps(text: str, name: str) -> tuple[AttackStep, ...]:
    """Return the attack steps of a catalogue file's text.

    Raises:
        DescriptionProblems: The text has mistakes; `name` is what they are reported under.
    """
    from rootwright.describe.attack_file import CatalogueForm, check_steps
    from rootwright.describe.forms import read_form, run_checks

    document = _Document.parse(text, name)
    form, faults = read_form(CatalogueForm, document.data)
    problems = document.problems(faults + run_checks([check_steps(("step",), form.step, needs_rater=False)]))
    if problems:
        raise DescriptionProblems(problems)
    return tuple(step.step() for step in form.step)


def read_chip_text(text: str, *, name: str) -> Chip:
    """Return the part that the text of a chip file describes; DescriptionProblems where it has mistakes."""
    return _chip_from(_Document.parse(text, name))


def is_chip_file(path: Path) -> bool:
    """Return whether a file describes a part alone; DescriptionProblems where it is no TOML file at all."""
    data = _Document.read(path).data
    return "chip" in data and "product" not in data


def profile_names() -> tuple[str, ...]:
    """Return the names of the packaged part profiles in alphabetical order; `Chip.strength` is their other order."""
    folder = resources.files("rootwright.chips")
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


def profile_text(name: str) -> str:
    """Return the TOML text of a packaged profile; DescriptionProblems where there is none of that name."""
    if name not in profile_names():
        near = closest(name, profile_names())
        suggestion = f'did you mean "{near}"?' if near else ""
        expected = f"one of {listed(profile_names())}"
        raise DescriptionProblems([Problem("", 0, "part profile", shown(name), expected, suggestion)])
    return (resources.files("rootwright.chips") / f"{name}.toml").read_text(encoding="utf-8")


class _NoSuchPart(Exception):
    def __init__(self, found: str, expected: str, suggestion: str = "") -> None:
        self.found, self.expected, self.suggestion = found, expected, suggestion


def _find_chip(named: str, folder: Path, overrides: Sequence[Override] = ()) -> Chip:
    names = profile_names()
    if named in names:
        return _chip_from(_Document.parse(profile_text(named), f"profile {named}"), overrides)
    if not named.endswith(".toml"):
        expected = f"a chip file (its name ends in .toml) or a packaged profile: {listed(names)}"
        near = closest(named, names)
        raise _NoSuchPart(shown(named), expected, f'did you mean "{near}"?' if near else "")
    path = folder / named
    try:
        there = path.is_file()
        beside = sorted(p.name for p in path.parent.glob("*.toml")) if path.parent.is_dir() else []
    except (OSError, ValueError):
        raise _NoSuchPart(f"{shown(named)}, which cannot be reached", "a chip file beside this file") from None
    if there:
        return _chip_from(_Document.read(path), overrides)
    near = closest(path.name, beside)
    suggestion = f'did you mean "{near}"?' if near else ""
    raise _NoSuchPart(f"{shown(named)}, which does not exist", "a chip file beside this file", suggestion)


def _chip_from(document: _Document, overrides: Sequence[Override] = ()) -> Chip:
    from rootwright.describe.chip_checks import check_chip
    from rootwright.describe.chip_file import ChipForm
    from rootwright.describe.forms import read_form

    document.override(overrides, frozenset(ChipForm.model_fields))
    form, faults = read_form(ChipForm, document.data)
    problems = document.problems(faults + check_chip(form))
    if problems:
        raise DescriptionProblems(problems)
    return form.build()


class _Document:
    """A TOML document with the lines of its keys."""

    def __init__(self, name: str, data: dict[str, Any], positions: Positions) -> None:
        self.name, self.data, self.positions = name, data, positions
        self.changed: dict[KeyPath, str] = {}

    @classmethod
    def read(cls, path: Path) -> _Document:
        """Read and parse a file; every failure to do so is a DescriptionProblems."""
        name = str(path)
        try:
            with path.open("rb") as file:
                raw = file.read(LARGEST_FILE + 1)
        except FileNotFoundError:
            raise _whole_file(name, "no such file", "an existing TOML file", _similar(path)) from None
        except IsADirectoryError:
            raise _whole_file(name, "a folder", "a TOML file", _in_folder(path)) from None
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not a usable path"
            raise _whole_file(name, f"an unreadable file ({reason})", "a readable TOML file") from None
        if len(raw) > LARGEST_FILE:
            raise _whole_file(name, "more than 1 MiB", "a description of a few kilobytes")
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            line = raw[: error.start].count(b"\n") + 1
            problem = Problem(name, line, "", f"the byte 0x{raw[error.start]:02X}", "text in UTF-8", "save it as UTF-8")
            raise DescriptionProblems([problem]) from None
        return cls.parse(text, name)

    @classmethod
    def parse(cls, text: str, name: str) -> _Document:
        """Parse TOML text; a syntax error is a DescriptionProblems with its line."""
        try:
            data = tomllib.loads(text.removeprefix("\ufeff"))
            positions = Positions(text.removeprefix("\ufeff"))
        except RecursionError:
            raise _whole_file(name, "arrays or tables nested too deeply", "a description of flat tables") from None
        except ValueError as error:  # TOMLDecodeError, and numbers beyond what the interpreter converts
            message = str(error)
            match = _AT.search(message)
            lines = text.replace("\r\n", "\n").split("\n")
            line = int(match.group(1)) if match else len(lines) if "end of document" in message else 0
            shown_line = lines[line - 1] if 0 < line <= len(lines) else ""
            problem = Problem(
                name,
                line,
                "",
                f"{shown(shown_line.strip())}",
                f"TOML ({_AT.sub('', message)})",
                _hint(shown_line, message),
            )
            raise DescriptionProblems([problem]) from None
        return cls(name, data, positions)

    def override(self, overrides: Sequence[Override], known: frozenset[str]) -> None:
        """Replace values; mistakes in them are then told of the argument that they came with."""
        self.changed |= apply_overrides(self.data, overrides, known)

    def problems(self, faults: list[Fault]) -> list[Problem]:
        """Return faults as problems in order of line, each once."""
        found = dict.fromkeys(self._problem(fault) for fault in faults)
        return sorted(found, key=lambda problem: problem.line)

    def _problem(self, fault: Fault) -> Problem:
        """Return a fault with its place: the last override of the path or of a table around it, else file and line."""
        field, suggestion = self._field(fault.path), fault.suggestion
        for length in range(len(fault.path), 0, -1):
            if (text := self.changed.get(fault.path[:length])) is not None:
                return Problem(f"--set {text}", 0, field, fault.found, fault.expected, suggestion)
        if self.changed:
            with_ = ", ".join(f"--set {text}" for text in dict.fromkeys(self.changed.values()))
            suggestion = f"{suggestion} (with {with_})".strip()
        return Problem(self.name, self.positions.line(fault.path), field, fault.found, fault.expected, suggestion)

    def _field(self, path: KeyPath) -> str:
        """Return a key path in words: `image "radio": size`."""
        words: list[str] = []
        here: Any = self.data
        for key in path:
            try:
                here = here[key]
            except (KeyError, IndexError, TypeError):
                here = None
            if isinstance(key, int):
                label = here if isinstance(here, dict) else {}
                names = (label.get(k) for k in ("name", "block", "id", "kind"))
                name = next((n for n in names if isinstance(n, str)), None)
                words[-1] += f" {shown(name)}" if name else f" no. {key + 1}"
            else:
                words.append(shown(key)[1:-1])
        return ": ".join(words)


def _whole_file(name: str, found: str, expected: str, suggestion: str = "") -> DescriptionProblems:
    return DescriptionProblems([Problem(name, 0, "", found, expected, suggestion)])


def _similar(path: Path) -> str:
    try:
        beside = [p.name for p in path.parent.glob("*.toml")]
    except (OSError, ValueError):
        return ""
    near = closest(path.name, beside)
    return f"did you mean {path.parent / near}?" if near else ""


def _in_folder(folder: Path) -> str:
    inside = folder / "product.toml"
    return f"did you mean {inside}?" if inside.is_file() else ""


def _hint(line: str, message: str) -> str:
    """Return the fix of a common slip in TOML's grammar, or nothing."""
    value = line.partition("=")[2].split("#")[0].strip()
    if re.fullmatch(r"[0-9][0-9A-Za-z_.]*\s*[A-Za-zµ%/]+", value) or re.fullmatch(r"[A-Za-z][\w .:/+-]*", value):
        if value in ("True", "False"):
            return f"write {value.lower()} in small letters"
        return f'text and values with a unit stand in quotation marks: "{value}"'
    if "Cannot overwrite" in message or "twice" in message or "already" in message.lower():
        return "the same key or table stands twice; an array of tables has two brackets: [[image]]"
    if re.match(r"\s*[A-Za-z_]+\s*:", line):
        return "TOML writes key = value, with an equals sign"
    if "\\" in value:
        return "a backslash starts an escape; write paths with forward slashes"
    if line.count('"') % 2:
        return "a quotation mark is missing"
    return ""
