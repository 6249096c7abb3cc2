"""The recorder's process: takes messages from its standard input and writes MCAP files.

It keeps the last minute in memory, writes it on request, and writes everything from the start in full mode.
When its input closes, however the daemon ended, it finishes its file. What goes wrong with a file ends that
file, is told on the standard output as one JSON line, and nothing else.
"""

from __future__ import annotations

import contextlib
import json
import struct
import sys
import time
from collections import deque
from pathlib import Path
from typing import IO, Any

import msgpack
from mcap.writer import CompressionType, IndexType, Writer

from bridge.recording.layout import CHANNELS, TICK, to_columns

_LENGTH = struct.Struct("<I")
_BLOCK_TIME = 0.5
"""A block on disk covers this time, s: a kill loses no more."""
_RING_BYTES = 64_000_000


class McapFile:
    """One file; every message is a chunk of its own and is on its way to the disk when `add` returns."""

    def __init__(self, path: Path, about: bytes, wall: float) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._stream = path.open("wb")
        try:
            self._writer = Writer(
                self._stream,
                chunk_size=1,
                compression=CompressionType.ZSTD,
                index_types=IndexType.CHUNK,
                enable_data_crcs=False,
            )
            self._writer.start(profile="draglink", library="draglink")
            self._channels = {}
            for name, words in CHANNELS.items():
                schema = json.dumps({"title": name, "type": "object", "description": words}).encode()
                number = self._writer.register_schema(
                    name=f"draglink.{name}", encoding="jsonschema", data=schema
                )
                self._channels[name] = self._writer.register_channel(
                    topic=name, message_encoding="msgpack", schema_id=number
                )
            self.add("about", wall, about)
        except BaseException:
            self._stream.close()
            raise

    def add(self, channel: str, wall: float, payload: bytes) -> None:
        """Append a message; `wall` in s."""
        stamp = int(wall * 1e9)
        self._writer.add_message(self._channels[channel], stamp, payload, stamp)
        self._stream.flush()

    def close(self) -> None:
        """Write the summary and close."""
        try:
            self._writer.finish()  # type: ignore[no-untyped-call]  # mcap leaves it unannotated
        finally:
            self._stream.close()

    def abandon(self) -> None:
        """Close without a summary; every whole chunk stays readable."""
        with contextlib.suppress(OSError):
            self._stream.close()


class Recorder:
    """Blocks in, files out."""

    def __init__(self, keep_seconds: float) -> None:
        self._ring: deque[tuple[float, str, bytes]] = deque()
        self._ring_bytes = 0
        self._keep_seconds = keep_seconds
        self._about = b""
        self._offset = 0.0
        self._file: McapFile | None = None
        self._rows = bytearray()
        self._frames: list[Any] = []
        self._since = 0.0
        self._context: dict[str, tuple[str, bytes]] = {}
        """The newest settings and parameters: a file that starts later begins with them."""

    def handle(self, message: list[Any]) -> None:
        """Obey one message of the daemon."""
        kind, *rest = message
        if kind == "about":
            self._about = msgpack.packb(rest[0])
            self._offset = rest[0]["wall"] - rest[0]["monotonic"]
        elif kind == "open":
            self._open(Path(rest[0]))
        elif kind == "keep":
            self._flush()
            self._keep(Path(rest[0]))
        elif kind == "block":
            self._block(*rest)
        else:
            self._flush()
            self._add(kind, float(rest[0]["time"]), msgpack.packb(rest[0]), rest[0])

    def _block(self, now: float, rows: bytes, frames: list[Any]) -> None:
        self._rows += rows
        self._frames += frames
        if now - self._since >= _BLOCK_TIME:
            self._flush()
            self._since = now

    def _flush(self) -> None:
        """Turn what was collected into messages."""
        rows, frames = bytes(self._rows), self._frames
        self._rows, self._frames = bytearray(), []
        if frames:
            self._add("frames", frames[-1][1], msgpack.packb({"rows": frames}))
        if rows:
            now = TICK.unpack_from(rows, len(rows) - TICK.size)[1]
            self._add("ticks", now, msgpack.packb(to_columns(rows)))

    def _add(self, channel: str, now: float, payload: bytes, content: dict[str, Any] | None = None) -> None:
        if channel == "settings" or (channel == "inputs" and content and content.get("kind") == "parameters"):
            self._context[channel] = (channel, payload)
        wall = now + self._offset
        self._ring.append((now, channel, payload))
        self._ring_bytes += len(payload)
        while self._ring and (now - self._ring[0][0] > self._keep_seconds or self._ring_bytes > _RING_BYTES):
            self._ring_bytes -= len(self._ring.popleft()[2])
        if self._file is not None:
            try:
                self._file.add(channel, wall, payload)
            except OSError as error:
                self._fail(self._file, error)
                self._file = None

    def _open(self, path: Path) -> None:
        try:
            self._file = McapFile(path, self._about, time.time())
            for channel, payload in self._context.values():
                self._file.add(channel, time.time(), payload)
            _tell("recording_started", path=str(path))
        except OSError as error:
            _tell("recording_failed", path=str(path), reason=error.strerror or str(error))

    def _keep(self, path: Path) -> None:
        try:
            file = McapFile(path, self._about, time.time())
            inside = {channel for _, channel, _ in self._ring}
            for channel, payload in self._context.values():
                if channel not in inside:
                    file.add(channel, time.time(), payload)
            for now, channel, payload in self._ring:
                file.add(channel, now + self._offset, payload)
            file.close()
            _tell("recording_kept", path=str(path))
        except OSError as error:
            _tell("recording_failed", path=str(path), reason=error.strerror or str(error))

    def _fail(self, file: McapFile, error: OSError) -> None:
        file.abandon()
        _tell("recording_failed", path=str(file.path), reason=error.strerror or str(error))

    def close(self) -> None:
        """Finish what is open."""
        self._flush()
        if self._file is not None:
            try:
                self._file.close()
            except OSError as error:
                self._fail(self._file, error)


def _tell(event: str, **facts: str) -> None:
    with contextlib.suppress(OSError):
        print(json.dumps({"event": event, **facts}), flush=True)


def _messages(stream: IO[bytes]) -> Any:
    while True:
        head = stream.read(_LENGTH.size)
        if len(head) < _LENGTH.size:
            return
        size = _LENGTH.unpack(head)[0]
        payload = stream.read(size)
        if len(payload) < size:
            return
        yield msgpack.unpackb(payload, strict_map_key=False)


def main() -> None:
    """Write until the daemon closes the pipe."""
    recorder = Recorder(float(sys.argv[1]))
    try:
        for message in _messages(sys.stdin.buffer):
            recorder.handle(message)
    finally:
        recorder.close()


if __name__ == "__main__":
    main()
