"""The force path's sign of life: a small mapped file that it writes each tick and the supervisor reads.

Format, little endian, 24 bytes: u32 version = 1, u32 armed (0 or 1), i64 time of the last tick (monotonic
ns), i64 pid of the daemon.
"""

from __future__ import annotations

import mmap
import os
import struct
from pathlib import Path
from typing import NamedTuple

_RECORD = struct.Struct("<IIqq")
_BEAT = struct.Struct("<q")
_ARMED = struct.Struct("<I")
VERSION = 1


class Heartbeat:
    """The daemon's side."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
        try:
            os.ftruncate(descriptor, _RECORD.size)
            self._map = mmap.mmap(descriptor, _RECORD.size)
        finally:
            os.close(descriptor)
        self.path = path
        _RECORD.pack_into(self._map, 0, VERSION, 0, 0, os.getpid())
        self._pack = _BEAT.pack_into

    def beat(self, now_ns: int) -> None:
        """Note that the force path ran at `now_ns` (monotonic)."""
        self._pack(self._map, 8, now_ns)

    def arm(self) -> None:
        """From now on silence is a fault."""
        _ARMED.pack_into(self._map, 4, 1)

    def disarm(self) -> None:
        """From now on silence is wanted (an orderly stop or a change of the tick rate)."""
        _ARMED.pack_into(self._map, 4, 0)

    def close(self) -> None:
        """Release the file."""
        self._map.close()


class Beat(NamedTuple):
    """What the supervisor reads."""

    armed: bool
    last_ns: int
    pid: int


class HeartbeatReader:
    """The supervisor's side."""

    def __init__(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
        try:
            self._map = mmap.mmap(descriptor, _RECORD.size, access=mmap.ACCESS_READ)
        finally:
            os.close(descriptor)

    def read(self) -> Beat:
        """Return the newest beat."""
        _, armed, last, pid = _RECORD.unpack_from(self._map)
        return Beat(bool(armed), last, pid)

    def close(self) -> None:
        """Release the file."""
        self._map.close()
