"""How ticks and frames are laid out in a recording; shared by writer and reader. See FORMAT.md."""

from __future__ import annotations

import struct
from typing import Any

from bridge.contract import Frame, Surface, Tyre, Tyres

FORMAT = 1
TICK = struct.Struct("<QdddHBBdddqd")
COLUMNS: tuple[tuple[str, str], ...] = (
    ("sequence", "Q"),
    ("now", "d"),
    ("started", "d"),
    ("torque", "d"),
    ("guards", "H"),
    ("due", "B"),
    ("wheel", "B"),
    ("wheel_time", "d"),
    ("angle", "d"),
    ("velocity", "d"),
    ("delivered", "q"),
    ("delivered_time", "d"),
)
"""Name and `struct` letter of each column, in the order of `TICK`."""

CHANNELS: dict[str, str] = {
    "about": "Versions, platform and clocks of the session; once, first.",
    "ticks": "A block of ticks in columns; little endian.",
    "frames": "Frames in the order they went into the force path, with the bytes they came from.",
    "inputs": "Other inputs of the force path: parameters, calm, resume, restart.",
    "settings": "The whole text of the settings file.",
    "events": "Log events.",
    "drops": "Blocks that are missing.",
}


def to_columns(rows: bytes) -> dict[str, Any]:
    """Turn packed rows of `TICK` into columns."""
    count = len(rows) // TICK.size
    columns = zip(*TICK.iter_unpack(rows), strict=True) if count else [() for _ in COLUMNS]
    packed = {
        name: struct.pack(f"<{count}{letter}", *column)
        for (name, letter), column in zip(COLUMNS, columns, strict=True)
    }
    return {"count": count, **packed}


def from_columns(message: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    """Turn a `ticks` message back into columns of numbers; unknown columns are ignored.

    Raises:
        ValueError, KeyError, struct.error: not such a message.
    """
    count = int(message["count"])
    return {name: struct.unpack(f"<{count}{letter}", message[name]) for name, letter in COLUMNS}


def frame_to_map(frame: Frame) -> dict[str, Any]:
    """Return the fields of a frame that are given."""
    fields: dict[str, Any] = {
        name: value for name, value in zip(Frame._fields, frame, strict=True) if value is not None
    }
    if frame.tyres is not None:
        fields["tyres"] = [list(tyre) for tyre in frame.tyres]
    return fields


def frame_from_map(fields: dict[str, Any]) -> Frame:
    """Return the frame of such a map; unknown fields are ignored.

    Raises:
        ValueError, TypeError: not such a map.
    """
    known = {name: value for name, value in fields.items() if name in Frame._fields}
    tyres = known.get("tyres")
    if tyres is not None:
        four = [Tyre(*row[: len(Tyre._fields)]) for row in tyres]
        surfaces = [
            tyre if tyre.surface is None else tyre._replace(surface=Surface(tyre.surface)) for tyre in four
        ]
        known["tyres"] = Tyres(*surfaces)
    return Frame(**known)
