"""A virtual wheel as a process of its own: motor, rim, friction, sensor, and a driver's hands.

It behaves as a device behind a kernel does. Its effect belongs to the owner's connection: when that closes,
however its process ended, the torque is zero at once. An owner that merely stops keeps its torque until the
supervisor says stop. It knows nothing of the daemon: standard library only, run by its path.

Messages are 32 bytes, little endian: u8 kind, 7 bytes nothing, three f64.
    1 own      become the owner (a second owner is refused: the connection is closed)
    2 level    share of the peak torque, -1 to 1, positive = left; from the owner
    3 stop     torque zero until the owner's next level; from anybody (the supervisor)
    4 hands    target angle rad, stiffness N m/rad, damping N m s/rad: a person holds the rim; 0.5 s long
    5 history  reply: u32 count, then count times (f64 time, f64 torque): changes of the motor's torque
The state block is described at `STATE`.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import mmap
import os
import selectors
import signal
import socket
import struct
import sys
import tempfile
import time
from collections import deque
from pathlib import Path

MESSAGE = struct.Struct("<B7xddd")
OWN, LEVEL, STOP, HANDS, HISTORY = 1, 2, 3, 4, 5
STATE = struct.Struct("<IIdddddIIdII")
"""u32 sequence (odd while writing), u32 version = 1, f64 time (monotonic, s), f64 angle (rad, left positive),
f64 velocity (rad/s), f64 torque of the motor (N m), f64 time of the last level, u32 owner connected,
u32 levels received, f64 torque of the hands (N m), u32 port (0: a Unix socket), u32 pid."""
VERSION = 1
_STEP = 0.0005
_HANDS_LAST = 0.5
_HANDS_SMOOTH = 0.05
_LINGER = 10.0
_QUANTA = 32767.0
_STOP_STIFFNESS, _STOP_DAMPING = 60.0, 0.8


def socket_path(name: str) -> Path:
    """Return where the device of that name listens on POSIX."""
    return Path(tempfile.gettempdir()) / f"{name}-{os.getuid()}.sock"


class Rim:
    """Inertia, damping and Coulomb friction, integrated in fixed steps (semi-implicit Euler)."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.inertia: float = options.inertia
        self.damping: float = options.damping
        self.friction: float = options.friction
        self.limit = math.radians(options.rotation_deg) / 2.0
        self.angle = 0.0
        self.velocity = 0.0
        self.hand_torque = 0.0
        self.hands: tuple[float, float, float] | None = None
        self._target = 0.0

    def step(self, torque: float, dt: float) -> None:
        """Advance by `dt` s under the motor's torque, N m."""
        velocity = self.velocity
        total = torque - self.damping * velocity
        if self.hands is not None:
            target, stiffness, damping = self.hands
            self._target += (target - self._target) * dt / (_HANDS_SMOOTH + dt)
            self.hand_torque = stiffness * (self._target - self.angle) - damping * velocity
            total += self.hand_torque
        else:
            self._target = self.angle
            self.hand_torque = 0.0
        beyond = abs(self.angle) - self.limit
        if beyond > 0.0:
            side = 1.0 if self.angle > 0.0 else -1.0
            push = _STOP_STIFFNESS * beyond + _STOP_DAMPING * velocity * side
            total -= side * max(0.0, push)
        self.velocity = self._with_friction(velocity, total, dt)
        self.angle += self.velocity * dt

    def _with_friction(self, velocity: float, total: float, dt: float) -> float:
        """Dry friction: holds a rim that stands, and stops one exactly instead of reversing it."""
        free = velocity + total * dt / self.inertia
        if self.friction <= 0.0:
            return free
        most = self.friction * dt / self.inertia
        if -most <= free <= most and velocity * free <= velocity * velocity:
            return 0.0
        return free - most if free > 0.0 else free + most


class Device:
    """Connections, the motor, the state block."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.rim = Rim(options)
        self.motor = 0.0
        self.clients: dict[socket.socket, bytearray] = {}
        self.owner: socket.socket | None = None
        self.history: deque[tuple[float, float]] = deque([(time.monotonic(), 0.0)], maxlen=200_000)
        self.levels = 0
        self.last_level = 0.0
        self._pending: deque[tuple[float, float]] = deque()
        self._hands_until = 0.0
        self._now = time.monotonic()
        self._sequence = 0
        self._ending = False
        self._quantum = 2.0 * math.pi / options.counts if options.counts else 0.0
        self._selector = selectors.DefaultSelector()
        self._listener, self._port = self._listen()
        self._block = _make_block(options.name, STATE.size)

    def _listen(self) -> tuple[socket.socket, int]:
        if sys.platform == "win32":
            listener = socket.create_server(("127.0.0.1", 0))
            port = int(listener.getsockname()[1])
        else:
            path = socket_path(self.options.name)
            listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            path.unlink(missing_ok=True)
            listener.bind(str(path))
            path.chmod(0o600)
            listener.listen(8)
            port = 0
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ)
        return listener, port

    def run(self) -> None:
        """Serve until nobody has been connected for a while."""
        alone_since = time.monotonic()
        print(f"ready name={self.options.name} port={self._port} pid={os.getpid()}", flush=True)
        try:
            while not self._ending:
                for key, _ in self._selector.select(0.001 if self.clients else 0.02):
                    if key.fileobj is self._listener:
                        self._accept()
                    else:
                        self._receive(key.fileobj)  # type: ignore[arg-type]  # only sockets are registered
                self._advance(time.monotonic())
                if self.clients:
                    alone_since = self._now
                elif self._now - alone_since > self.options.linger:
                    return
        finally:
            self.close()

    def end(self) -> None:
        """Ask the loop to end."""
        self._ending = True

    def close(self) -> None:
        """Remove what others find us by."""
        for client in [*self.clients]:
            self._drop(client)
        self._listener.close()
        self._selector.close()
        if sys.platform != "win32":
            socket_path(self.options.name).unlink(missing_ok=True)
        self._block.close()
        if sys.platform == "linux":
            Path(f"/dev/shm/{self.options.name}").unlink(missing_ok=True)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            client, _ = self._listener.accept()
            client.setblocking(False)
            self.clients[client] = bytearray()
            self._selector.register(client, selectors.EVENT_READ)

    def _receive(self, client: socket.socket) -> None:
        try:
            data = client.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        buffer = self.clients[client]
        buffer += data
        while len(buffer) >= MESSAGE.size and client in self.clients:
            message = MESSAGE.unpack_from(buffer)
            del buffer[: MESSAGE.size]
            self._obey(client, *message)

    def _drop(self, client: socket.socket) -> None:
        self._selector.unregister(client)
        del self.clients[client]
        client.close()
        if client is self.owner:
            self.owner = None
            self._pending.clear()
            self._set_motor(0.0, time.monotonic())  # the kernel's flush: effects end with their owner

    def _obey(self, client: socket.socket, kind: int, one: float, two: float, three: float) -> None:
        now = time.monotonic()
        if kind == OWN:
            if self.owner not in (None, client):
                self._drop(client)
                return
            self.owner = client
        elif kind == LEVEL and client is self.owner and math.isfinite(one):
            self.levels += 1
            self.last_level = now
            level = round(max(-1.0, min(1.0, one)) * _QUANTA) / _QUANTA
            torque = level * self.options.peak_nm * (-1.0 if self.options.reversed else 1.0)
            self._pending.append((now + self.options.delay_ms / 1000.0, torque))
        elif kind == STOP:
            self._pending.clear()
            self._set_motor(0.0, now)
        elif kind == HANDS and all(map(math.isfinite, (one, two, three))):
            self.rim.hands = (one, two, three) if two > 0.0 or three > 0.0 else None
            self._hands_until = now + _HANDS_LAST
        elif kind == HISTORY:
            rows = b"".join(struct.pack("<dd", *row) for row in self.history)
            client.setblocking(True)
            with contextlib.suppress(OSError):
                client.sendall(struct.pack("<I", len(self.history)) + rows)
            client.setblocking(False)

    def _set_motor(self, torque: float, when: float) -> None:
        if torque != self.motor:
            self.motor = torque
            self.history.append((when, torque))

    def _advance(self, now: float) -> None:
        """Integrate up to `now`, applying levels when they are due."""
        if now - self._now > 0.25:  # the machine was suspended: the rim did not move meanwhile
            self._now = now - 0.25
        if self.rim.hands is not None and now > self._hands_until:
            self.rim.hands = None
        while self._now < now:
            while self._pending and self._pending[0][0] <= self._now + 1e-9:
                when, torque = self._pending.popleft()
                self._set_motor(torque, max(when, self._now))
            dt = min(_STEP, now - self._now)
            self.rim.step(self.motor, dt)
            self._now += dt
        while self._pending and self._pending[0][0] <= now:
            when, torque = self._pending.popleft()
            self._set_motor(torque, now)
        self._publish(now)

    def _publish(self, now: float) -> None:
        rim = self.rim
        angle = rim.angle
        if self._quantum:
            angle = round(angle / self._quantum) * self._quantum
        self._sequence = (self._sequence + 2) & 0xFFFFFFFE
        block = self._block
        block[0:4] = (self._sequence - 1 & 0xFFFFFFFF).to_bytes(4, "little")
        STATE.pack_into(
            block, 0, self._sequence - 1 & 0xFFFFFFFF, VERSION, now, angle, rim.velocity, self.motor,
            self.last_level, self.owner is not None, self.levels & 0xFFFFFFFF, rim.hand_torque, self._port,
            os.getpid(),
        )  # fmt: skip
        block[0:4] = self._sequence.to_bytes(4, "little")


def _make_block(name: str, size: int) -> mmap.mmap:
    if sys.platform == "win32":
        return mmap.mmap(-1, size, tagname=name)
    folder = Path("/dev/shm") if sys.platform == "linux" else Path(tempfile.gettempdir())
    path = folder / name
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        os.ftruncate(descriptor, size)
        return mmap.mmap(descriptor, size)
    finally:
        os.close(descriptor)


def arguments() -> argparse.ArgumentParser:
    """Return the command line."""
    parser = argparse.ArgumentParser(description="Bench Wheel: a virtual wheel for tests and demonstrations.")
    parser.add_argument("--name", default="draglink_bench_wheel", help="name of the state block")
    parser.add_argument("--rotation-deg", type=float, default=540.0, help="lock to lock")
    parser.add_argument("--peak-nm", type=float, default=8.0, help="torque at full level")
    parser.add_argument("--inertia", type=float, default=0.03, help="kg m2")
    parser.add_argument("--damping", type=float, default=0.05, help="N m s/rad")
    parser.add_argument("--friction", type=float, default=0.05, help="N m")
    parser.add_argument("--counts", type=int, default=65536, help="sensor counts a turn, 0 = exact")
    parser.add_argument("--delay-ms", type=float, default=1.0, help="from level to torque")
    parser.add_argument("--reversed", action="store_true", help="motor connected the wrong way round")
    parser.add_argument(
        "--linger", type=float, default=_LINGER, help="seconds to stay without any connection"
    )
    return parser


if __name__ == "__main__":
    device = Device(arguments().parse_args())
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: device.end())
    device.run()
