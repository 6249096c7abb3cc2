"""The recorder's process: takes messages from its standard input and writes MCAP files.

It keeps the last minute in memory, writes it on request, and writes everything from the start in full mode.
When its input closes, however the daemon ended, it finishes its file. What goes wrong with a file ends that
file, is told on the standard output as one JSON line, and nothing else. It does not know the force path.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import struct
import sys
import threading
import time
from pathlib import Path
from typing import IO, Any, NamedTuple

from bridge.recording.files import McapFile, tidy
from bridge.recording.layout import TICK, packed, to_columns, unpacked
from bridge.recording.ring import Item, Ring

_LENGTH = struct.Struct("<I")
_BLOCK_TIME = 0.5
"""A block on disk covers this time, s, and nothing waits longer: a kill loses no more."""
_SLACK = 0.01
"""A block's last tick comes a little before its end, s."""
_MOST_ROWS = 5000
"""Ticks in a block on disk, whatever their times say."""
_WAITING = 64
"""Messages between the pipe and the disk."""
_NICE = 5
"""The drive comes first."""


class Options(NamedTuple):
    """What the daemon tells the process at its start."""

    keep_time: float = 60.0
    """s"""
    most_space: float = 2e9
    """bytes"""
    longest_age: float = 30 * 86400.0
    """s"""


class Recorder:
    """Blocks in, files out."""

    def __init__(self, options: Options) -> None:
        self._options = options
        self._ring = Ring(options.keep_time)
        self._about: dict[str, Any] = {}
        self._offset = 0.0
        self._file: McapFile | None = None
        self._rows = bytearray()
        self._frames: list[Any] = []
        self._since = 0.0

    def handle(self, message: list[Any]) -> None:
        """Obey one message of the daemon."""
        kind, *rest = message
        if kind == "block":
            self._block(*rest)
        elif kind == "note":
            self._note(*rest)
        elif kind == "about":
            self._learn(rest[0])
        elif kind == "open":
            self._open(Path(rest[0]))
        elif kind == "keep":
            self.flush()
            self._keep(Path(rest[0]))

    def look(self) -> None:
        """Write what has waited long enough; call it a few times a second."""
        if (self._rows or self._frames) and time.monotonic() - self._since >= _BLOCK_TIME:
            self.flush()

    def close(self) -> None:
        """Finish what is open."""
        self.flush()
        self._finish()

    # ------------------------------------------------------------------------ messages

    def _learn(self, facts: dict[str, Any]) -> None:
        """Take facts of the session; those that come later are added."""
        self._about.update(facts)
        self._offset = self._about["wall"] - self._about["monotonic"]
        if self._file is not None:
            self._write("about", self._about["monotonic"], packed(self._about))

    def _block(self, now: float, rows: bytes, frames: list[Any]) -> None:
        if not (self._rows or self._frames):
            self._since = time.monotonic()
        self._rows += rows
        self._frames += frames
        first = TICK.unpack_from(self._rows)[1] if self._rows else now
        if now - first >= _BLOCK_TIME - _SLACK or len(self._rows) >= _MOST_ROWS * TICK.size:
            self.flush()

    def _note(self, channel: str, content: dict[str, Any]) -> None:
        if channel != "events":  # an event says itself where it belongs, and may come often
            self.flush()
        state = ""
        if channel == "settings":
            state = channel
        elif channel == "inputs":
            kind = str(content.get("kind"))
            state = {"parameters": "parameters", "calm": "calm", "resume": "calm"}.get(kind, "")
        self._add(Item(float(content["time"]), channel, packed(content), state))

    def flush(self) -> None:
        """Turn what was collected into messages."""
        rows, frames = bytes(self._rows), self._frames
        self._rows, self._frames = bytearray(), []
        if frames:
            self._add(Item(frames[-1][1], "frames", packed({"rows": frames}), ""))
        if rows:
            now = TICK.unpack_from(rows, len(rows) - TICK.size)[1]
            self._add(Item(now, "ticks", packed(to_columns(rows)), ""))

    def _add(self, item: Item) -> None:
        self._ring.add(item)
        self._write(item.channel, item.now, item.payload)

    # ------------------------------------------------------------------------ files

    def _write(self, channel: str, now: float, payload: bytes) -> None:
        file = self._file
        if file is None:
            return
        try:
            file.add(channel, now + self._offset, payload)
        except OSError as error:
            self._fail(file.path, error.strerror or str(error))
            return
        if file.size > self._options.most_space:
            self._fail(file.path, "it reached most_space, the space for recordings")

    def _fail(self, path: Path, reason: str) -> None:
        self._finish()
        _tell("recording_failed", path=str(path), reason=reason)

    def _finish(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):  # no space for the summary: all messages are there
                file.close()

    def _open(self, path: Path) -> None:
        self._tidy(path)
        try:
            self._file = self._begin_file(path)
        except OSError as error:
            _tell("recording_failed", path=str(path), reason=error.strerror or str(error))
            return
        for item in self._ring.in_force():
            self._write(item.channel, item.now, item.payload)
        _tell("recording_started", path=str(path))

    def _keep(self, path: Path) -> None:
        self._tidy(path)
        file = None
        try:
            file = self._begin_file(path)
            for item in self._ring.everything():
                file.add(item.channel, item.now + self._offset, item.payload)
            file.close()
            _tell("recording_kept", path=str(path))
        except OSError as error:
            if file is not None:
                file.abandon()
            _tell("recording_failed", path=str(path), reason=error.strerror or str(error))

    def _begin_file(self, path: Path) -> McapFile:
        file = McapFile(path)
        try:
            file.add("about", self._about["wall"], packed(self._about))
        except OSError:
            file.abandon()
            raise
        return file

    def _tidy(self, path: Path) -> None:
        spared = self._file.path if self._file is not None else None
        tidy(path.parent, self._options.most_space, self._options.longest_age, spared)


def _tell(event: str, **facts: str) -> None:
    with contextlib.suppress(OSError):
        print(json.dumps({"event": event, **facts}), flush=True)


def _take_in(stream: IO[bytes], messages: queue.Queue[bytes | None]) -> None:
    """Move messages from the pipe to the queue until the daemon is gone."""
    while True:
        head = stream.read(_LENGTH.size)
        size = _LENGTH.unpack(head)[0] if len(head) == _LENGTH.size else 0
        payload = stream.read(size) if size else b""
        if not size or len(payload) < size:
            messages.put(None)
            return
        messages.put(payload)


def _step_back() -> None:
    """Leave the processor to the drive, and the end to the daemon: it closes the pipe."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    if hasattr(os, "setpriority"):
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, _NICE)


def main() -> None:
    """Write until the daemon closes the pipe."""
    _step_back()
    recorder = Recorder(Options(*json.loads(sys.argv[1])))
    messages: queue.Queue[bytes | None] = queue.Queue(_WAITING)
    threading.Thread(target=_take_in, args=(sys.stdin.buffer, messages), daemon=True).start()
    try:
        while True:
            try:
                payload = messages.get(timeout=_BLOCK_TIME / 2)
            except queue.Empty:
                recorder.look()
                continue
            if payload is None:
                return
            recorder.handle(unpacked(payload))
    finally:
        recorder.close()


if __name__ == "__main__":
    main()
