"""Read TOML that people wrote, and turn complaints about it into problems with file, line and key.

This module does not know which keys are meant to exist.
"""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from bridge.settings.toml_lines import key_map

LARGEST_FILE = 1_000_000
"""Bytes; a settings file of a megabyte is a mistake."""
MOST_PROBLEMS = 50
"""More than this many are summed up: nobody reads them, and they would flood the log."""
_LONGEST_SHOWN = 80
_LONGEST_MESSAGE = 300
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
    hint: str = ""
    """A guess at what was meant, as a sentence; empty where there is none."""

    def __str__(self) -> str:
        place = f"{self.file}, line {self.line}" if self.line else self.file
        key = f", {self.key}" if self.key else ""
        found = f": {self.found}" if self.found else ""
        hint = f"; {self.hint}" if self.hint else ""
        return f"{place}{key}{found}; {self.allowed}{hint}"


class TomlText(NamedTuple):
    """A parsed file and its text."""

    file: str
    text: str
    data: dict[str, Any]

    def line_of(self, key: Sequence[str | int]) -> int:
        """Return the line where a key stands, else that of its nearest parent, else 0."""
        return key_map(self.text).line_of(tuple(str(part) for part in key))


def read_toml(path: Path) -> tuple[TomlText | None, list[Problem]]:
    """Read and parse a file; never raises for what the file is or holds."""
    name = str(path)
    try:
        raw = _read(path)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        found, allowed = _unreadable(error)
        return None, [Problem(name, 0, "", found, allowed)]
    return decode_toml(raw, name)


def decode_toml(raw: bytes, name: str) -> tuple[TomlText | None, list[Problem]]:
    """Parse a file's bytes; `name` stands for the file in problems."""
    if len(raw) > LARGEST_FILE:
        return None, [Problem(name, 0, "", "more than 1 MB", "is this the right file?")]
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        key = dotted(key_map(raw.decode("utf-8-sig", errors="replace")).key_at(line))
        return None, [Problem(name, line, key, f"byte 0x{raw[error.start]:02x}", "save the file as UTF-8")]
    return parse_toml(text, name)


def _read(path: Path) -> bytes:
    """Return the file's bytes, one more than allowed at most; a pipe or a device would never end."""
    if stat.S_ISDIR(mode := path.stat().st_mode):
        raise IsADirectoryError
    if not stat.S_ISREG(mode):
        raise OSError(0, "not a regular file")
    with path.open("rb") as file:
        return file.read(LARGEST_FILE + 1)


def _unreadable(error: OSError | ValueError) -> tuple[str, str]:
    if isinstance(error, FileNotFoundError):
        return "no such file", "check the path, or write one with 'draglink settings --write'"
    if isinstance(error, IsADirectoryError):
        return "a folder", "name a file"
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return reason, "make it a file that you may read"


def parse_toml(text: str, name: str) -> tuple[TomlText | None, list[Problem]]:
    """Parse TOML text; a syntax error becomes a problem with its line, column and the key it is at."""
    try:
        return TomlText(name, text, tomllib.loads(text)), []
    except RecursionError:
        problem = "nested too deeply", "no setting needs tables in tables in tables"
        return None, [Problem(name, 0, "", *problem)]
    except ValueError as error:  # TOMLDecodeError is one; so is an integer of more than 4300 digits
        message = str(error)
        at = re.search(r" \(at line (\d+), column (\d+)\)$", message)
        line = int(at.group(1)) if at else _last_line(text)
        found = f"not TOML at column {at.group(2)}" if at else "not TOML"
        words = re.sub(r" \(at .*\)$", "", message) or "error"
        key = dotted(key_map(text).key_at(line))
        return None, [Problem(name, line, key, found, f"{words[0].lower()}{words[1:]}")]


def _last_line(text: str) -> int:
    return text.rstrip("\n").count("\n") + 1


def nearest(name: str, known: Iterable[str]) -> str:
    """Return "did you mean 'x'?" for the closest known name, or nothing."""
    close = difflib.get_close_matches(name[:_LONGEST_SHOWN], list(known), 1, 0.6)
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
    """Turn a model's complaints into problems at their lines, in the order of the file.

    Args:
        error: what pydantic raised.
        source: the file that was validated.
        known: dotted table -> its keys, for "did you mean".
        prefix: where in the file the validated table stands.
    """
    details = error.errors(include_url=False)
    found: list[Problem] = []
    for detail in details[:MOST_PROBLEMS]:
        key = (*prefix, *(part for part in detail["loc"] if not str(part).startswith("function-")))
        texts = _unknown(key, known) if detail["type"] == "extra_forbidden" else _wrong(detail)
        found.append(Problem(source.file, source.line_of(key), dotted(key), *texts))
    found.sort(key=lambda problem: problem.line)
    if len(details) > MOST_PROBLEMS:
        more = f"{len(details) - MOST_PROBLEMS} more mistakes"
        found.append(Problem(source.file, 0, "", more, "mend the first ones, then look again"))
    return found


def _unknown(key: Key, known: Mapping[str, Iterable[str]]) -> tuple[str, str, str]:
    """Return found, allowed and hint for a key that does not exist."""
    names = sorted(known.get(dotted(key[:-1]), ()))
    allowed = f"known here: {', '.join(names)}" if names else "there is no such key"
    return "unknown key", allowed, nearest(str(key[-1]), names) or _elsewhere(str(key[-1]), known)


def _elsewhere(name: str, known: Mapping[str, Iterable[str]]) -> str:
    """Return the table where the key would be right."""
    tables = [table for table, names in known.items() if table and name in names]
    return f"'{name}' belongs in [{tables[0]}]" if len(tables) == 1 else ""


_KINDS = {
    "bool": "true or false",
    "int": "a whole number",
    "float": "a number",
    "string": "a text in quotes",
    "dict": "a table",
    "model": "a table",
    "list": "a list in brackets",
    "tuple": "a list in brackets",
}


def _wrong(detail: Mapping[str, Any]) -> tuple[str, str]:
    """Return found and allowed for a value that is not right."""
    if detail["type"] == "missing":
        return "missing", "write this key"
    value = detail.get("input")
    shown = _shown(value)
    kind, _, what = detail["type"].partition("_")
    if kind in _KINDS and what in ("type", "parsing", "from_float"):
        return shown, _KINDS[kind]
    if detail["type"] == "literal_error":
        return shown, f"one of {detail['ctx']['expected']}"
    text = detail["msg"].removeprefix("Value error, ")
    if len(shown) < len(written := repr(value)):
        text = text.replace(written, shown)
    text = text[:_LONGEST_MESSAGE]
    shown = "" if isinstance(value, dict) else shown  # the keys of a table do not fit together
    return shown, text if text[:2].isupper() else text[0].lower() + text[1:]


def _shown(value: object) -> str:
    """Write a value as TOML would, short."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (str, int, float)):
        text = repr(value) if not isinstance(value, int) or abs(value) < 10**20 else "a huge number"
        return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."
    return f"a {type(value).__name__}" if value is not None else ""
