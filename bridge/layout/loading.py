"""From a layout file to a `Layout`, or to errors that point at file, line and key."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from bridge.layout.model import (
    FIELD_NAMES,
    TYRE_NAMES,
    Constant,
    Driving,
    Layout,
    Place,
    Tyres,
    TyreValue,
    Value,
)
from bridge.settings.toml_text import Problem, TomlText, parse_toml, problems_of, read_toml


class LayoutError(Exception):
    """What is wrong with a layout; `problems` lists all of it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


def load_layout(path: Path) -> Layout:
    """Load a layout file.

    Raises:
        LayoutError: with every problem's file, line and key.
    """
    source, problems = read_toml(path)
    if source is None:
        raise LayoutError(problems)
    return _validate(source)


def parse_layout(text: str, name: str = "layout") -> Layout:
    """Load a layout from a text; `name` stands for the file in errors.

    Raises:
        LayoutError: see `load_layout`.
    """
    source, problems = parse_toml(text, name)
    if source is None:
        raise LayoutError(problems)
    return _validate(source)


def _validate(source: TomlText) -> Layout:
    try:
        return Layout.model_validate(source.data)
    except ValidationError as error:
        raise LayoutError(problems_of(error, source, _known(source.data))) from None


def _known(data: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    """Return the keys that each table of this file may have, for "did you mean"."""
    known = {
        "": tuple(Layout.model_fields),
        "lock": tuple(Place.model_fields),
        "driving": tuple(Driving.model_fields),
        "fields": tuple(FIELD_NAMES),
        "tyres": tuple(Tyres.model_fields),
        "tyres.fields": tuple(TYRE_NAMES),
    }
    for table, model in (("fields", Value), ("constants", Constant)):
        for name in data.get(table, {}) if isinstance(data.get(table), dict) else ():
            known[f"{table}.{name}"] = tuple(model.model_fields)
    for name in TYRE_NAMES:
        known[f"tyres.fields.{name}"] = tuple(TyreValue.model_fields)
    return known


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of layout files, for editors."""
    schema = Layout.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "draglink layout"
    return schema
