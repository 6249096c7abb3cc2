"""From a file to settings, or to problems with file, line and key. Never raises for what a file holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError

from bridge.settings.describing import changes, json_safe, json_schema
from bridge.settings.models import Car, Settings
from bridge.settings.places import find_config
from bridge.settings.toml_text import (
    Problem,
    TomlText,
    decode_toml,
    nearest,
    parse_toml,
    problems_of,
    read_toml,
)

__all__ = [
    "Loaded",
    "changes",
    "json_safe",
    "json_schema",
    "known_keys",
    "load_bytes",
    "load_settings",
    "missing_for_hardware",
    "parse_settings",
    "plugin_problems",
    "unknown_key_hint",
]


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


def load_bytes(raw: bytes, path: Path, overrides: Mapping[str, Any]) -> Loaded:
    """Load settings from the bytes of a file that was read already."""
    source, problems = decode_toml(raw, str(path))
    if source is None:
        return Loaded(None, problems, "", str(path))
    return _validate(source, overrides)


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
    except (OSError, ValueError) as error:  # not there, or a name that no file can have
        shown = repr(name[:80])
        return car, [Problem(source.file, line, "car.profile", shown, _why(error))]
    profile, problems = read_toml(path)
    if profile is None:
        return car, problems
    try:
        Car.model_validate(profile.data)
    except ValidationError as error:
        return car, problems_of(error, profile, {"": known_keys()["car"]})
    return {**profile.data, **car}, []


def _why(error: OSError | ValueError) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"not the name of a file: {error.strerror}"
    return str(error)


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


def missing_for_hardware(loaded: Loaded, sink: str) -> list[Problem]:
    """Return what has to be written before a sink that moves a real wheel may run.

    A guessed peak is a wrong torque: with 8 N m assumed, a device of 24 N m exerts three times what the
    governor allows.
    """
    settings = loaded.settings
    if settings is None or "peak_torque" in settings.wheel.model_fields_set:
        return []
    line = TomlText(loaded.file, loaded.text, {}).line_of(("sinks", sink))
    allowed = f"[sinks.{sink}] drives a real wheel: write its torque at full level, from its data sheet"
    example = '[wheel] peak_torque = "8 N m"'
    return [Problem(loaded.file, line, "wheel.peak_torque", "missing", allowed, f"for example {example}")]


def plugin_problems(
    error: ValidationError, source_file: str, text: str, table: tuple[str, ...], model: type[BaseModel]
) -> list[Problem]:
    """Turn a plugin's complaint about its own keys into problems at their lines in the settings file.

    `table` is where the plugin's keys stand: ("source",) or ("sinks", NAME).
    """
    source = TomlText(source_file, text, {})
    return problems_of(error, source, {".".join(table): tuple(model.model_fields)}, table)


def unknown_key_hint(name: str) -> str:
    """Return a hint for a dotted key that does not exist, for the command line."""
    known = [f"{table}.{key}" if table else key for table, keys in known_keys().items() for key in keys]
    close = nearest(name, known)
    return f"there is no setting '{name}'" + (f"; {close}" if close else "")
