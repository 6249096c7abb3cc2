"""An independent process that takes the force off the device when the force path stops.

What the kernel guarantees is left to it: when the daemon *ends*, however it ends, its effects end with it.
What the kernel does not guarantee is a daemon that hangs or is stopped: its effects go on. So this process
watches the heartbeat; when it has been silent for 100 ms, every device is cut by its own way, and where no
way is sure (an evdev driver that ignores gain) the hung daemon is ended: then the kernel's guarantee holds.

It knows nothing of torque or settings. Its orders come on its standard input, one JSON line each; when that
closes, the daemon is gone and so is the reason to be here.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bridge.hosting.index import bind_shipped
from bridge.service.heartbeat import Beat, HeartbeatReader

SILENCE = 0.1
"""Without a beat for this long, s, the device is cut."""
KILL_AFTER = 0.15
"""Without a beat for this long, s, a daemon whose device cannot be cut surely is ended."""
POLL = 0.01
_OWN_STALL = 0.05
"""If this process itself was held up for this long, s, the machine slept: the daemon gets its time anew."""
_EV_FF, _FF_GAIN = 0x15, 0x60


class Cutter:
    """One way to take the force off one device."""

    sure = True
    """Whether the force is certainly off after `cut`."""

    def __init__(self, order: dict[str, Any]) -> None:
        self.order = order

    def cut(self) -> None:
        """Take the force off; may raise OSError."""

    def close(self) -> None:
        """Release what was held ready."""


class BenchWheelCutter(Cutter):
    """Tells the virtual wheel to stop; connected beforehand, since connecting takes time."""

    def __init__(self, order: dict[str, Any]) -> None:
        super().__init__(order)
        self._client: Any = None
        with contextlib.suppress(OSError):
            self._client = self._connect()

    def _connect(self) -> Any:
        bind_shipped()
        from plugins.sinks.bench_wheel.client import BenchWheelClient  # noqa: PLC0415 - bound just above

        return BenchWheelClient(str(self.order["name"]))

    def cut(self) -> None:
        """Say stop; connect anew if the wheel was restarted."""
        try:
            if self._client is None:
                raise ConnectionError
            self._client.stop()
        except OSError:
            self._client = self._connect()
            self._client.stop()

    def close(self) -> None:
        """Disconnect."""
        if self._client is not None:
            self._client.close()


class EvdevCutter(Cutter):
    """Sets the device's gain to zero through a handle of its own. Some drivers ignore gain: not sure."""

    sure = False

    def __init__(self, order: dict[str, Any]) -> None:
        super().__init__(order)
        flags = os.O_WRONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)
        try:
            self._descriptor = os.open(str(order["path"]), flags)
        except OSError:
            self._descriptor = -1

    def cut(self) -> None:
        """Write FF_GAIN = 0."""
        if self._descriptor < 0:
            raise OSError(errno.ENODEV, "the device could not be opened")
        os.write(self._descriptor, struct.pack("@llHHi", 0, 0, _EV_FF, _FF_GAIN, 0))

    def close(self) -> None:
        """Close the handle."""
        if self._descriptor >= 0:
            os.close(self._descriptor)


class NoCutter(Cutter):
    """A device that only the end of the daemon's process cuts."""

    sure = False


_CUTTERS: dict[str, type[Cutter]] = {"bench_wheel": BenchWheelCutter, "evdev": EvdevCutter}


def make_cutter(order: dict[str, Any]) -> Cutter:
    """Return the cutter for an order of `Sink.cut_order`."""
    return _CUTTERS.get(str(order.get("cutter")), NoCutter)(order)


class Supervisor:
    """Decides from beats; sans-I/O but for what its cutters do."""

    def __init__(self) -> None:
        self.cutters: list[Cutter] = []
        self._is_cut = False
        self._is_killed = False
        self._grace_from = 0.0
        self._looked = 0.0

    def look(self, beat: Beat, now: float) -> list[dict[str, Any]]:
        """Judge one reading at `now`, s (monotonic); act; return what was done, for the log."""
        if self._looked and now - self._looked > _OWN_STALL:
            self._grace_from = now
        self._looked = now
        last = max(beat.last_ns * 1e-9, self._grace_from)
        if not beat.armed or not beat.last_ns:
            self._is_cut = self._is_killed = False
            return []
        silence = now - last
        if silence < SILENCE:
            self._is_cut = self._is_killed = False
            return []
        done = []
        if not self._is_cut:
            self._is_cut = True
            done += [self._cut(cutter, silence) for cutter in self.cutters]
        unsure = any(not cutter.sure for cutter in self.cutters)
        if unsure and silence >= KILL_AFTER and not self._is_killed:
            self._is_killed = True
            done.append({"did": "ended the daemon", "pid": beat.pid, "silence_s": round(silence, 3)})
            with contextlib.suppress(OSError):
                os.kill(beat.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
        return done

    def _cut(self, cutter: Cutter, silence: float) -> dict[str, Any]:
        report: dict[str, Any] = {"did": "cut", "device": cutter.order, "silence_s": round(silence, 3)}
        try:
            cutter.cut()
        except OSError as error:
            cutter.sure = False  # it could not be cut: only the daemon's end is left
            report["error"] = error.strerror or str(error)
        return report


class SupervisorProcess:
    """The daemon's side: starts the process, tells it what to watch."""

    def __init__(self, heartbeat: Path, report: Path) -> None:
        self._command = [sys.executable, "-m", "bridge.service.supervisor", str(heartbeat), str(report)]
        self._process: subprocess.Popen[bytes] | None = None
        self._orders: list[dict[str, Any]] = []

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start it, out of reach of Ctrl-C, and repeat its orders."""
        self.stop()
        self._process = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, start_new_session=sys.platform != "win32"
        )
        self.order(self._orders)

    def order(self, orders: Sequence[dict[str, Any]]) -> None:
        """Name the devices to cut; replaces what was named before."""
        self._orders = list(orders)
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.write(json.dumps(self._orders).encode() + b"\n")
                self._process.stdin.flush()

    def stop(self) -> None:
        """End it: its standard input closes."""
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        with contextlib.suppress(OSError):
            process.stdin.close()
        try:
            process.wait(1.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def main(arguments: Sequence[str]) -> None:
    """Watch until the standard input closes."""
    reader = HeartbeatReader(Path(arguments[0]))
    report = Path(arguments[1])
    supervisor = Supervisor()
    gone = threading.Event()

    def listen() -> None:
        for line in sys.stdin:
            with contextlib.suppress(ValueError, TypeError, AttributeError):
                old, supervisor.cutters = (
                    supervisor.cutters,
                    [make_cutter(order) for order in json.loads(line)],
                )
                for cutter in old:
                    cutter.close()
        gone.set()

    threading.Thread(target=listen, daemon=True).start()
    while not gone.wait(POLL):
        done = supervisor.look(reader.read(), time.monotonic())
        if done:
            with contextlib.suppress(OSError), report.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps({"time": time.time(), **row}) + "\n" for row in done)


if __name__ == "__main__":
    main(sys.argv[1:])
