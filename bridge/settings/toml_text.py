"""Read TOML that people wrote, and point at the line of any key in it.

Parsing is the standard library's; it forgets where a key stood, so a small scanner finds the lines again.
This module does not know which keys are meant to exist.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

LARGEST_FILE = 1_000_000
"""Bytes; a settings file of a megabyte is a mistake."""
Key = tuple[str | int, ...]


class Problem(NamedTuple):
    """One thing wrong in a file, for a person to mend."""

    file: str
    line: int
    """1 for the first; 0 where no line can be named."""
    key: str
    found: str
    """What stands there."""
    allowed: str
    """What may stand there, or what to do."""

    def __str__(self) -> str:
        place = f"{self.file}, line {self.line}" if self.line else self.file
        key = f", {self.key}" if self.key else ""
        found = f": {self.found}" if self.found else ""
        return f"{place}{key}{found}; {self.allowed}"


class TomlText(NamedTuple):
    """A parsed file and its text."""

    file: str
    text: str
    data: dict[str, Any]

    def line_of(self, key: Sequence[str | int]) -> int:
        """Return the line where a key stands, else that of its nearest parent, else 0."""
        lines = key_lines(self.text)
        wanted = tuple(str(part) for part in key)
        for length in range(len(wanted), 0, -1):
            if wanted[:length] in lines:
                return lines[wanted[:length]]
        return 0


def read_toml(path: Path) -> tuple[TomlText | None, list[Problem]]:
    """Read and parse a file; never raises for what the file is or holds."""
    name = str(path)

    def trouble(found: str, allowed: str, line: int = 0) -> tuple[None, list[Problem]]:
        return None, [Problem(name, line, "", found, allowed)]

    try:
        if path.is_dir():
            return trouble("a folder", "name a file")
        if path.stat().st_size > LARGEST_FILE:
            return trouble("more than 1 MB", "is this the right file?")
        raw = path.read_bytes()
    except FileNotFoundError:
        return trouble("no such file", "check the path, or write one with 'draglink settings --write'")
    except OSError as error:
        return trouble(error.strerror or str(error), "make it readable for you")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        return trouble(f"byte 0x{raw[error.start]:02x}", "save the file as UTF-8", line)
    return parse_toml(text, name)


def parse_toml(text: str, name: str) -> tuple[TomlText | None, list[Problem]]:
    """Parse TOML text; a syntax error becomes a problem with its line."""
    try:
        return TomlText(name, text, tomllib.loads(text)), []
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        message = str(error) or type(error).__name__
        at = re.search(r"\(at line (\d+), column \d+\)", message)
        line = int(at.group(1)) if at else (len(text.splitlines()) or 1)
        words = re.sub(r" \(at .*\)$", "", message)
        return None, [Problem(name, line, "", "not TOML", f"{words[0].lower()}{words[1:]}")]


_BARE = r"[A-Za-z0-9_-]+"
_PART = rf"(?:{_BARE}|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*')"
_KEY = re.compile(rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*")
_ASSIGNED = re.compile(rf"[ \t]*({_KEY.pattern})[ \t]*=")
_HEADER = re.compile(rf"[ \t]*(\[\[?)[ \t]*({_KEY.pattern})[ \t]*\]")
_SKIP = re.compile(r"\"\"\".*?\"\"\"|'''.*?'''|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'|#[^\n]*", re.DOTALL)


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part[1:-1] if part[0] in "\"'" else part for part in re.findall(_PART, key))


def key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Return the line (1 = first) of every key and table header, by its full path as texts."""
    lines: dict[tuple[str, ...], int] = {}
    tables: dict[tuple[str, ...], int] = {}
    prefix: tuple[str, ...] = ()
    position = 0
    while position < len(text):
        line = text.count("\n", 0, position) + 1
        header = _HEADER.match(text, position)
        assigned = _ASSIGNED.match(text, position)
        end = text.find("\n", position)
        end = len(text) if end < 0 else end
        if header:
            prefix = _parts(header.group(2))
            if header.group(1) == "[[":
                number = tables.get(prefix, -1) + 1
                tables[prefix] = number
                lines.setdefault(prefix, line)
                prefix = (*prefix, str(number))
            lines.setdefault(prefix, line)
        elif assigned:
            key = (*prefix, *_parts(assigned.group(1)))
            lines.setdefault(key, line)
            end = _value(text, assigned.end(), key, lines)
        position = end + 1
    return lines


def _value(text: str, position: int, key: tuple[str, ...], lines: dict[tuple[str, ...], int]) -> int:
    """Walk over a value, noting the keys of inline tables and items of arrays; return where its line ends."""
    stack: list[tuple[str, tuple[str, ...], int]] = []
    here = key
    while position < len(text):
        character = text[position]
        skipped = _SKIP.match(text, position)
        inline = _ASSIGNED.match(text, position) if stack and stack[-1][0] == "{" else None
        if inline:
            here = (*stack[-1][1], *_parts(inline.group(1)))
            lines.setdefault(here, text.count("\n", 0, inline.start(1)) + 1)
            position = inline.end()
            continue
        if skipped:
            position = skipped.end()
            continue
        if character in "{[":
            stack.append((character, here, 0))
            if character == "[":
                here = (*here, "0")
                lines.setdefault(here, text.count("\n", 0, position) + 1)
        elif character in "}]" and stack:
            here = stack.pop()[1]
        elif character == "," and stack and stack[-1][0] == "[":
            _, outer, number = stack.pop()
            stack.append(("[", outer, number + 1))
            here = (*outer, str(number + 1))
            following = re.match(r"\s*", text[position + 1 :])
            skip = following.end() if following else 0
            lines.setdefault(here, text.count("\n", 0, position + 1 + skip) + 1)
        elif character == "\n" and not stack:
            return position
        position += 1
    return position


def nearest(name: str, known: Iterable[str]) -> str:
    """Return "did you mean 'x'?" for the closest known name, or nothing."""
    close = difflib.get_close_matches(name, list(known), 1, 0.6)
    return f"did you mean '{close[0]}'?" if close else ""


def dotted(key: Sequence[str | int]) -> str:
    """Write a key path as people do: ``sinks.haptic.device``, ``tyres[2]``."""
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def problems_of(
    error: ValidationError, source: TomlText, known: Mapping[str, Iterable[str]], prefix: Key = ()
) -> list[Problem]:
    """Turn a model's complaints into problems at their lines.

    Args:
        error: what pydantic raised.
        source: the file that was validated.
        known: dotted table -> its keys, for "did you mean".
        prefix: where in the file the validated table stands.
    """
    found: list[Problem] = []
    for detail in error.errors(include_url=False):
        key = (*prefix, *(part for part in detail["loc"] if not str(part).startswith("function-")))
        text = detail["msg"].removeprefix("Value error, ")
        value = detail.get("input")
        shown = repr(value) if isinstance(value, (str, int, float, bool)) else ""
        if detail["type"] == "extra_forbidden":
            names = list(known.get(dotted(key[:-1]), ()))
            hint = nearest(str(key[-1]), names)
            allowed = "there is no such key" + (
                hint or (f"; known: {', '.join(sorted(names))}" if names else "")
            )
            shown = "unknown key"
        elif detail["type"] == "missing":
            shown, allowed = "missing", "write this key"
        else:
            allowed = text[0].lower() + text[1:] if text[:2] != text[:2].upper() else text
        found.append(Problem(source.file, source.line_of(key), dotted(key), shown, allowed))
    return found
