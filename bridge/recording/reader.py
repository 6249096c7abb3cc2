"""Reads recordings, whole or cut or damaged: every whole chunk is used, what is lost is said.

This module does not know how recordings come about.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import msgpack
from mcap.exceptions import McapError
from mcap.records import Channel, Chunk, DataEnd, Footer, Header, Message
from mcap.stream_reader import CRCValidationError, StreamReader, breakup_chunk
from zstandard import ZstdError

from bridge.contract import Frame
from bridge.recording.layout import COLUMNS, FORMAT, frame_from_map, from_columns

_LARGEST_RECORD = 64_000_000
"""Bytes; a damaged length must not fill the memory."""
_BROKEN = (
    McapError,
    CRCValidationError,
    ZstdError,
    struct.error,
    ValueError,
    KeyError,
    TypeError,
    EOFError,
    MemoryError,
    OverflowError,
)
"""What the libraries raise for bytes that are not what they should be."""


class RecordedFrame(NamedTuple):
    """A frame as it went into the force path."""

    before: int
    """Sequence of the tick that came next."""
    arrival: float
    """Monotonic s."""
    frame: Frame
    raw: bytes | None


@dataclass
class Recording:
    """What a file holds."""

    path: Path
    about: dict[str, Any] = field(default_factory=dict)
    ticks: dict[str, list[Any]] = field(default_factory=lambda: {name: [] for name, _ in COLUMNS})
    """Column name -> one number a tick."""
    frames: list[RecordedFrame] = field(default_factory=list)
    inputs: list[dict[str, Any]] = field(default_factory=list)
    settings: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    dropped_blocks: int = 0
    lost: list[str] = field(default_factory=list)
    """What could not be read, in words; empty for a whole file."""

    @property
    def whole(self) -> bool:
        """Whether the file was finished and every part of it is good."""
        return not self.lost

    @property
    def duration(self) -> float:
        """From the first to the last tick, s."""
        now = self.ticks["now"]
        return float(now[-1] - now[0]) if now else 0.0


class NotARecording(Exception):
    """The file is no recording of ours, or of a newer format; the message says which."""


def read_recording(path: Path) -> Recording:
    """Read a whole file.

    Raises:
        NotARecording: not an MCAP file of draglink, or of a newer format.
        OSError: it cannot be opened.
    """
    recording = Recording(path)
    for topic, payload in messages(path, recording.lost):
        try:
            content = msgpack.unpackb(payload, strict_map_key=False)
            _take(recording, topic, content)
        except _BROKEN as error:
            recording.lost.append(f"a message on '{topic}' makes no sense ({type(error).__name__})")
        except msgpack.exceptions.UnpackException:
            recording.lost.append(f"a message on '{topic}' is not msgpack")
    if not recording.about and not recording.lost:
        raise NotARecording(f"{path} is an MCAP file, but not a draglink recording")
    if recording.about.get("format", FORMAT) > FORMAT:
        raise NotARecording(
            f"{path} has format {recording.about['format']}; this version reads up to {FORMAT}"
        )
    return recording


def _take(recording: Recording, topic: str, content: dict[str, Any]) -> None:
    if topic == "ticks":
        for name, values in from_columns(content).items():
            recording.ticks[name].extend(values)
    elif topic == "frames":
        for before, arrival, fields, raw, *_ in content["rows"]:
            recording.frames.append(RecordedFrame(before, arrival, frame_from_map(fields), raw))
    elif topic == "about":
        recording.about = content
    elif topic == "drops":
        recording.dropped_blocks += int(content["blocks"])
    elif topic in ("inputs", "settings", "events"):
        getattr(recording, topic).append(content)


def messages(path: Path, lost: list[str]) -> Iterator[tuple[str, bytes]]:
    """Yield (channel, payload) of every whole message; what is lost is added to `lost`, in words.

    Raises:
        NotARecording: the file does not begin as MCAP does.
        OSError: it cannot be opened.
    """
    channels: dict[int, str] = {}
    finished = False
    with path.open("rb") as stream:
        reader = StreamReader(stream, emit_chunks=True, validate_crcs=True, record_size_limit=_LARGEST_RECORD)
        records = iter(reader.records)
        number = 0
        while True:
            try:
                record = next(records)
            except StopIteration:
                break
            except _BROKEN as error:
                if number == 0:
                    raise NotARecording(f"{path} is not an MCAP file") from None
                lost.append(f"the file is cut or damaged after record {number} ({type(error).__name__})")
                return
            number += 1
            if isinstance(record, Channel):
                channels[record.id] = record.topic
            elif isinstance(record, Chunk):
                yield from _chunk(record, channels, lost)
            elif isinstance(record, (DataEnd, Footer)):
                finished = True
            elif isinstance(record, Header) and record.profile != "draglink":
                raise NotARecording(f"{path} is an MCAP file, but not a draglink recording")
    if not finished:
        lost.append("the file was not finished; at most the last second is missing")


def _chunk(chunk: Chunk, channels: dict[int, str], lost: list[str]) -> Iterator[tuple[str, bytes]]:
    try:
        inside = breakup_chunk(chunk, validate_crc=True)
    except _BROKEN as error:
        lost.append(f"a chunk is damaged ({type(error).__name__}); about half a second is missing there")
        return
    for record in inside:
        if isinstance(record, Channel):
            channels[record.id] = record.topic
        elif isinstance(record, Message):
            yield channels.get(record.channel_id, ""), record.data
