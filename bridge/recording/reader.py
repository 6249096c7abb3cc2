"""Reads recordings, whole or cut or damaged: every whole chunk is used, what is lost is said.

This module does not know how recordings come about. To run one again see `bridge.recording.order`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from bridge.contract import Frame
from bridge.recording.channels import CHANNELS
from bridge.recording.chunks import NotMcap, pieces
from bridge.recording.layout import (
    FORMAT,
    Column,
    empty_columns,
    frame_from_map,
    from_columns,
    unpacked,
)

_SENSELESS = (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, RecursionError)
"""What a message that was not written by us may raise."""


class RecordedFrame(NamedTuple):
    """A frame as it went into the force path."""

    before: int
    """Sequence of the tick that came next."""
    arrival: float
    """Monotonic s."""
    frame: Frame
    raw: bytes | None
    """The bytes it was decoded from: another layout can decode them again."""


@dataclass
class Recording:
    """What a file holds."""

    path: Path
    about: dict[str, Any] = field(default_factory=dict)
    ticks: dict[str, Column] = field(default_factory=empty_columns)
    """Column name -> one number a tick (`array.array`); see FORMAT.md."""
    frames: list[RecordedFrame] = field(default_factory=list)
    inputs: list[dict[str, Any]] = field(default_factory=list)
    settings: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    drops: list[dict[str, Any]] = field(default_factory=list)
    """What the recorder had to leave out."""
    lost: list[str] = field(default_factory=list)
    """What could not be read, in words; empty for a whole file."""

    @property
    def whole(self) -> bool:
        """Whether the file was finished and every part of it is good."""
        return not self.lost

    @property
    def dropped_blocks(self) -> int:
        """Blocks of ticks that the recorder had to leave out."""
        return sum(int(row.get("blocks", 0)) for row in self.drops)

    @property
    def duration(self) -> float:
        """From the first to the last tick, s."""
        now = self.ticks["now"]
        return float(now[-1] - now[0]) if now else 0.0

    def gaps(self) -> list[tuple[int, int]]:
        """Return (first, last) sequence of each run of ticks that is missing between two that are there."""
        sequence = self.ticks["sequence"]
        return [(before + 1, after - 1) for before, after in pairwise(sequence) if after > before + 1]


class NotARecording(Exception):
    """The file is no recording of ours, or of a newer format; the message says which."""


def read_recording(path: Path, channels: Collection[str] = CHANNELS) -> Recording:
    """Read a file.

    Args:
        path: the file.
        channels: which channels to decode; the others stay empty.

    Raises:
        NotARecording: not an MCAP file of draglink, or of a newer format.
        OSError: it cannot be read.
    """
    recording = Recording(path)
    ours = False
    for topic, content in messages(path, recording.lost, {*channels, "about"}):
        ours = True
        try:
            _take(recording, topic, content)
        except _SENSELESS as error:
            recording.lost.append(f"a message on '{topic}' makes no sense ({type(error).__name__})")
    if not ours:
        raise NotARecording(f"{path} is an MCAP file, but not a draglink recording, or holds nothing yet")
    return recording


def messages(path: Path, lost: list[str], channels: Collection[str] = CHANNELS) -> Iterator[tuple[str, Any]]:
    """Yield (channel, content) of every whole message on these channels; constant memory.

    What is lost is added to `lost`, in words.

    Raises:
        NotARecording: the file does not begin as MCAP does, or is of a newer format.
        OSError: it cannot be read.
    """
    try:
        for piece in pieces(path, lost):
            if piece.topic not in channels:
                continue
            try:
                content = unpacked(piece.payload)
            except ValueError as error:
                lost.append(f"a message on '{piece.topic}' is {error}")
                continue
            if piece.topic == "about":
                _check_format(path, content)
            yield piece.topic, content
    except NotMcap:
        raise NotARecording(f"{path} is not an MCAP file") from None


def _check_format(path: Path, about: Any) -> None:
    found = about.get("format") if isinstance(about, dict) else None
    if isinstance(found, int) and found > FORMAT:
        raise NotARecording(f"{path} has format {found}; this version reads up to {FORMAT}")


def _take(recording: Recording, topic: str, content: Any) -> None:
    if topic == "ticks":
        columns = from_columns(content)
        for name, column in columns.items():
            kept = recording.ticks[name]
            if column.typecode == kept.typecode:
                kept += column
            else:
                kept.extend(column)
    elif topic == "frames":
        rows = [
            RecordedFrame(before, arrival, frame_from_map(fields), raw)
            for before, arrival, fields, raw, *_ in content["rows"]
        ]
        recording.frames += rows
    elif topic == "about":
        recording.about.update(content)
    else:
        if not isinstance(content.get("time"), (int, float)) or not isinstance(content.get("before"), int):
            raise ValueError("no time or place")
        getattr(recording, topic).append(content)
