"""The channels of a recording with the schemas that are embedded in every file. See FORMAT.md.

The order is part of the format: a channel's number in the file is its place here, counted from 1, so that a
file whose first chunk is damaged stays readable. Append only.
"""

from __future__ import annotations

import json
from typing import Any

from bridge.contract import Frame, Tyre

_NUMBER, _WHOLE, _TEXT, _BYTES = "number", "integer", "string", "bytes"


def _field(kind: str, words: str) -> dict[str, Any]:
    if kind == _BYTES:  # JSON Schema has no bytes; its own annotation for them
        return {"type": "string", "contentEncoding": "binary", "description": words}
    return {"type": kind, "description": words}


def _column(kind: str, words: str) -> dict[str, Any]:
    return {**_field(_BYTES, words), "x-column": kind}


_BEFORE = _field(_WHOLE, "Sequence of the tick that came next; -1: before the first tick.")
_TIME = _field(_NUMBER, "Monotonic clock, s.")

_CHANNELS: dict[str, tuple[str, dict[str, Any]]] = {
    "about": (
        "Versions, platform, clocks and wheel of the session; first, and again when more is known.",
        {
            "format": _field(_WHOLE, "Version of the format."),
            "version": _field(_TEXT, "Version of draglink."),
            "python": _field(_TEXT, "Version of Python."),
            "platform": _field(_TEXT, "Operating system and machine."),
            "packages": _field("object", "Package -> version, of those that shape the file."),
            "monotonic": _field(_NUMBER, "Monotonic clock, s, at the same instant as `wall`."),
            "wall": _field(_NUMBER, "Wall clock, s since 1970."),
            "wheel": _field(
                "object", "peak_torque (N m) and rotation (rad, lock to lock) of the user's wheel."
            ),
        },
    ),
    "ticks": (
        "A block of ticks in columns: `count` numbers each, little endian, byte planes (see `order`).",
        {
            "count": _field(_WHOLE, "Ticks in this block."),
            "order": _field(_TEXT, "'planes': all lowest bytes, then all second bytes, ...; absent: plain."),
            "sequence": _column("u64", "Number of the tick since the start of the force path."),
            "now": _column("f64", "Time argument of the tick (its deadline), monotonic s."),
            "started": _column("f64", "When it really started, monotonic s."),
            "torque": _column("f64", "The command, N m at the rim."),
            "guards": _column("u32", "What the governor did: bits of `Guard`."),
            "due": _column("u8", "1: the device was to be written at this tick."),
            "wheel": _column("u8", "0: no wheel state went in; 1: one without a velocity; 3: one with it."),
            "wheel_time": _column("f64", "Time of the wheel state, monotonic s; 0 if there was none."),
            "angle": _column("f64", "Angle at the rim, rad; 0 if there was none."),
            "velocity": _column("f64", "rad/s; 0 if there was none."),
            "delivered": _column("i64", "Last command that the device had taken; -1: none."),
            "delivered_time": _column("f64", "When its write returned, monotonic s; 0 if there was none."),
        },
    ),
    "frames": (
        "Frames in the order they went into the force path, with the bytes they came from.",
        {
            "rows": {
                "type": "array",
                "description": "[before, arrival (monotonic s), fields that are given, raw bytes or nil]",
                "x-fields": list(Frame._fields),
                "x-tyre-fields": list(Tyre._fields),
            }
        },
    ),
    "inputs": (
        "Other inputs of the force path, in their order.",
        {
            "before": _BEFORE,
            "time": _TIME,
            "kind": _field(_TEXT, "parameters, calm, resume, restart, or a later one."),
            "content": _field("object", "All parameters in SI, or the facts of the input."),
            "configured": _field(
                "boolean",
                "Of `parameters`. true: the force path was given them here; false: they were in force.",
            ),
        },
    ),
    "settings": (
        "The whole text of the settings file.",
        {"before": _BEFORE, "time": _TIME, "file": _field(_TEXT, "Its path."), "text": _field(_TEXT, "It.")},
    ),
    "events": (
        "Log events, with their facts beside these fields.",
        {
            "before": _BEFORE,
            "time": _TIME,
            "wall": _field(_NUMBER, "Wall clock, s since 1970."),
            "event": _field(_TEXT, "Name in the event catalogue."),
        },
    ),
    "drops": (
        "What is missing just before this place because the disk was slower than the drive.",
        {
            "before": _BEFORE,
            "time": _TIME,
            "blocks": _field(_WHOLE, "Blocks of ticks that are missing."),
            "ticks": _field(_WHOLE, "Ticks that are missing."),
            "frames": _field(_WHOLE, "Frames that are missing."),
            "others": _field(_WHOLE, "Inputs and events that are missing."),
        },
    ),
}

CHANNELS: tuple[str, ...] = tuple(_CHANNELS)


def schema(channel: str) -> bytes:
    """Return the JSON Schema of a channel's messages."""
    words, fields = _CHANNELS[channel]
    return json.dumps(
        {"title": f"draglink.{channel}", "type": "object", "description": words, "properties": fields}
    ).encode()
