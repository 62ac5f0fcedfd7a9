"""The base of all file forms: strict fields, every mistake collected, checks that survive unreadable fields."""

from __future__ import annotations

import copy
import typing
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError, field_validator
from pydantic_core import ErrorDetails

from rootwright.describe.problems import Fault, KeyPath, Slip, closest, listed, shown


class UnreadableField(Exception):
    """A check asked for a field that has its own mistake already; the check is skipped."""


class _Unreadable:
    """Stands in a form for a field whose value could not be read."""

    def __deepcopy__(self, memo: object) -> _Unreadable:
        return self


UNREADABLE: Final = _Unreadable()


class Form(BaseModel):
    """One table of a file. Unknown keys are mistakes; a field that could not be read raises when asked for."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @field_validator("*", mode="wrap", check_fields=False)
    @classmethod
    def _keep_unreadable(cls, value: Any, read: Callable[[Any], Any]) -> Any:
        return value if value is UNREADABLE else read(value)

    if not TYPE_CHECKING:

        def __getattribute__(self, name: str) -> Any:
            value = super().__getattribute__(name)
            if value is UNREADABLE:
                raise UnreadableField(name)
            return value


F = TypeVar("F", bound=Form)


def read_form(cls: type[F], data: dict[str, Any]) -> tuple[F, list[Fault]]:
    """Return the form and all mistakes in its fields; fields with a mistake are unreadable in the form.

    With an empty list of mistakes the form is complete and can be relied upon.
    """
    data = copy.deepcopy(data)
    faults: list[Fault] = []
    while True:
        try:
            return cls.model_validate(data), _without_echoes(faults)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                path: KeyPath = detail["loc"]
                if detail["input"] is UNREADABLE:
                    path = path[:-1]
                else:
                    faults.append(_fault(cls, detail))
                _blot(data, path, unknown=detail["type"] == "extra_forbidden")


def _blot(data: Any, path: KeyPath, *, unknown: bool) -> None:
    """Make one place of the raw tree unreadable, or take it out where nothing is known by that name."""
    for key in path[:-1]:
        data = data[key]
        if data is UNREADABLE:
            return
    if unknown:
        data.pop(path[-1], None)
    else:
        data[path[-1]] = UNREADABLE


def _without_echoes(faults: list[Fault]) -> list[Fault]:
    """Drop 'is missing' where a misspelt key of the same table was most likely that field."""
    meant = {
        (*f.path[:-1], f.suggestion.split('"')[1]) for f in faults if f.suggestion.startswith("did you mean the key")
    }
    return [f for f in faults if not (f.found == "nothing" and f.path in meant)]


def _fault(root: type[Form], detail: ErrorDetails) -> Fault:
    path: KeyPath = detail["loc"]
    value = detail["input"]
    slip = detail.get("ctx", {}).get("error")
    if isinstance(slip, Slip):
        return Fault(path, slip.found or shown(value), slip.expected, slip.suggestion)
    if detail["type"] == "missing":
        form = form_at(root, path[:-1])
        about = form.model_fields[str(path[-1])].description if form else ""
        return Fault(path, "nothing", f"this to be given: {about}" if about else "this to be given")
    if detail["type"] == "extra_forbidden":
        form = form_at(root, path[:-1])
        names = tuple(form.model_fields) if form else ()
        meant = closest(str(path[-1]), names)
        suggestion = f'did you mean the key "{meant}"?' if meant else ""
        return Fault(path, "an unknown key", f"one of {listed(names)}", suggestion)
    if detail["type"] == "list_type":
        form = form_at(root, (*path, 0))
        if form and isinstance(value, dict):
            return Fault(path, "a single table", "an array of tables", f"write [[{path[-1]}]] with two brackets")
        return Fault(path, shown(value), "an array of tables" if form else "an array: values in brackets")
    if detail["type"] in ("model_type", "dict_type"):
        if isinstance(value, list) and isinstance(path[-1], str):
            return Fault(path, "an array", "one table", f"write [{path[-1]}] with one bracket, once")
        return Fault(path, shown(value), "a table")
    return Fault(path, shown(value), str(detail["msg"]))  # pragma: no cover - all field readers raise Slip


def form_at(root: type[Form], path: KeyPath) -> type[Form] | None:
    """Return the form that reads the table at `path` of a file with form `root`, or None where no table belongs."""
    here: Any = root
    for key in path:
        if isinstance(here, type) and issubclass(here, Form):
            field = here.model_fields.get(str(key))
            if field is None:
                return None
            here = _inner(field.annotation)
        else:
            arguments = typing.get_args(here)
            if not arguments:
                return None
            here = _inner(arguments[-1])
    return here if isinstance(here, type) and issubclass(here, Form) else None


def _inner(annotation: Any) -> Any:
    """Return an annotation without `None` and without metadata."""
    arguments = [a for a in typing.get_args(annotation) if a is not type(None)]
    if len(arguments) == 1 and typing.get_origin(annotation) not in (list, dict):
        return arguments[0]
    return annotation


def run_checks(checks: Iterable[Iterator[Fault]]) -> list[Fault]:
    """Run checks to their end and return what they found; one that meets an unreadable field stops there."""
    faults: list[Fault] = []
    for check in checks:
        try:
            faults.extend(check)
        except UnreadableField:
            continue
    return faults
