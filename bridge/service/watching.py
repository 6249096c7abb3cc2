"""From counters to events: the force path never logs, so somebody looks at its counters now and then.

This module does not know where events go.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.contract import Guard
from bridge.log.catalogue import force, service, source
from bridge.service.plugins import Plugins
from bridge.service.ticking import TickLoop

Emit = Callable[..., None]
_TOLD_GUARDS = (Guard.LIMIT_CYCLE, Guard.DIVERGENCE, Guard.THERMAL, Guard.NOT_FINITE)
_TORN_WORTH_TELLING = 50
_CLIPPED_WORTH_TELLING = 0.2


class Watching:
    """Compares counters with what they were."""

    def __init__(self, ticks: TickLoop, plugins: Plugins, emit: Emit, supervisor_report: Path) -> None:
        self._ticks = ticks
        self._plugins = plugins
        self._emit = emit
        self._report = supervisor_report
        self._report_size = supervisor_report.stat().st_size if supervisor_report.exists() else 0
        self._rejected: dict[str, int] = {}
        self._guards: dict[str, int] = {}
        self._counters: dict[str, int] = {}
        self._model = ""
        self._stalled = True
        self._skipped = 0
        self._clipped = (0, 0)
        self.on_cut: Callable[[], None] = lambda: None
        """Called after the supervisor cut a device."""

    def often(self, _: float) -> None:
        """Look at what users want to see at once; 20 times a second."""
        path, command = self._ticks.path, self._ticks.last_command
        if command is None:
            return
        stalled = bool(command.guards & Guard.STALLED)
        if stalled != self._stalled:
            self._stalled = stalled
            if stalled:
                self._emit(source.FRAMES_STALLED)
            elif self._model:
                self._emit(source.FRAMES_RETURNED)
        model = path.model_name
        if model not in (self._model, "none"):
            status = path.status()
            first = not self._model
            self._model = model
            facts: dict[str, Any] = {"model": model, "upsampling": status.upsampling}
            if status.model_wants:
                facts["better_would_need"] = status.model_wants
            self._emit(source.FRAMES_STARTED if first else source.MODEL_CHOSEN, **facts)

    def seldom(self, _: float) -> None:
        """Look at all counters; once a second."""
        status = self._ticks.path.status()
        for cause, count in _risen(self._rejected, status.rejected):
            self._emit(source.FRAME_REJECTED, cause=cause, times=count)
        for guard, count in _risen(self._guards, status.guard_counts):
            if guard.upper() in (told.name for told in _TOLD_GUARDS):
                self._emit(force.GUARD_ACTED, guard=guard, ticks=count)
        for name, count in _risen(self._counters, self._plugins.counters()):
            self._tell_counter(name, count)
        if self._ticks.skipped > self._skipped:
            self._emit(service.TICKS_SKIPPED, ticks=self._ticks.skipped - self._skipped)
            self._skipped = self._ticks.skipped
        clipped, commands = status.clipped - self._clipped[0], status.commands - self._clipped[1]
        if commands and clipped > _CLIPPED_WORTH_TELLING * commands:
            self._emit(force.TORQUE_CLIPPED, share=round(clipped / commands, 2))
        self._clipped = (status.clipped, status.commands)
        self._read_supervisor()

    def _tell_counter(self, name: str, count: int) -> None:
        who, _, cause = name.partition(": ")
        if cause == "torn_read":
            if count >= _TORN_WORTH_TELLING:
                self._emit(source.READS_TORN, plugin=who, times=count)
        elif cause.startswith("record_") or cause == "sender_refused":
            self._emit(source.RECORD_REJECTED, plugin=who, cause=cause, times=count)

    def _read_supervisor(self) -> None:
        """Pass on what the supervisor wrote since the last look."""
        try:
            size = self._report.stat().st_size
            if size == self._report_size:
                return
            with self._report.open("rb") as file:
                file.seek(self._report_size)
                lines = file.read().splitlines()
        except OSError:
            return
        self._report_size = size
        for line in lines:
            try:
                row = json.loads(line)
            except ValueError:
                continue
            row.pop("time", None)
            self._emit(service.DEVICE_CUT, **row)
        self.on_cut()


def _risen(known: dict[str, int], now: dict[str, int]) -> list[tuple[str, int]]:
    """Return what rose and by how much; remember the new counts."""
    risen = [(name, count - known.get(name, 0)) for name, count in now.items() if count > known.get(name, 0)]
    known.update(now)
    return risen
