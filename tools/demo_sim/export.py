"""Where Saltmarsh meets the outside: its shared record, and the bench wheel it is steered with.

The formats of the bench wheel are its documented ones; the code is our own.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import socket
import struct
import sys
import tempfile
import time
from pathlib import Path

from .record import LOCK, SIZE

_STATE = struct.Struct("<IIdddddIIdII")
_MESSAGE = struct.Struct("<B7xddd")
_HANDS = 4
_STIFFNESS, _DAMPING = 12.0, 0.7
"""Arms on a wheel, N m/rad and N m s/rad (order of magnitude, from memory)."""
_RETRY = 0.5


def _folder() -> Path:
    return Path("/dev/shm") if sys.platform == "linux" else Path(tempfile.gettempdir())


class SharedRecord:
    """The exported record, under a sequence lock."""

    def __init__(self, name: str, first: bytearray) -> None:
        self._path: Path | None = None
        if sys.platform == "win32":
            self._map = mmap.mmap(-1, SIZE, tagname=name)
        else:
            self._path = _folder() / name
            # Made under another name: whoever finds it finds a record. Replaces what a killed run left.
            making = self._path.with_name(f"{name}.{os.getpid()}")
            descriptor = os.open(making, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
            os.ftruncate(descriptor, SIZE)
            self._map = mmap.mmap(descriptor, SIZE)
            os.close(descriptor)
        self._lock = 0
        self.publish(first)
        if self._path is not None:
            making.replace(self._path)

    def publish(self, record: bytearray) -> None:
        """Write a record: the lock turns odd, the bytes change, the lock turns even."""
        lock = struct.Struct("<I")
        lock.pack_into(self._map, LOCK, self._lock + 1)
        lock.pack_into(record, LOCK, self._lock + 1)
        struct.pack_into("<d", record, 24, time.monotonic())
        self._map[:SIZE] = bytes(record)
        self._lock = (self._lock + 2) & 0xFFFFFFFE
        lock.pack_into(self._map, LOCK, self._lock)

    def close(self) -> None:
        """Remove the record."""
        self._map.close()
        if self._path is not None:
            self._path.unlink(missing_ok=True)


class BenchWheelHands:
    """The driver's arms on the bench wheel, and the wheel's angle."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._map: mmap.mmap | None = None
        self._socket: socket.socket | None = None
        self._try_at = 0.0

    def angle_and_hold(self, wanted: float) -> float | None:
        """Hold the rim at `wanted` (rad) and return where it is; `None` while there is no wheel."""
        if self._map is None and not self._connect():
            return None
        assert self._map is not None
        assert self._socket is not None
        try:
            self._socket.sendall(_MESSAGE.pack(_HANDS, wanted, _STIFFNESS, _DAMPING))
        except OSError:
            self.close()
            return None
        for _ in range(100):
            record = self._map[: _STATE.size]
            if not record[0] & 1 and self._map[: _STATE.size] == record:
                return float(_STATE.unpack(record)[3])
        return None

    def _connect(self) -> bool:
        now = time.monotonic()
        if now < self._try_at:
            return False
        self._try_at = now + _RETRY
        try:
            if sys.platform == "win32":
                self._map = mmap.mmap(-1, _STATE.size, tagname=self._name, access=mmap.ACCESS_READ)
                port = int(_STATE.unpack(self._map[: _STATE.size])[10])
                self._socket = socket.create_connection(("127.0.0.1", port), 0.5)
            else:
                descriptor = os.open(_folder() / self._name, os.O_RDONLY)
                try:
                    self._map = mmap.mmap(descriptor, _STATE.size, access=mmap.ACCESS_READ)
                finally:
                    os.close(descriptor)
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                self._socket.connect(f"{tempfile.gettempdir()}/{self._name}-{os.getuid()}.sock")
        except (OSError, ValueError):
            self.close()
            return False
        return True

    def close(self) -> None:
        """Let go."""
        for thing in (self._map, self._socket):
            if thing is not None:
                with contextlib.suppress(OSError, BufferError):
                    thing.close()
        self._map = self._socket = None
