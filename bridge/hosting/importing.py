"""Import one plugin by file and find its class; every way this can fail gets a sentence.

This module does not know which plugins exist.
"""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import inspect
import sys
import traceback
from pathlib import Path
from types import ModuleType
from typing import Any

from bridge.contract import Sink, Source, StreamingSource
from bridge.contract.plugin import Observer, PluginSettings
from bridge.hosting.index import (
    BUILT_IN,
    Entry,
    PluginError,
    PluginMissing,
    bind_shipped,
    missing_requirements,
)

_BASES: dict[str, tuple[type, ...]] = {"source": (Source, StreamingSource), "sink": (Sink,)}
_ABSTRACT: tuple[type, ...] = (Source, StreamingSource, Sink, Observer)


def import_plugin(entry: Entry) -> type:
    """Import a plugin and return its one class.

    Raises:
        PluginMissing: a dependency is missing; with the pip line.
        PluginError: unreadable, raises on import, or no single plugin class.
    """
    if entry.problem:
        raise PluginError(entry.problem)
    missing = missing_requirements(entry)
    if missing:
        raise PluginMissing(_missing_text(entry, missing))
    try:
        module = _import(entry)
    except ImportError as error:
        name = (error.name or "").partition(".")[0]
        if name and name not in ("bridge", "plugins") and importlib.util.find_spec(name) is None:
            raise PluginMissing(_missing_text(entry, {name: entry.requires.get(name, name)})) from error
        raise PluginError(f"{place_of(error, entry.path)}: {error}") from error
    except Exception as error:
        raise PluginError(f"{place_of(error, entry.path)}: {type(error).__name__}: {error}") from error
    return _plugin_class(entry, module)


def _missing_text(entry: Entry, missing: dict[str, str]) -> str:
    modules = ", ".join(missing)
    command = f'"{sys.executable}" -m pip install {" ".join(missing.values())}'
    return f"the {entry.kind} '{entry.name}' needs {modules}, which is not installed; mend it with: {command}"


def _import(entry: Entry) -> ModuleType:
    if entry.origin == BUILT_IN:
        bind_shipped()
        return importlib.import_module(f"plugins.{entry.kind}s.{entry.name}")
    digest = hashlib.sha256(str(entry.path).encode()).hexdigest()[:8]
    name = f"draglink_user_{digest}_{entry.name}"
    package = [str(entry.path.parent)] if entry.path.name == "__init__.py" else None
    spec = importlib.util.spec_from_file_location(name, entry.path, submodule_search_locations=package)
    if spec is None or spec.loader is None:
        raise PluginError(f"{entry.path} cannot be imported: not a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def _plugin_class(entry: Entry, module: ModuleType) -> type:
    bases = _BASES[entry.kind]
    found = [
        value
        for value in vars(module).values()
        if inspect.isclass(value)
        and issubclass(value, bases)
        and value not in _ABSTRACT
        and (value.__module__ == module.__name__ or value.__module__.startswith(module.__name__ + "."))
    ]
    wanted = " or ".join(base.__name__ for base in bases)
    if len(set(found)) != 1:
        names = ", ".join(sorted({cls.__name__ for cls in found})) or "none"
        raise PluginError(f"{entry.path} must define exactly one subclass of {wanted}; found: {names}")
    cls: type = found[0]
    if inspect.isabstract(cls):
        lacking = ", ".join(sorted(getattr(cls, "__abstractmethods__", ())))
        raise PluginError(f"{entry.path}: {cls.__name__} lacks {lacking}")
    settings = getattr(cls, "Settings", None)
    if not (inspect.isclass(settings) and issubclass(settings, PluginSettings)):
        raise PluginError(f"{entry.path}: {cls.__name__}.Settings must be a subclass of PluginSettings")
    return cls


def make_settings(cls: type, table: dict[str, Any]) -> PluginSettings:
    """Validate a plugin's own settings.

    Raises:
        pydantic.ValidationError: the caller maps it to file, line and key.
    """
    model: type[PluginSettings] = cls.Settings  # type: ignore[attr-defined]  # checked by import_plugin
    return model.model_validate(table)


def place_of(error: BaseException, path: Path) -> str:
    """Return "file, line N" of the innermost frame inside a plugin's file, else its file alone."""
    folder = path.parent if path.name == "__init__.py" else path
    for frame in reversed(traceback.extract_tb(error.__traceback__)):
        if frame.filename.startswith(str(folder)):
            return f"{frame.filename}, line {frame.lineno}"
    return str(path)
