"""How ticks and frames are laid out in a recording; shared by writer and reader. See FORMAT.md.

This module does not know the container, nor where messages come from.
"""

from __future__ import annotations

import struct
import sys
from array import array
from collections.abc import Mapping
from typing import Any, TypeAlias

import msgpack

from bridge.contract import Frame, Surface, Tyre, Tyres

FORMAT = 1
TICK = struct.Struct("<QdddIBBdddqd")
COLUMNS: tuple[tuple[str, str], ...] = (
    ("sequence", "Q"),
    ("now", "d"),
    ("started", "d"),
    ("torque", "d"),
    ("guards", "I"),
    ("due", "B"),
    ("wheel", "B"),
    ("wheel_time", "d"),
    ("angle", "d"),
    ("velocity", "d"),
    ("delivered", "q"),
    ("delivered_time", "d"),
)
"""Name and `struct` letter of each column, in the order of `TICK`."""

PLANES = "planes"
"""Value of ``order`` in a `ticks` message: first all lowest bytes, then all second bytes, ..."""
BEFORE_ALL = -1
"""``before`` of what came before the first tick that the recorder saw."""
_WIDTHS = {"Q": 8, "q": 8, "d": 8, "I": 4, "H": 2, "B": 1}
_BY_WIDTH = {1: "B", 2: "H", 4: "I", 8: "Q"}
_DEEPEST = 16
_SURFACES = {int(surface): surface for surface in Surface}

Column: TypeAlias = "array[Any]"


def empty_columns() -> dict[str, Column]:
    """Return every column, empty."""
    return {name: array(letter) for name, letter in COLUMNS}


def to_columns(rows: bytes) -> dict[str, Any]:
    """Turn packed rows of `TICK` into a `ticks` message."""
    count = len(rows) // TICK.size
    message: dict[str, Any] = {"count": count, "order": PLANES}
    columns = zip(*TICK.iter_unpack(rows), strict=True) if count else [() for _ in COLUMNS]
    for (name, letter), column in zip(COLUMNS, columns, strict=True):
        packed, width = struct.pack(f"<{count}{letter}", *column), _WIDTHS[letter]
        message[name] = b"".join(packed[byte::width] for byte in range(width))
    return message


def from_columns(message: Mapping[str, Any]) -> dict[str, Column]:
    """Turn a `ticks` message back into columns of numbers; unknown columns are ignored.

    Raises:
        ValueError, KeyError, TypeError: not such a message.
    """
    count = message["count"]
    return {name: _column(message[name], count, letter, message.get("order")) for name, letter in COLUMNS}


def _column(packed: bytes, count: int, letter: str, order: object) -> Column:
    width = len(packed) // count if count else _WIDTHS[letter]
    if width * count != len(packed) or width not in _BY_WIDTH:
        raise ValueError(f"{len(packed)} bytes are no column of {count} numbers")
    if order == PLANES:
        plain = bytearray(len(packed))
        for byte in range(width):
            plain[byte::width] = packed[byte * count : (byte + 1) * count]
        packed = bytes(plain)
    elif order is not None:
        raise ValueError(f"columns in the order '{order}' are of a later format")
    column = array(letter if width == _WIDTHS[letter] else _BY_WIDTH[width])
    column.frombytes(packed)
    if sys.byteorder == "big":
        column.byteswap()
    return column


def frame_to_map(frame: Frame) -> dict[str, Any]:
    """Return the fields of a frame that are given."""
    fields: dict[str, Any] = {
        name: value for name, value in zip(Frame._fields, frame, strict=True) if value is not None
    }
    if frame.tyres is not None:
        fields["tyres"] = [list(tyre) for tyre in frame.tyres]
    return fields


def frame_from_map(fields: Mapping[str, Any]) -> Frame:
    """Return the frame of such a map; unknown fields are ignored.

    A surface with a number that this version does not know stays that number.

    Raises:
        ValueError, TypeError: not such a map.
    """
    known = {name: value for name, value in fields.items() if name in Frame._fields}
    for name in ("index", "gear"):  # beyond 64 bits they are written as text
        if isinstance(known.get(name), str):
            known[name] = int(known[name])
    tyres = known.get("tyres")
    if tyres is not None:
        four = [Tyre(*row[: len(Tyre._fields)]) for row in tyres]
        known["tyres"] = Tyres(*(tyre._replace(surface=_surface(tyre.surface)) for tyre in four))
    return Frame(**known)


def _surface(code: Any) -> Any:
    return _SURFACES.get(code, code) if isinstance(code, int) else code


def packed(message: object) -> bytes:
    """Return a message as msgpack; what msgpack cannot hold becomes text. Never raises for its content."""
    try:
        return bytes(msgpack.packb(message))
    except (TypeError, ValueError, OverflowError):
        return bytes(msgpack.packb(plain(message)))


def unpacked(payload: bytes) -> Any:
    """Return what `packed` was given.

    Raises:
        ValueError: no msgpack message.
    """
    try:
        return msgpack.unpackb(payload, strict_map_key=False)
    except Exception as error:  # msgpack has exceptions of several families
        raise ValueError(f"not msgpack ({type(error).__name__})") from None


def plain(value: Any, depth: int = 0) -> Any:
    """Return a copy that msgpack can hold: numbers beyond 64 bits and unknown objects become text."""
    if value is None or isinstance(value, (bool, float, bytes)):
        return value
    if isinstance(value, int):
        return int(value) if -(2**63) <= value < 2**64 else str(value)
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    if depth < _DEEPEST:
        if isinstance(value, Mapping):
            return {_key(key): plain(entry, depth + 1) for key, entry in value.items()}
        if isinstance(value, (list, tuple, set, frozenset)):
            return [plain(entry, depth + 1) for entry in value]
    return _text(value)


def _key(key: Any) -> Any:
    return plain(key) if isinstance(key, (str, int, float, bytes)) else _text(key)


def _text(value: object) -> Any:
    try:
        return plain(str(value))
    except Exception:  # it is somebody else's __str__
        return f"<{type(value).__name__}>"
