"""Settings told to others: as a diff, as plain data, as a schema for editors, as a file to start from."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, get_args

from bridge.contract.quantities import Dimension
from bridge.contract.units import UNITS, allowed_units
from bridge.settings.models import Settings
from bridge.settings.places import shipped_config


def changes(old: Settings, new: Settings) -> dict[str, tuple[Any, Any]]:
    """Return what differs: dotted key -> (old, new)."""
    return dict(_differences(old.model_dump(), new.model_dump(), ""))


def _differences(old: Any, new: Any, prefix: str) -> Iterable[tuple[str, tuple[Any, Any]]]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in [*old, *(key for key in new if key not in old)]:
            yield from _differences(old.get(key), new.get(key), f"{prefix}.{key}" if prefix else str(key))
    elif old != new:
        yield prefix, (old, new)


def told(different: dict[str, tuple[Any, Any]]) -> dict[str, str]:
    """Return changes as people read them: "shaping.strength" -> "0.2 -> 0.3"; quantities with SI unit."""
    return {key: _told(key, old, new) for key, (old, new) in different.items()}


def _told(key: str, old: Any, new: Any) -> str:
    unit = _unit(key)
    return f"{_value(old, unit)} -> {_value(new, unit)}"


def _value(value: Any, unit: str) -> str:
    if value is None:
        return "unset"
    if isinstance(value, float):
        return f"{value:.6g} {unit}".rstrip()
    return str(value)


def _unit(key: str) -> str:
    """Return the SI unit of a dotted key, or nothing."""
    table, _, name = key.partition(".")
    section = Settings.model_fields.get(table)
    fields = getattr(section.annotation, "model_fields", {}) if section is not None else {}
    if name not in fields:
        return ""
    marks = list(fields[name].metadata)
    for either in get_args(fields[name].annotation):  # "a quantity, or unset"
        marks += getattr(either, "__metadata__", ())
    for mark in marks:
        if isinstance(mark, Dimension):
            return next(unit for unit, factor in UNITS[mark.name].items() if factor == 1.0)
    return ""


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of the settings file, for editors."""
    schema = Settings.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "draglink settings"
    for table in schema["$defs"].values():
        for property_ in table.get("properties", {}).values():
            _teach(property_)
    return schema


def _teach(property_: dict[str, Any]) -> None:
    """Add units and range to the description of a quantity: that is what an editor shows."""
    kind = next((k for k in (property_, *property_.get("anyOf", ())) if "x-dimension" in k), None)
    if kind is None:
        return
    words = [str(property_.get("description", "")).rstrip(".")]
    if "x-range" in kind:
        words.append(f"{kind['x-range']}")
    words.append(f"a bare number is SI; units: {allowed_units(kind['x-dimension'])}")
    property_["description"] = "; ".join(words) + "."


def json_safe(settings: Settings) -> dict[str, Any]:
    """Return the effective settings as plain data, SI."""
    plain: dict[str, Any] = settings.model_dump(mode="json")
    return plain


def write_default(path: Path) -> None:
    """Write the commented default settings, making folders as needed.

    Raises:
        FileExistsError: there is a file already; it was not touched.
        OSError: it cannot be written.
    """
    text = (shipped_config() / "default.toml").read_bytes()
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(text)
