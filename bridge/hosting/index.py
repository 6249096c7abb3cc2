"""Which plugins there are, found by path and read without importing them.

The shipped folder and the user's drop-in folder go through the same code. The shipped one is bound as the
package ``plugins`` before anything else can take that name; the user's folder is never merged into it: its
files get a private name each.

This module does not know which plugins are configured or how they run.
"""

from __future__ import annotations

import ast
import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Literal, NamedTuple

Kind = Literal["source", "sink"]
KINDS: tuple[Kind, ...] = ("source", "sink")
BUILT_IN = "built-in"


class PluginError(Exception):
    """A plugin that cannot be used; the message says why and what to do."""


class PluginMissing(PluginError):
    """A plugin whose dependency is missing: it disables only itself."""


class Entry(NamedTuple):
    """What is known of a plugin without importing it."""

    kind: Kind
    name: str
    path: Path
    origin: str
    """"built-in", or the user's folder."""
    summary: str
    """First line of its docstring."""
    requires: dict[str, str]
    """Module -> what to give to pip."""
    problem: str
    """Why it can't even be read; empty if it can."""


def shipped_folder() -> Path:
    """Return the folder of the built-in plugins: in the checkout, or inside the installed package."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_plugins"
    return installed if installed.is_dir() else package.parent / "plugins"


def bind_shipped() -> ModuleType:
    """Bind the shipped folder as the package ``plugins``; do it before anything else can."""
    folder = shipped_folder()
    present = sys.modules.get("plugins")
    if present is not None and [str(folder)] == list(getattr(present, "__path__", [])):
        return present
    for name in [name for name in sys.modules if name == "plugins" or name.startswith("plugins.")]:
        del sys.modules[name]
    module = ModuleType("plugins", "draglink's own plugins.")
    module.__path__ = [str(folder)]
    sys.modules["plugins"] = module
    for kind in KINDS:
        child = ModuleType(f"plugins.{kind}s")
        child.__path__ = [str(folder / f"{kind}s")]
        sys.modules[child.__name__] = child
        setattr(module, f"{kind}s", child)
    return module


class PluginIndex:
    """All plugins found, by kind and name."""

    def __init__(self, user_folder: Path | None = None) -> None:
        """Look at the shipped folder and, if given, at the user's.

        Raises:
            PluginError: two plugins of one kind have the same name, or the user's folder doesn't exist.
        """
        self._entries: dict[tuple[Kind, str], Entry] = {}
        self._classes: dict[tuple[Kind, str], type] = {}
        folders = [(shipped_folder(), BUILT_IN)]
        if user_folder is not None:
            if not user_folder.is_dir():
                raise PluginError(
                    f"the plugin folder {user_folder} does not exist; create it with subfolders "
                    "'sources' and 'sinks', or empty [service] user_plugins"
                )
            folders.append((user_folder, str(user_folder)))
        for folder, origin in folders:
            for entry in _scan(folder, origin):
                key = (entry.kind, entry.name)
                if key in self._entries:
                    raise PluginError(
                        f"two {entry.kind} plugins are called '{entry.name}': {self._entries[key].path} and "
                        f"{entry.path}; rename one of them"
                    )
                self._entries[key] = entry

    def entries(self) -> list[Entry]:
        """Return all plugins, sources first, by name."""
        return sorted(self._entries.values(), key=lambda entry: (entry.kind == "sink", entry.name))

    def find(self, kind: Kind, name: str) -> Entry:
        """Return one entry.

        Raises:
            PluginError: there is none of that name; the message lists those there are.
        """
        entry = self._entries.get((kind, name))
        if entry is None:
            there_are = ", ".join(sorted(n for k, n in self._entries if k == kind))
            raise PluginError(f"there is no {kind} plugin '{name}'; there are: {there_are}")
        return entry

    def load(self, kind: Kind, name: str) -> type:
        """Import a plugin and return its class; once, afterwards from memory.

        Raises:
            PluginMissing: a dependency is missing; the message holds the pip line that mends it.
            PluginError: it can't be imported or isn't a plugin; the message says where.
        """
        key = (kind, name)
        if key not in self._classes:
            from bridge.hosting.importing import import_plugin  # noqa: PLC0415 - only configured plugins pay

            self._classes[key] = import_plugin(self.find(kind, name))
        return self._classes[key]


def _scan(folder: Path, origin: str) -> Iterator[Entry]:
    for kind in KINDS:
        place = folder / f"{kind}s"
        if not place.is_dir():
            continue
        for path in sorted(place.iterdir()):
            if path.name.startswith(("_", ".")):
                continue
            if path.is_dir() and (path / "__init__.py").is_file():
                yield _read(kind, path.name, path / "__init__.py", origin)
            elif path.suffix == ".py":
                yield _read(kind, path.stem, path, origin)


def _read(kind: Kind, name: str, path: Path, origin: str) -> Entry:
    """Read a plugin's docstring and REQUIRES without running a line of it."""
    try:
        tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
    except SyntaxError as error:
        return Entry(kind, name, path, origin, "", {}, f"{path}, line {error.lineno}: {error.msg}")
    except (OSError, ValueError) as error:
        return Entry(kind, name, path, origin, "", {}, f"{path}: {error}")
    summary = (ast.get_docstring(tree) or "").partition("\n")[0].strip()
    return Entry(kind, name, path, origin, summary, requires_of(tree), "")


def requires_of(tree: ast.Module) -> dict[str, str]:
    """Return a plugin's literal REQUIRES, module -> pip name, without running it."""
    for node in tree.body:
        if isinstance(node, ast.Assign):
            names = [target.id for target in node.targets if isinstance(target, ast.Name)]
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names = [node.target.id]
        else:
            continue
        if "REQUIRES" in names and node.value is not None:
            try:
                value = ast.literal_eval(node.value)
            except ValueError:
                return {}
            return {str(k): str(v) for k, v in value.items()} if isinstance(value, dict) else {}
    return {}


def missing_requirements(entry: Entry) -> dict[str, str]:
    """Return those of the entry's requirements that are not installed."""
    return {module: pip for module, pip in entry.requires.items() if importlib.util.find_spec(module) is None}
