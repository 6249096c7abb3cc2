"""The daemon's side of the recorder: packs ticks, hands blocks to the recorder's process, never waits.

`tick` runs in the tick's thread: it packs into a block and, ten times a second, puts the block into a
bounded queue. One thread moves blocks into the process's pipe. A full queue drops the block and counts it.
"""

from __future__ import annotations

import contextlib
import json
import platform
import queue
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgpack

import bridge
from bridge.contract import Tick
from bridge.recording.layout import FORMAT, TICK, frame_to_map

_LENGTH = struct.Struct("<I")
BLOCK = 100
"""Ticks in a block."""
_WAITING = 64
"""Blocks that may wait for the disk: over six seconds at 1 kHz."""


class Feed:
    """One recorder process and the way to it."""

    def __init__(self, keep_seconds: float, tell: Callable[[str, dict[str, Any]], None]) -> None:
        """Start the process.

        Args:
            keep_seconds: how much is kept in memory, s.
            tell: called (from a thread) with what the process reports: event name, facts.
        """
        self.dropped = 0
        self._tell = tell
        self._buffer = bytearray(TICK.size * BLOCK)
        self._filled = 0
        self._frames: list[Any] = []
        self._next_sequence = 0
        self._queue: queue.Queue[bytes | None] = queue.Queue(_WAITING)
        self._pack = TICK.pack_into
        self._process = subprocess.Popen(
            [sys.executable, "-m", "bridge.recording.process", str(keep_seconds)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=sys.platform != "win32",  # Ctrl-C is for the daemon alone
        )
        self._threads = [
            threading.Thread(target=self._move, name="draglink-recorder-feed", daemon=True),
            threading.Thread(target=self._listen, name="draglink-recorder-reports", daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        self._put(["about", _about()])

    # ------------------------------------------------------------------------ in the tick's thread

    def tick(self, tick: Tick) -> None:
        """Take note of one tick."""
        now, started, frames, wheel, command, delivered = tick
        _, sequence, torque, due, guards = command
        if frames:
            for arrival, frame, raw in frames:
                self._frames.append([sequence, arrival, frame_to_map(frame), raw])
        taken, taken_at = delivered if delivered is not None else (-1, 0.0)
        if wheel is None:
            self._pack(
                self._buffer, self._filled, sequence, now, started, torque, guards, due, 0, 0.0, 0.0, 0.0,
                taken, taken_at,
            )  # fmt: skip
        else:
            time_, angle, velocity = wheel
            known = 1 if velocity is None else 3
            self._pack(
                self._buffer, self._filled, sequence, now, started, torque, guards, due, known, time_, angle,
                velocity or 0.0, taken, taken_at,
            )  # fmt: skip
        self._next_sequence = sequence + 1
        self._filled += TICK.size
        if self._filled == len(self._buffer):
            self._hand_over(now)

    def note(self, channel: str, content: dict[str, Any]) -> None:
        """Take note of another input or an event; it stands before the next tick."""
        self._hand_over(content["time"])
        self._put([channel, {"before": self._next_sequence, **content}])

    def open(self, path: Path) -> None:
        """Write everything from now on to a file."""
        self._put(["open", str(path)])

    def keep(self, path: Path) -> None:
        """Write the last minute to a file."""
        self._hand_over(time.monotonic())
        self._put(["keep", str(path)])

    def _hand_over(self, now: float) -> None:
        if self._filled or self._frames:
            block = ["block", now, bytes(self._buffer[: self._filled]), self._frames]
            self._filled, self._frames = 0, []
            self._put(block)

    def _put(self, message: list[Any]) -> None:
        try:
            self._queue.put_nowait(msgpack.packb(message))
        except queue.Full:
            self.dropped += 1

    # ------------------------------------------------------------------------ elsewhere

    def _move(self) -> None:
        pipe = self._process.stdin
        assert pipe is not None
        told = 0
        while (payload := self._queue.get()) is not None:
            if self.dropped > told:
                gap = {"time": time.monotonic(), "before": 0, "blocks": self.dropped - told}
                payload = _framed(msgpack.packb(["drops", gap])) + _framed(payload)
                told = self.dropped
            else:
                payload = _framed(payload)
            try:
                pipe.write(payload)
                pipe.flush()
            except OSError:
                self._tell("recording_failed", {"reason": "the recorder's process ended"})
                return

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            try:
                facts = json.loads(line)
            except ValueError:
                continue
            self._tell(str(facts.pop("event")), facts)

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self._process.poll() is None

    def close(self) -> None:
        """Hand over what is left and wait until the file is finished."""
        self._hand_over(time.monotonic())
        try:
            self._queue.put(None, timeout=5.0)
        except queue.Full:
            self._process.kill()
        self._threads[0].join(5.0)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        try:
            self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._threads[1].join(5.0)
        self._process.stdout.close()


def _framed(payload: bytes) -> bytes:
    return _LENGTH.pack(len(payload)) + payload


def _about() -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": bridge.__version__,
        "python": sys.version,
        "platform": platform.platform(),
        "monotonic": time.monotonic(),
        "wall": time.time(),
    }
