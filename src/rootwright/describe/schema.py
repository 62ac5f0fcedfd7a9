"""JSON Schemas of the two files for editors, and the manual's table of their fields; both made from the forms."""

from __future__ import annotations

import typing
from typing import Any, Literal

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from rootwright.describe.chip_file import ChipForm
from rootwright.describe.fields import Reader
from rootwright.describe.forms import Form, form_at
from rootwright.describe.problems import KeyPath
from rootwright.describe.product_file import ProductForm

FileKind = Literal["product", "chip"]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
_FORMS: dict[FileKind, type[Form]] = {"product": ProductForm, "chip": ChipForm}


def json_schema(kind: FileKind) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of product.toml or chip.toml.

    It knows names, types and grammar of all fields; what fields say about one another only the reader checks.

    Example:
        >>> json_schema("chip")["$schema"]
        'https://json-schema.org/draft/2020-12/schema'
    """
    schema = _without_null(_FORMS[kind].model_json_schema())
    title = {"product": "product.toml", "chip": "chip.toml"}[kind]
    return {"$schema": DIALECT, **schema, "title": f"Rootwright {title}"}


def _without_null(schema: Any) -> Any:
    """Return a schema without null: TOML has none, a key is left out instead."""
    if isinstance(schema, list):
        return [_without_null(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: _without_null(value) for key, value in schema.items() if not (key == "default" and value is None)}
    options = made.get("anyOf")
    if isinstance(options, list) and {"type": "null"} in options:
        options = [option for option in options if option != {"type": "null"}]
        made.pop("anyOf")
        made = {**options[0], **made} if len(options) == 1 else {**made, "anyOf": options}
    return made


def field_tables(kind: FileKind) -> str:
    """Return the manual's tables of all fields of a file as Markdown: one heading and table for each TOML table."""
    parts: list[str] = []
    for path, form in walk_tables(kind):
        heading = table_name(_FORMS[kind], path)
        parts.append(
            f"### `{heading}`\n\n{form.__doc__}\n\n| Field | Takes | If left out | Meaning |\n|---|---|---|---|\n"
        )
        for name, field in form.model_fields.items():
            if form_at(_FORMS[kind], (*path, name)) is not None and not path:
                continue
            cells = (f"`{name}`", _takes(field), _default(field), field.description or "")
            parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n")
        parts.append("\n")
    return "".join(parts).rstrip() + "\n"


def walk_tables(kind: FileKind) -> list[tuple[KeyPath, type[Form]]]:
    """Return the forms of all tables of a file below the top, with their key paths, outer before inner."""
    found: list[tuple[KeyPath, type[Form]]] = []
    _walk(_FORMS[kind], (), found)
    return found


def _walk(form: type[Form], path: KeyPath, found: list[tuple[KeyPath, type[Form]]]) -> None:
    for name, field in form.model_fields.items():
        for step in ((name,), (name, 0)):
            inner = form_at(form, step)
            if inner is not None:
                found.append(((*path, *step), inner))
                _walk(inner, (*path, *step), found)
                break
            if typing.get_origin(field.annotation) not in (list, dict):
                break


def table_name(root: type[Form], path: KeyPath) -> str:
    """Return how a table is headed in TOML: `[link]`, `[[image]]`; inner tables by their key."""
    if len(path) == 1:
        return f"[{path[0]}]"
    if len(path) == 2 and path[1] == 0:
        return f"[[{path[0]}]]"
    words = [str(key) for key in path if key != 0]
    return ".".join(words)


def _reader(annotation: Any) -> Reader | None:
    for part in (annotation, *typing.get_args(annotation)):
        for item in getattr(part, "__metadata__", ()):
            if isinstance(item, Reader):
                return item
    for part in typing.get_args(annotation):
        found = _reader(part)
        if found is not None:
            return found
    return None


def _takes(field: FieldInfo) -> str:
    """Return in words what a field takes."""
    many = typing.get_origin(field.annotation) is list
    reader = next((item for item in field.metadata if isinstance(item, Reader)), None) or _reader(field.annotation)
    if reader is None:
        origin = typing.get_origin(field.annotation)
        return "array of tables" if origin is list else "tables by name" if origin is dict else "table"
    return f"array of: {reader.words}" if many else reader.words


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "*must be given*"
    value = field.default
    if value is None or value == "" or value is PydanticUndefined or isinstance(value, Form) or value == []:
        return "—"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, float):
        return f"`{value:g}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value}`"
