"""From a file to settings, or to problems with file, line and key. Never raises for what a file holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError

from bridge.settings.models import Car, Settings
from bridge.settings.places import find_config
from bridge.settings.toml_text import Problem, TomlText, nearest, parse_toml, problems_of, read_toml


class Loaded(NamedTuple):
    """What became of a settings file."""

    settings: Settings | None
    """`None` if there are problems."""
    problems: list[Problem]
    text: str
    """The file as it was read."""
    file: str


def load_settings(path: Path | None, overrides: Mapping[str, Any] | None = None) -> Loaded:
    """Load a settings file.

    Args:
        path: the file; `None` stands for an empty one (all defaults).
        overrides: dotted key -> value, laid over the file (``{"source.plugin": "file_replay"}``). A table
            as value replaces the whole table.
    """
    if path is None:
        return parse_settings("", "defaults", overrides)
    source, problems = read_toml(path)
    if source is None:
        return Loaded(None, problems, "", str(path))
    return _validate(source, overrides or {})


def parse_settings(text: str, name: str, overrides: Mapping[str, Any] | None = None) -> Loaded:
    """Load settings from a text; `name` stands for the file in problems."""
    source, problems = parse_toml(text, name)
    if source is None:
        return Loaded(None, problems, text, name)
    return _validate(source, overrides or {})


def _validate(source: TomlText, overrides: Mapping[str, Any]) -> Loaded:
    data = _overlaid(source.data, overrides)
    problems: list[Problem] = []
    car = data.get("car")
    if isinstance(car, dict):
        data["car"], problems = _with_profile(source, car)
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        return Loaded(None, problems + problems_of(error, source, known_keys()), source.text, source.file)
    return Loaded(None if problems else settings, problems, source.text, source.file)


def _overlaid(data: dict[str, Any], overrides: Mapping[str, Any]) -> dict[str, Any]:
    whole = {key: dict(value) if isinstance(value, dict) else value for key, value in data.items()}
    for key, value in overrides.items():
        *tables, last = key.split(".")
        place = whole
        for table in tables:
            inner = place.get(table)
            place[table] = place = dict(inner) if isinstance(inner, dict) else {}
        if value is None:
            place.pop(last, None)
        else:
            place[last] = value
    return whole


def _with_profile(source: TomlText, car: dict[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Lay the car's own keys over its profile's."""
    name = car.get("profile")
    if not isinstance(name, str):
        return car, []
    line = source.line_of(("car", "profile"))
    try:
        path = find_config("cars", name, Path(source.file).parent)
    except FileNotFoundError as error:
        return car, [Problem(source.file, line, "car.profile", repr(name), str(error))]
    profile, problems = read_toml(path)
    if profile is None:
        return car, problems
    try:
        Car.model_validate(profile.data)
    except ValidationError as error:
        return car, problems_of(error, profile, {"": known_keys()["car"]})
    return {**profile.data, **car}, []


@cache
def known_keys() -> dict[str, tuple[str, ...]]:
    """Return the keys of every table, by dotted name."""
    return dict(_walk(Settings, ""))


def _walk(model: type[BaseModel], prefix: str) -> Iterable[tuple[str, tuple[str, ...]]]:
    yield prefix, tuple(model.model_fields)
    for name, field in model.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type(BaseModel)):  # a nested table
            yield from _walk(inner, f"{prefix}.{name}" if prefix else name)


def plugin_problems(
    error: ValidationError, source_file: str, text: str, table: tuple[str, ...], model: type[BaseModel]
) -> list[Problem]:
    """Turn a plugin's complaint about its own keys into problems at their lines in the settings file.

    `table` is where the plugin's keys stand: ("source",) or ("sinks", NAME).
    """
    source = TomlText(source_file, text, {})
    return problems_of(error, source, {".".join(table): tuple(model.model_fields)}, table)


def changes(old: Settings, new: Settings) -> dict[str, tuple[Any, Any]]:
    """Return what differs: dotted key -> (old, new)."""
    return dict(_differences(old.model_dump(), new.model_dump(), ""))


def _differences(old: Any, new: Any, prefix: str) -> Iterable[tuple[str, tuple[Any, Any]]]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in [*old, *(key for key in new if key not in old)]:
            yield from _differences(old.get(key), new.get(key), f"{prefix}.{key}" if prefix else str(key))
    elif old != new:
        yield prefix, (old, new)


def unknown_key_hint(name: str) -> str:
    """Return a hint for a dotted key that does not exist, for the command line."""
    known = [f"{table}.{key}" if table else key for table, keys in known_keys().items() for key in keys]
    close = nearest(name, known)
    return f"there is no setting '{name}'" + (f"; {close}" if close else "")


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of the settings file, for editors."""
    schema = Settings.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "draglink settings"
    return schema


def json_safe(settings: Settings) -> dict[str, Any]:
    """Return the effective settings as plain data, SI."""
    plain: dict[str, Any] = settings.model_dump(mode="json")
    return plain
