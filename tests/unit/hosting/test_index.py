"""Plugins are found without being imported; what is wrong with one is said and disables only that one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from bridge.hosting.importing import import_plugin
from bridge.hosting.index import PluginError, PluginIndex, PluginMissing, bind_shipped

GOOD = '''"""Gives nothing."""
from bridge.contract import PluginSettings, Source
class Quiet(Source[PluginSettings]):
    """Gives nothing."""
    def read(self):
        return None
'''


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sources").mkdir()
    (tmp_path / "sinks").mkdir()
    return tmp_path


def put(folder: Path, name: str, text: str) -> None:
    (folder / "sources" / name).write_text(text, encoding="utf-8")


def test_a_plugin_is_indexed_without_running_it(folder: Path) -> None:
    put(
        folder, "bomb.py", '"""A summary."""\nREQUIRES = {"numpy": "numpy"}\nraise SystemExit("it was run")\n'
    )
    entry = PluginIndex(folder).find("source", "bomb")
    assert (entry.summary, entry.requires, entry.origin) == ("A summary.", {"numpy": "numpy"}, str(folder))
    with pytest.raises(SystemExit):
        import_plugin(entry)


def test_files_and_folders_of_both_places_are_found(folder: Path) -> None:
    put(folder, "quiet.py", GOOD)
    package = folder / "sources" / "packed"
    package.mkdir()
    (package / "__init__.py").write_text(
        GOOD.replace("from bridge", "from .part import NUMBER\nfrom bridge"), encoding="utf-8"
    )
    (package / "part.py").write_text("NUMBER = 5\n", encoding="utf-8")
    (folder / "sources" / "_private.py").write_text("", encoding="utf-8")
    index = PluginIndex(folder)
    names = {(entry.kind, entry.name) for entry in index.entries()}
    assert {("source", "quiet"), ("source", "packed"), ("source", "udp"), ("sink", "null")} <= names
    assert ("source", "_private") not in names
    assert index.load("source", "quiet").__name__ == "Quiet"
    assert index.load("source", "packed") is index.load("source", "packed")


def test_two_of_one_name_are_refused_naming_both(folder: Path) -> None:
    put(folder, "udp.py", GOOD)
    with pytest.raises(PluginError, match=r"two source plugins are called 'udp'.*udp\.py.*udp\.py"):
        PluginIndex(folder)


def test_a_missing_dependency_comes_with_its_pip_line(folder: Path) -> None:
    put(folder, "needs.py", '"""x"""\nREQUIRES = {"no_such_module": "no-such-thing"}\n' + GOOD)
    put(folder, "imports.py", '"""x"""\nimport no_such_module_either\n' + GOOD)
    index = PluginIndex(folder)
    with pytest.raises(PluginMissing, match="pip install no-such-thing"):
        index.load("source", "needs")
    with pytest.raises(PluginMissing, match="pip install no_such_module_either"):
        index.load("source", "imports")
    assert index.load("sink", "null").__name__ == "Null"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("def broken(:\n", r"bad\.py, line 1"),
        ("x = 1 / 0\n", r"bad\.py, line 1: ZeroDivisionError"),
        ('"""nothing"""\n', "exactly one subclass of Source or StreamingSource; found: none"),
        (GOOD + GOOD.replace("Quiet", "Second"), "found: Quiet, Second"),
        (GOOD.replace("def read", "def reed"), "lacks read"),
        (
            GOOD.replace('    """Gives nothing."""\n', "    Settings = dict\n"),
            "must be a subclass of PluginSettings",
        ),
        ("from bridge.contract import nonsense\n", r"bad\.py, line 1"),
    ],
)
def test_what_is_wrong_with_a_plugin_is_said_with_its_place(folder: Path, text: str, words: str) -> None:
    put(folder, "bad.py", text)
    with pytest.raises(PluginError, match=words):
        PluginIndex(folder).load("source", "bad")


def test_unknown_names_list_the_known_ones() -> None:
    with pytest.raises(PluginError, match="shared_memory"):
        PluginIndex().find("source", "sharedmemory")
    with pytest.raises(PluginError, match="does not exist"):
        PluginIndex(Path("/no/such/folder"))


def test_the_shipped_folder_owns_the_name_plugins() -> None:
    module = sys.modules["plugins"]
    assert bind_shipped() is module
    sys.modules["plugins"] = type(sys)("plugins")
    try:
        assert bind_shipped().__path__
    finally:
        bind_shipped()
