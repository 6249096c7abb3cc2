"""The whole main job as real processes: sim, bench wheel, daemon; and a look at the device from outside.

The look (`Device`) is written from the documented format of the bench wheel's state block and shares no
code with the daemon or the device.
"""

from __future__ import annotations

import json
import mmap
import os
import signal
import struct
import subprocess
import sys
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from plugins.sinks.bench_wheel.client import BenchWheelClient

ROOT = Path(__file__).resolve().parents[2]
STATE = struct.Struct("<IIdddddIIdII")


@dataclass(frozen=True)
class DeviceState:
    """One stable reading of the state block; SI, left positive."""

    time: float
    angle: float
    velocity: float
    torque: float
    last_command: float
    owner: bool
    updates: int


class Device:
    """Reads the bench wheel's state block from outside."""

    def __init__(self, name: str) -> None:
        descriptor = os.open(f"/dev/shm/{name}", os.O_RDONLY)
        try:
            self._map = mmap.mmap(descriptor, STATE.size, access=mmap.ACCESS_READ)
        finally:
            os.close(descriptor)

    def read(self) -> DeviceState:
        """Return a reading that was not torn."""
        for _ in range(10_000):
            first = STATE.unpack_from(self._map)
            again = struct.unpack_from("<I", self._map)[0]
            if first[0] == again and first[0] % 2 == 0:
                return DeviceState(first[2], first[3], first[4], first[5], first[6], bool(first[7]), first[8])
        raise AssertionError("the state block never stands still")

    def close(self) -> None:
        """Let the mapping go."""
        self._map.close()


@dataclass
class Stage:
    """Starts the processes of the main job in a folder of its own and ends them all."""

    folder: Path
    settings: str = ""
    name: str = field(default_factory=lambda: f"draglink_test_{uuid.uuid4().hex[:8]}")
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    device: Device | None = None

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for name in ("daemon", "sim", "wheel"):
            self.end(name)
        if self.device is not None:
            self.device.close()
        for leftover in (self.wheel_name, self.sim_name):
            Path(f"/dev/shm/{leftover}").unlink(missing_ok=True)

    @property
    def wheel_name(self) -> str:
        return f"{self.name}_wheel"

    @property
    def sim_name(self) -> str:
        return f"{self.name}_sim"

    @property
    def settings_path(self) -> Path:
        return self.folder / "settings.toml"

    @property
    def environment(self) -> dict[str, str]:
        return {**os.environ, "DRAGLINK_HOME": str(self.folder / "home"), "PYTHONPATH": str(ROOT)}

    def write_settings(self, text: str) -> None:
        """Write the settings as careful editors do: another file, then a rename."""
        fresh = self.folder / "settings.new"
        fresh.write_text(
            text.format(sim=self.sim_name, wheel=self.wheel_name, folder=self.folder), encoding="utf-8"
        )
        fresh.replace(self.settings_path)

    def start_wheel(self) -> None:
        """Start the bench wheel's process."""
        device = ROOT / "plugins" / "sinks" / "bench_wheel" / "device.py"
        self.spawn("wheel", str(device), "--name", self.wheel_name, "--linger", "30")
        eventually(lambda: "ready" in self.output("wheel"), what="the bench wheel starts")

    def start_daemon(self) -> None:
        """Start the daemon and wait until it ticks."""
        self.spawn("daemon", "-m", "bridge.cli", "run", "--settings", str(self.settings_path))
        eventually(lambda: self.logged("supervisor_started") != [], 20.0, "the daemon starts")

    def start_sim(self) -> None:
        """Start Saltmarsh, in the middle of its first corner."""
        names = ("--name", self.sim_name, "--wheel", self.wheel_name)
        self.spawn("sim", "-m", "tools.demo_sim", *names, "--head-start", "4.6")

    def look(self) -> Device:
        """Open the look at the device."""
        if self.device is None:
            self.device = Device(self.wheel_name)
        return self.device

    def logged(self, name: str) -> list[dict[str, Any]]:
        """Return the log's events of that name."""
        path = self.folder / "home" / "log" / "draglink.jsonl"
        if not path.exists():
            return []
        rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        return [row for row in rows if row["event"] == name]

    def history(self) -> list[tuple[float, float]]:
        """Return the device's own record of its motor's torque: (monotonic s, N m)."""
        with BenchWheelClient(self.wheel_name) as client:
            return client.history()

    def zero_since(self) -> float:
        """Return when the motor's torque became zero, and check that it is."""
        when, torque = self.history()[-1]
        assert torque == 0.0
        return when

    def draglink(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run a command of the command line in this stage's home."""
        command = [sys.executable, "-m", "bridge.cli", *arguments]
        return subprocess.run(
            command, cwd=ROOT, env=self.environment, capture_output=True, text=True, check=False, timeout=60
        )

    def spawn(self, name: str, *command: str) -> subprocess.Popen[bytes]:
        """Start one process; its output goes to a file of its own."""
        with (self.folder / f"{name}.out").open("ab") as out:
            process = subprocess.Popen(
                [sys.executable, *command], cwd=ROOT, env=self.environment, stdout=out, stderr=out
            )
        self.processes[name] = process
        return process

    def end(self, name: str, timeout: float = 10.0) -> int | None:
        """Ask a process to stop, kill it if it doesn't; return its exit code."""
        process = self.processes.pop(name, None)
        if process is None:
            return None
        if process.poll() is None:
            process.send_signal(signal.SIGCONT)
            process.terminate()
            try:
                process.wait(timeout)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                return None
        return process.returncode

    def kill(self, name: str) -> None:
        """Kill -9."""
        process = self.processes.pop(name)
        process.kill()
        process.wait()

    def output(self, name: str) -> str:
        """Return what a process printed so far."""
        return (self.folder / f"{name}.out").read_text(encoding="utf-8", errors="replace")


def eventually(condition: Callable[[], bool], timeout: float = 10.0, what: str = "it") -> float:
    """Wait until `condition()` holds; return how long that took, s."""
    began = time.monotonic()
    while time.monotonic() - began < timeout:
        if condition():
            return time.monotonic() - began
        time.sleep(0.002)
    raise AssertionError(f"{what} did not happen within {timeout} s")
