"""What a file is, whether it is whole, what to mend; behind ``draglink check``."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path
from typing import NamedTuple

from bridge.hosting.importing import import_plugin
from bridge.hosting.index import Entry, Kind, PluginError, PluginIndex, requires_of
from bridge.layout import Decoder, LayoutError, load_layout
from bridge.recording.checking import check_recording
from bridge.recording.reader import NotARecording
from bridge.settings.loading import known_keys, load_settings, plugin_problems
from bridge.settings.models import Car

_MAGIC = b"\x89MCAP0\r\n"


class Examined(NamedTuple):
    """What was found."""

    kind: str
    facts: list[str]
    problems: list[str]


def examine(path: Path) -> Examined:
    """Look at any file or folder of ours. Never raises for what it holds."""
    if path.is_dir():
        if (path / "__init__.py").is_file():
            return _plugin(path)
        if (path / "sources").is_dir() or (path / "sinks").is_dir():
            return _plugin_folder(path)
        return Examined(
            "a folder", [], ["name a file, a plugin, or a folder with 'sources' or 'sinks' in it"]
        )
    try:
        with path.open("rb") as file:
            head = file.read(8)
    except OSError as error:
        return Examined("nothing", [], [f"it cannot be read: {error.strerror or error}"])
    if head.startswith(_MAGIC[: max(1, len(head))]) and head:
        return _recording(path)
    if path.suffix == ".py":
        return _plugin(path)
    return _toml(path)


def _folder(path: Path) -> Examined:
    if (path / "__init__.py").is_file():
        return _plugin(path)
    if (path / "sources").is_dir() or (path / "sinks").is_dir():
        return _plugin_folder(path)
    return Examined("a folder", [], ["name a file, a plugin, or a folder with 'sources' or 'sinks' in it"])


def _recording(path: Path) -> Examined:
    try:
        checked = check_recording(path)
    except (NotARecording, OSError) as error:
        return Examined("no recording", [], [str(error)])
    return Examined("a recording", checked.facts, checked.problems)


def _toml(path: Path) -> Examined:
    try:
        keys = set(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (OSError, ValueError, RecursionError):
        keys = set()
    if {"size", "fields"} & keys and not keys <= set(known_keys()[""]):
        return _layout(path)
    if keys and keys <= set(Car.model_fields):
        return _car(path)
    return _settings(path)


def _layout(path: Path) -> Examined:
    try:
        decoder = Decoder(load_layout(path))
    except LayoutError as error:
        return Examined("a layout", [], [str(problem) for problem in error.problems])
    layout = decoder.layout
    guard = "a sequence lock" if layout.lock else "a counter" if "index" in layout.fields else "reading twice"
    facts = [
        f"'{layout.name}', {layout.size} bytes, {layout.nominal_rate:g} Hz, {layout.axes}; guard: {guard}",
        f"fills {', '.join(sorted(decoder.fields))}",
    ]
    return Examined("a layout", facts, [])


def _car(path: Path) -> Examined:
    from bridge.settings.loading import parse_settings  # noqa: PLC0415 - only here

    name = str(path.resolve()).replace("\\", "/")
    loaded = parse_settings(f'[car]\nprofile = "{name}"\n', str(path))
    return Examined("a car", [], [str(problem) for problem in loaded.problems])


def _settings(path: Path) -> Examined:
    loaded = load_settings(path)
    problems = [str(problem) for problem in loaded.problems]
    facts: list[str] = []
    if loaded.settings is not None:
        settings = loaded.settings
        facts.append(f"source {settings.source.plugin}; sinks {', '.join(settings.sinks) or 'none'}")
        index = PluginIndex()
        tables: list[tuple[Kind, str, dict[str, object], tuple[str, ...]]] = [
            ("source", settings.source.plugin, settings.source.table(), ("source",))
        ]
        tables += [("sink", name, table, ("sinks", name)) for name, table in settings.sinks.items()]
        for kind, name, table, place in tables:
            problems += _table(index, kind, name, table, place, loaded.file, loaded.text)
    return Examined("settings", facts, problems)


def _table(
    index: PluginIndex,
    kind: Kind,
    name: str,
    table: dict[str, object],
    place: tuple[str, ...],
    file: str,
    text: str,
) -> list[str]:
    from pydantic import ValidationError  # noqa: PLC0415 - only here

    try:
        cls = index.load(kind, name)
        model = getattr(cls, "Settings")  # noqa: B009 - the loader has checked that it is there
        model.model_validate(table)
    except PluginError as error:
        return [str(error)]
    except ValidationError as error:
        return [str(problem) for problem in plugin_problems(error, file, text, place, model)]
    return []


def _plugin(path: Path) -> Examined:
    source = path / "__init__.py" if path.is_dir() else path
    name = path.stem
    problems = []
    for kind in ("source", "sink"):
        entry = _entry(kind, name, source)
        try:
            cls = import_plugin(entry)
        except PluginError as error:
            problems.append(str(error))
            if entry.problem:
                break
        else:
            fields = ", ".join(getattr(cls, "Settings").model_fields) or "none"  # noqa: B009 - checked by the loader
            return Examined(f"a {kind} plugin", [f"class {cls.__name__}; settings: {fields}"], [])
    return Examined("a plugin", [], problems[:1] if len(set(problems)) == 1 else problems)


def _entry(kind: Kind, name: str, source: Path) -> Entry:
    try:
        tree = ast.parse(source.read_text(encoding="utf-8"))
    except SyntaxError as error:
        return Entry(kind, name, source, "user", "", {}, f"{source}, line {error.lineno}: {error.msg}")
    except (OSError, ValueError) as error:
        return Entry(kind, name, source, "user", "", {}, f"{source}: {error}")
    return Entry(kind, name, source, "user", "", requires_of(tree), "")


def _plugin_folder(path: Path) -> Examined:
    try:
        entries = [entry for entry in PluginIndex(path).entries() if entry.origin == str(path)]
    except PluginError as error:
        return Examined("a plugin folder", [], [str(error)])
    problems = []
    for entry in entries:
        try:
            import_plugin(entry)
        except PluginError as error:
            problems.append(str(error))
    return Examined(
        "a plugin folder", [f"{entry.kind} {entry.name}: {entry.summary}" for entry in entries], problems
    )
