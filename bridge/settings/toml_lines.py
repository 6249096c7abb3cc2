"""Finds the line of every key in a TOML text: the standard library's parser forgets it.

One pass, in time proportional to the text. It is meant for text that parses, survives any text, and on text
that does not parse still finds the keys before the mistake. This module does not know which keys are meant
to exist.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

Path = tuple[str, ...]

_DEEPEST = 8
"""Tables of a dotted key beyond this depth get no line of their own (no settings are that deep)."""
_MOST_ITEMS = 1000
"""Items of an array beyond this number get no line of their own."""
_PART = r"(?:[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\[^\n])*\"|'[^'\n]*')"
_KEY = rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*"
_PARTS = re.compile(_PART)
_ASSIGNED = re.compile(rf"\s*({_KEY})[ \t]*=")
_HEADER = re.compile(rf"[ \t]*(\[\[?)[ \t]*({_KEY})[ \t]*\]")
_BLANK = re.compile(r"[ \t\r\n]*(?:#[^\n]*)?")
_TOKEN = re.compile(
    r"\"\"\"(?:[^\\]|\\.)*?\"\"\"\"{0,2}|'''.*?''''{0,2}|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'"
    r"|#[^\n]*|[ \t\r]+|[^\s\"'#\[\]{},]+|.",
    re.DOTALL,
)


class Entry(NamedTuple):
    """A key as it stands in the text."""

    path: Path
    first_line: int
    last_line: int
    """The last line of its value."""


class KeyMap(NamedTuple):
    """Where things stand in a text."""

    lines: Mapping[Path, int]
    """Line (1 = first) of every key, table and item of an array, by its full path as texts."""
    entries: tuple[Entry, ...]
    """Every key with a value, as they follow in the text, duplicates included."""

    def line_of(self, path: Path) -> int:
        """Return the line of a key, else that of its nearest parent, else 0."""
        for length in range(min(len(path), 2 * _DEEPEST), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 0

    def key_at(self, line: int) -> Path:
        """Return the key whose value covers a line, or nothing."""
        covering = [entry.path for entry in self.entries if entry.first_line <= line <= entry.last_line]
        return covering[-1] if covering else ()


@lru_cache(maxsize=2)
def key_map(text: str) -> KeyMap:
    """Find every key of a text; never raises."""
    scanner = _Scanner(text)
    scanner.run()
    return KeyMap(scanner.lines, tuple(scanner.entries))


class _Open:
    """An array or inline table whose end is still to come."""

    __slots__ = ("index", "is_array", "path")

    def __init__(self, path: Path, is_array: bool) -> None:
        self.path = path
        self.is_array = is_array
        self.index = 0


class _Scanner:
    """Walks over a text once."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._ends = [match.start() for match in re.finditer("\n", text)]
        self._arrays: dict[Path, int] = {}
        self.lines: dict[Path, int] = {}
        self.entries: list[Entry] = []

    def run(self) -> None:
        """Walk over headers and assignments."""
        text, position = self._text, 0
        table: Path = ()
        while True:
            blank = _BLANK.match(text, position)
            position = blank.end() if blank else position
            if position >= len(text):
                return
            header = _HEADER.match(text, position)
            assigned = None if header else _ASSIGNED.match(text, position)
            if header:
                table = self._open_table(header.group(2), header.group(1) == "[[", self._line(position))
                position = header.end()
            elif assigned:
                line = self._line(assigned.start(1))
                path = self._note((*table, *_parts(assigned.group(1))), line)
                position = self._value(assigned.end(), path)
                self.entries.append(Entry(path, line, self._line(max(position - 1, assigned.start(1)))))
            else:  # a comment's end, or a text that is no TOML: go on with the next line
                end = text.find("\n", position)
                position = len(text) if end < 0 else end + 1

    def _line(self, position: int) -> int:
        return bisect_left(self._ends, position) + 1

    def _note(self, path: Path, line: int) -> Path:
        for length in range(1, min(len(path), _DEEPEST) + 1):
            self.lines.setdefault(path[:length], line)
        self.lines.setdefault(path, line)
        return path

    def _open_table(self, key: str, is_array: bool, line: int) -> Path:
        """Return the path of a header's table; tables inside arrays of tables belong to the last item."""
        path: Path = ()
        parts = _parts(key)
        for number, part in enumerate(parts):
            path = (*path, part)
            last = number == len(parts) - 1
            if last and is_array:
                self._arrays[path] = self._arrays.get(path, -1) + 1
                self.lines.setdefault(path, line)
            if path in self._arrays:
                path = (*path, str(self._arrays[path]))
        return self._note(path, line)

    def _value(self, position: int, path: Path) -> int:
        """Walk over a value, noting keys and items inside; return where its line ends."""
        text, stack = self._text, list[_Open]()
        wants_key = wants_item = False
        while position < len(text):
            inside = _ASSIGNED.match(text, position) if wants_key else None
            if inside and stack:
                path = self._note((*stack[-1].path, *_parts(inside.group(1))), self._line(inside.start(1)))
                wants_key, position = False, inside.end()
                continue
            match = _TOKEN.match(text, position)
            token = match.group() if match else text[position]
            if token == "\n" and not stack:
                return position
            if wants_item and token[0] not in " \t\r\n#],}":
                wants_item = False
                if stack[-1].index < _MOST_ITEMS:
                    self.lines.setdefault(path, self._line(position))
            position += len(token)
            if token in ("[", "{"):
                stack.append(_Open(path, token == "["))
                wants_item, wants_key = token == "[", token == "{"
                path = (*path, "0") if wants_item else path
            elif token in ("]", "}") and stack:
                path, wants_item, wants_key = stack.pop().path, False, False
            elif token == "," and stack:
                here = stack[-1]
                here.index += 1
                wants_item, wants_key = here.is_array, not here.is_array
                path = (*here.path, str(here.index)) if here.is_array else here.path
        return position


def _parts(key: str) -> Path:
    return tuple(_unquoted(part) for part in _PARTS.findall(key))


def _unquoted(part: str) -> str:
    if part[0] == "'":
        return part[1:-1]
    if part[0] != '"':
        return part
    if "\\" not in part:
        return part[1:-1]
    try:
        return str(tomllib.loads(f"key = {part}")["key"])
    except tomllib.TOMLDecodeError:
        return part[1:-1]
