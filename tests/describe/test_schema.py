"""The JSON Schemas, against an independent reader of the standard (the `jsonschema` package, draft 2020-12)."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from rootwright.describe.loading import profile_names, profile_text
from rootwright.describe.problems import Problem
from rootwright.describe.schema import FileKind, field_tables, json_schema, table_name, walk_tables

Mistakes = Callable[..., tuple[Problem, ...]]
KINDS: tuple[FileKind, ...] = ("product", "chip")


def validator(kind: FileKind) -> jsonschema.Draft202012Validator:
    schema = json_schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("demo", ["river-gauge", "river-gauge-flawed"])
def test_demo_products_fit_the_schema(repository: Path, demo: str) -> None:
    validator("product").validate(tomllib.loads((repository / "demo" / demo / "product.toml").read_text()))


def test_demo_part_and_profiles_fit_the_schema(repository: Path) -> None:
    check = validator("chip")
    check.validate(tomllib.loads((repository / "demo/river-gauge/gx-512.toml").read_text()))
    for name in profile_names():
        check.validate(tomllib.loads(profile_text(name)))


def spoilt(tree: Any, path: tuple[str | int, ...], value: Any) -> Any:
    tree = copy.deepcopy(tree)
    here = tree
    for key in path[:-1]:
        here = here[key]
    here[path[-1]] = value
    return tree


@pytest.mark.parametrize(
    ("kind", "path", "value"),
    [
        ("product", ("image", 1, "size"), "64 kb"),
        ("product", ("image", 1, "growth"), 10),
        ("product", ("image", 1, "role"), "Application"),
        ("product", ("update", "sequence"), 0),
        ("product", ("update", "procedure"), "magic"),
        ("product", ("link", "rate"), "10 kbps"),
        ("product", ("attackers", "in_scope"), ["nobody"]),
        ("product", ("link", "speed"), 3),
        ("product", ("extra",), {}),
        ("product", ("fleet",), []),
        ("chip", ("chip", "clock"), 80),
        ("chip", ("memory", 0, "banks"), 3),
        ("chip", ("memory", 0, "erased"), 0x55),
        ("chip", ("memory", 0, "program", "typ"), "80"),
        ("chip", ("memory", 0, "erase"), {}),
        ("chip", ("crypto", "verify", "ESP256"), "90 ms"),
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(
    kind: FileKind, path: tuple[str | int, ...], value: Any, part_text: str, product_text: str
) -> None:
    sound = tomllib.loads(product_text if kind == "product" else part_text)
    check = validator(kind)
    check.validate(sound)
    with pytest.raises(jsonschema.ValidationError):
        check.validate(spoilt(sound, path, value))


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_and_table_says_what_it_means(kind: FileKind) -> None:
    schema = json_schema(kind)
    for form in [schema, *schema["$defs"].values()]:
        assert form["description"]
        assert form["additionalProperties"] is False
        for name, field in form["properties"].items():
            referred = schema["$defs"].get(field.get("$ref", "").removeprefix("#/$defs/"), {})
            assert (field.get("description") or referred.get("description", "")).endswith("."), name


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_has_no_null(kind: FileKind) -> None:
    assert "null" not in re.findall(r"'type': '(\w+)'", str(json_schema(kind)))


@pytest.mark.parametrize("kind", KINDS)
def test_the_manual_has_every_field(kind: FileKind, repository: Path) -> None:
    """The manual's tables are printed by `rootwright schema KIND --table`; print them anew where this fails."""
    manual = (repository / "docs" / "describe.md").read_text(encoding="utf-8")
    begin, end = f"<!-- fields of {kind}.toml: begin, made by `rootwright schema {kind} --table` -->\n", "<!-- end -->"
    assert begin in manual
    section = manual.split(begin)[1].split(end)[0]
    assert section.strip() == field_tables(kind).strip()
    fields = [name for _, form in walk_tables(kind) for name in form.model_fields]
    assert len(fields) > 25
    assert all(f"| `{name}` |" in section for name in fields)


def test_table_headings() -> None:
    names = [table_name(form, path) for path, form in walk_tables("chip")]
    assert "[chip]" in names
    assert "[[memory]]" in names
    assert "memory.erase" in names
    assert "crypto.verify" in names
