"""The state that the bus publishes, put together from what the parts count.

This module does not know how state travels.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any

import bridge
from bridge.contract import Guard
from bridge.service.lateness import Percentiles
from bridge.service.ticking import TickLoop

_RATE_WINDOW = 1.0
"""Rates are counted over this time, s."""


class Rate:
    """Events a second, from a counter that only rises, read now and then."""

    __slots__ = ("_since", "_then", "value")

    def __init__(self) -> None:
        self._since = 0.0
        self._then = 0
        self.value = 0.0
        """Hz, over the last full window."""

    def update(self, now: float, count: int) -> float:
        """Note the counter's reading at `now` (s); return the rate."""
        if self._since == 0.0:
            self._since, self._then = now, count
        elapsed = now - self._since
        if elapsed >= _RATE_WINDOW:
            self.value = (count - self._then) / elapsed
            self._since, self._then = now, count
        return self.value


class Reporter:
    """Builds the state message; cheap enough for 30 times a second between ticks."""

    def __init__(self, ticks: TickLoop, plugins: Callable[[], dict[str, Any]]) -> None:
        """`plugins` returns the parts of the state that only the daemon knows (see `bridge.bus.state`)."""
        self._ticks = ticks
        self._plugins = plugins
        self._began = time.monotonic()
        self._source_rate = Rate()
        self._tick_rate = Rate()
        self._lateness: Percentiles = {"p50": 0.0, "p99": 0.0, "p999": 0.0}
        self._duration: Percentiles = {"p50": 0.0, "p99": 0.0, "p999": 0.0}

    def refresh_percentiles(self, _: float) -> None:
        """Recompute the percentiles; once a second is often enough and costs well below a tick."""
        self._lateness = self._ticks.lateness.percentiles()
        self._duration = self._ticks.duration.percentiles()

    def state(self, now: float) -> dict[str, Any]:
        """Return the whole state at `now` (monotonic s)."""
        ticks = self._ticks
        force = ticks.path.status()
        command = ticks.last_command
        rest = self._plugins()
        rest["source"]["rate_hz"] = self._source_rate.update(now, ticks.frame_count)
        return {
            **rest,
            "time": now,
            "uptime_s": time.monotonic() - self._began,
            "version": bridge.__version__,
            "pid": os.getpid(),
            "frames": {"accepted": force.frames, "rejected": dict(force.rejected)},
            "force": {
                "model": force.model,
                "model_wants": force.model_wants,
                "upsampling": force.upsampling,
                "steering_ratio": force.steering_ratio,
                "gain": force.gain,
                "ceiling_nm": force.ceiling,
                "torque_nm": command.torque if command is not None else 0.0,
                "torque_model_nm": force.torque_model,
                "clipped_fraction": force.clipped / force.commands if force.commands else 0.0,
                "guards": dict(force.guard_counts),
                "active_guards": guard_names(command.guards if command is not None else 0),
            },
            "ticks": {
                "count": ticks.lateness.count,
                "rate_hz": self._tick_rate.update(now, ticks.lateness.count),
                "skipped": ticks.skipped,
                "lateness_us": self._lateness,
                "duration_us": self._duration,
            },
        }


def guard_names(bits: int) -> list[str]:
    """Return the names of the guards in a command's bits, lower case."""
    return [str(guard.name).lower() for guard in Guard if guard and bits & guard]
