"""The daemon's side of the recorder: packs ticks and hands blocks over, without ever waiting.

`tick` runs in the tick's thread: it packs into a block and, ten times a second, puts the block into a bounded
queue. When too much waits, blocks are dropped, and what is missing is itself recorded. This module does not
know files.
"""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Callable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

import bridge
from bridge.contract import Frame, Tick
from bridge.recording.layout import BEFORE_ALL, FORMAT, TICK, frame_to_map, packed
from bridge.recording.link import Link, Tell
from bridge.recording.process import Options

BLOCK = 100
"""Ticks in a block."""
_MOST_FRAMES = 1000
"""Frames in a block: a source that floods must not fill the memory of a block that never ends."""
_WAITING = 64
"""Blocks that may wait for the process: over six seconds at 1 kHz."""
_RESERVE = 512
"""Further messages that are not blocks: without an input nothing after it can be run again."""
_STATES = {"parameters": "parameters", "calm": "calm", "resume": "calm", "settings": "settings"}


class Feed:
    """One recording session."""

    def __init__(
        self,
        keep_time: float,
        tell: Tell,
        options: Options | None = None,
        facts: Mapping[str, Any] | None = None,
        again: Callable[[], Path | None] = lambda: None,
    ) -> None:
        """Start the process.

        Args:
            keep_time: how much is kept in memory, s.
            tell: called from any thread with what happens: event name, facts. Must not wait.
            options: limits for the files; their keep_time is replaced.
            facts: added to what `about` says.
            again: called (from a thread) when the process had to be started again: where to write now.

        Raises:
            OSError: the process cannot be started.
        """
        self.dropped = 0
        """Blocks, inputs and events that were dropped because too much waited."""
        self._buffer = bytearray(TICK.size * BLOCK)
        self._filled = 0
        self._frames: list[tuple[int, float, dict[str, Any], bytes | None]] = []
        self._next_sequence = BEFORE_ALL
        self._pack = TICK.pack_into
        self._gap: dict[str, int] = {}
        self._about = packed(["about", {**_about(), **(facts or {})}])
        self._in_force: dict[str, bytes] = {}
        self._parameters: object = None
        self._where = again
        self._tell = tell
        options = (options or Options())._replace(keep_time=keep_time)
        self._link = Link(options, tell, self._again)
        self._link.put(self._about)

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self._link.alive

    @property
    def pid(self) -> int:
        """The process."""
        return self._link.pid

    @property
    def lost(self) -> int:
        """Messages that were dropped, or found no process."""
        return self.dropped + self._link.lost

    # ------------------------------------------------------------------------ in the tick's thread

    def tick(self, tick: Tick) -> None:
        """Take note of one tick."""
        now, started, frames, wheel, command, delivered = tick
        _, sequence, torque, due, guards = command
        if frames:
            self._take_frames(sequence, frames)
        taken, taken_at = delivered if delivered is not None else (-1, 0.0)
        if wheel is None:
            known, measured, angle, velocity = 0, 0.0, 0.0, 0.0
        else:
            measured, angle, speed = wheel
            known, velocity = (1, 0.0) if speed is None else (3, speed)
        filled = self._filled
        self._pack(
            self._buffer, filled, sequence, now, started, torque, guards, due, known, measured, angle,
            velocity, taken, taken_at,
        )  # fmt: skip
        self._next_sequence = sequence + 1
        self._filled = filled = filled + TICK.size
        if filled == len(self._buffer):
            self._hand_over(now)

    def _take_frames(self, sequence: int, frames: tuple[tuple[float, Frame, bytes | None], ...]) -> None:
        self._frames += [(sequence, arrival, frame_to_map(frame), raw) for arrival, frame, raw in frames]
        if len(self._frames) > _MOST_FRAMES:
            self._hand_over(frames[-1][0])

    def note(self, channel: str, content: dict[str, Any]) -> None:
        """Take note of an input, a version of the settings, or an event; it stands before the next tick.

        Args:
            channel: "inputs", "settings" or "events".
            content: with `time`, monotonic s; an input with `kind` and `content`.
        """
        row = {"before": self._next_sequence, **content}
        if channel != "events":
            self._hand_over(content["time"])  # so that the file has them in their order too
        if content.get("kind") == "parameters" and channel == "inputs":
            # The daemon says again what is in force whenever a sink opens. Only a change went into the force
            # path, and whoever runs it again must be able to tell.
            parameters = content.get("content")
            row["configured"] = self._parameters is not None and parameters != self._parameters
            self._parameters = parameters
        message = packed(["note", channel, row])
        state = _STATES.get(channel if channel == "settings" else str(content.get("kind")))
        if state is not None and channel != "events":
            self._in_force[state] = message
        self._put(message, others=1)

    def tell_about(self, facts: Mapping[str, Any]) -> None:
        """Add facts to what `about` says (device, source, ...)."""
        self._put(packed(["about", dict(facts)]), others=1)

    def open(self, path: Path) -> None:
        """Write everything from now on to a new file."""
        self._put(packed(["open", str(path.absolute())]), others=1)

    def keep(self, path: Path) -> None:
        """Write what is in memory to a new file."""
        self._hand_over(time.monotonic())
        self._put(packed(["keep", str(path.absolute())]), others=1)

    def _hand_over(self, now: float) -> None:
        if self._filled or self._frames:
            ticks, frames = self._filled // TICK.size, self._frames
            block = packed(["block", now, bytes(self._buffer[: self._filled]), frames])
            self._filled, self._frames = 0, []
            self._put(block, blocks=1, ticks=ticks, frames=len(frames))

    def _put(self, message: bytes, **counts: int) -> None:
        """Queue a message, or drop it and count what is missing."""
        room = _WAITING if "blocks" in counts else _WAITING + _RESERVE
        if self._link.waiting >= room:
            self.dropped += 1
            for name, count in counts.items():
                self._gap[name] = self._gap.get(name, 0) + count
            return
        self._say_what_is_missing(self._next_sequence - counts.get("ticks", 0))
        self._link.put(message)

    def _say_what_is_missing(self, before: int) -> None:
        if self._gap:
            gap = {"before": before, "time": time.monotonic(), "blocks": 0, **self._gap}
            self._gap = {}
            self._link.put(packed(["note", "drops", gap]))
            self._tell(
                "recording_dropped", {name: gap.get(name, 0) for name in ("ticks", "frames", "others")}
            )

    # ------------------------------------------------------------------------ elsewhere

    def _again(self) -> list[bytes]:
        """What a process that was started again needs first."""
        path = self._where()
        files = [packed(["open", str(path.absolute())])] if path is not None else []
        return [self._about, *list(self._in_force.values()), *files]

    def close(self) -> None:
        """Hand over what is left and wait until the file is finished."""
        self._hand_over(time.monotonic())
        self._say_what_is_missing(self._next_sequence)
        self._link.close()


def _about() -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": bridge.__version__,
        "python": sys.version,
        "implementation": sys.implementation.name,
        "platform": platform.platform(),
        "byte_order": sys.byteorder,
        "packages": {name: _version(name) for name in ("mcap", "msgpack", "zstandard")},
        "monotonic": time.monotonic(),
        "wall": time.time(),
    }


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:  # a bundle without package records
        return "unknown"
