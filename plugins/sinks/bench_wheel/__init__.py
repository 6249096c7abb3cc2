"""Bench Wheel: a virtual wheel, so that the whole loop closes without hardware.

It runs as a process of its own (`device.py`), started here if it isn't there yet.
"""

from __future__ import annotations

import math
import subprocess
import sys
import time
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import Field

from bridge.contract import (
    Command,
    Damping,
    Duration,
    Host,
    Inertia,
    PluginSettings,
    PluginUnavailable,
    Sink,
    Torque,
    WheelState,
)
from plugins.sinks.bench_wheel.client import BenchWheelClient

_START_LIMIT = 5.0


class BenchWheelSettings(PluginSettings):
    """Settings of the virtual wheel; they count when it is started, not when it runs already."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,60}$")] = "draglink_bench_wheel"
    """Name of its state block."""
    inertia: Annotated[Inertia, Field(gt=0.001, le=1.0)] = 0.03
    """Rim and motor."""
    damping: Annotated[Damping, Field(ge=0.0, le=5.0)] = 0.05
    friction: Annotated[Torque, Field(ge=0.0, le=5.0)] = 0.05
    counts: Annotated[int, Field(ge=0, le=1_000_000)] = 65536
    """Sensor counts a turn; 0 = exact."""
    delay: Annotated[Duration, Field(ge=0.0, le=0.2)] = 0.001
    """From a level to its torque."""
    reversed: bool = False
    """A motor connected the wrong way round."""
    start: bool = True
    """Start the device's process if it doesn't run."""


class BenchWheel(Sink[BenchWheelSettings]):
    """The daemon's end of the virtual wheel."""

    Settings = BenchWheelSettings
    virtual: ClassVar[bool] = True

    def __init__(self, settings: BenchWheelSettings, host: Host) -> None:
        super().__init__(settings, host)
        self._client: BenchWheelClient | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def open(self) -> None:
        """Connect, starting the device if need be.

        Raises:
            PluginUnavailable: it does not run and must not be started, or did not come up.
        """
        try:
            self._client = BenchWheelClient(self.settings.name)
        except OSError:
            if not self.settings.start:
                raise PluginUnavailable(f"waiting for the virtual wheel '{self.settings.name}'") from None
            self._start()
        assert self._client is not None
        self._client.own()

    def _start(self) -> None:
        settings, wheel = self.settings, self.host.wheel
        command = [
            sys.executable, str(Path(__file__).with_name("device.py")), "--name", settings.name,
            "--rotation-deg", str(math.degrees(wheel.rotation)), "--peak-nm", str(wheel.peak_torque),
            "--inertia", str(settings.inertia), "--damping", str(settings.damping),
            "--friction", str(settings.friction), "--counts", str(settings.counts),
            "--delay-ms", str(settings.delay * 1e3), *(["--reversed"] if settings.reversed else []),
        ]  # fmt: skip
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            start_new_session=sys.platform != "win32",  # it outlives the daemon as a device does
        )
        deadline = time.monotonic() + _START_LIMIT
        while time.monotonic() < deadline:
            try:
                self._client = BenchWheelClient(settings.name)
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise PluginUnavailable(f"the virtual wheel '{settings.name}' did not start within 5 s")

    def write(self, command: Command) -> None:
        """Send the level."""
        client = self._client
        if client is not None:
            client.level(command.torque / self.host.wheel.peak_torque)

    def wheel(self) -> WheelState | None:
        """Return the newest reading of the sensor."""
        client = self._client
        state = client.state() if client is not None else None
        return None if state is None else WheelState(state.time, state.angle, state.velocity)

    def cut_order(self) -> dict[str, object] | None:
        """See `Sink.cut_order`."""
        return {"cutter": "bench_wheel", "name": self.settings.name}

    def close(self) -> None:
        """Disconnect; the torque ends with the connection. A device started here ends, too."""
        client, self._client = self._client, None
        if client is not None:
            client.close()
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            process.wait(2.0)
