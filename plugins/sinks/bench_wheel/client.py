"""How the daemon's side talks to the virtual wheel: its connection and its state block."""

from __future__ import annotations

import mmap
import os
import socket
import struct
import sys
import tempfile
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

MESSAGE = struct.Struct("<B7xddd")
STATE = struct.Struct("<IIdddddIIdII")
_OWN, _LEVEL, _STOP, _HANDS, _HISTORY = 1, 2, 3, 4, 5
_TRIES = 50


class BenchState(NamedTuple):
    """One reading of the state block; SI, left positive."""

    time: float
    angle: float
    velocity: float
    torque: float
    """What the motor exerts now, N m."""
    last_level: float
    owner: bool
    levels: int
    hand_torque: float
    port: int
    pid: int


class BenchWheelClient:
    """A connection to a running virtual wheel; raises OSError where there is none."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._block = _open_block(name)
        state = self.state()
        try:
            if state is not None and state.port:
                self._socket = socket.create_connection(("127.0.0.1", state.port), 2.0)
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            elif sys.platform != "win32":
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                self._socket.settimeout(2.0)
                self._socket.connect(f"{tempfile.gettempdir()}/{name}-{os.getuid()}.sock")
            else:
                raise FileNotFoundError(f"no bench wheel '{name}'")
        except OSError:
            if hasattr(self, "_socket"):
                self._socket.close()
            self._block.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def own(self) -> None:
        """Become the owner of the motor."""
        self._send(_OWN)

    def level(self, share: float) -> None:
        """Set the level, -1 to 1 of the peak, positive = left."""
        self._send(_LEVEL, share)

    def stop(self) -> None:
        """Zero torque until the owner's next level."""
        self._send(_STOP)

    def hands(self, target: float, stiffness: float, damping: float) -> None:
        """Hold the rim for half a second: rad, N m/rad, N m s/rad; all zero lets go."""
        self._send(_HANDS, target, stiffness, damping)

    def history(self) -> list[tuple[float, float]]:
        """Return the changes of the motor's torque: (monotonic time s, N m)."""
        self._send(_HISTORY)
        (count,) = struct.unpack("<I", self._receive(4))
        values = struct.unpack(f"<{2 * count}d", self._receive(16 * count))
        return list(zip(values[::2], values[1::2], strict=True))

    def state(self) -> BenchState | None:
        """Return a stable reading of the state block, `None` if it never stood still."""
        for _ in range(_TRIES):
            record = bytes(self._block[: STATE.size])
            if not record[0] & 1 and bytes(self._block[: STATE.size]) == record:
                return BenchState._make(STATE.unpack(record)[2:])
        return None

    def close(self) -> None:
        """Disconnect; an owner's torque ends with it."""
        self._socket.close()
        self._block.close()

    def _send(self, kind: int, one: float = 0.0, two: float = 0.0, three: float = 0.0) -> None:
        self._socket.sendall(MESSAGE.pack(kind, one, two, three))

    def _receive(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            part = self._socket.recv(size - len(data))
            if not part:
                raise ConnectionResetError("the bench wheel closed the connection")
            data += part
        return data


def _open_block(name: str) -> mmap.mmap:
    if sys.platform == "win32":
        return mmap.mmap(-1, STATE.size, tagname=name, access=mmap.ACCESS_READ)
    folder = Path("/dev/shm") if sys.platform == "linux" else Path(tempfile.gettempdir())
    descriptor = os.open(folder / name, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return mmap.mmap(descriptor, STATE.size, access=mmap.ACCESS_READ)
    finally:
        os.close(descriptor)
