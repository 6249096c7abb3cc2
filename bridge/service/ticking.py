"""One tick: frames in, one step of the force path, one command out, everything noted.

This is the only place where the parts of the data path meet while driving. It does not know how plugins
are opened or restarted, nor which settings exist. Nothing here may block.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from bridge.contract import Command, Frame, Tick, WheelState
from bridge.force_path.chain import ForcePath
from bridge.service.lateness import Histogram
from bridge.service.realtime import CollectorSchedule

Arrived = tuple[Frame, float, bytes | None]
"""A frame, when it arrived (monotonic s), and the bytes it was decoded from."""


class SourcePort(Protocol):
    """Where frames come from."""

    def poll(self, now: float) -> Sequence[Arrived]:
        """Return the frames since the last call."""


class SinkPort(Protocol):
    """Where commands go."""

    def offer(self, command: Command) -> None:
        """Hand over a command; never blocks."""

    def wheel(self) -> WheelState | None:
        """Return the newest wheel state."""

    @property
    def delivered(self) -> tuple[int, float] | None:
        """Sequence of the last command the device took, and when (monotonic s)."""


class ObserverPort(Protocol):
    """Who takes note of every tick."""

    def observe(self, tick: Tick) -> None:
        """Take note; never blocks."""


class Beat(Protocol):
    """The sign of life for the supervisor."""

    def beat(self, now_ns: int) -> None:
        """Note that the force path ran at `now_ns` (monotonic)."""


class _Job:
    """Slow work that has its turn now and then."""

    __slots__ = ("due", "period", "run")

    def __init__(self, period: float, run: Callable[[float], None]) -> None:
        self.period = period
        self.run = run
        self.due = 0.0


class TickLoop:
    """Runs the force path once a tick and spreads slow jobs between ticks."""

    def __init__(self, path: ForcePath) -> None:
        self.path = path
        self.source: SourcePort | None = None
        self.sinks: list[SinkPort] = []
        self.wheel_sink: SinkPort | None = None
        """The sink whose wheel closes the loop."""
        self.observers: list[ObserverPort] = []
        self.heart: Beat | None = None
        self.lateness = Histogram()
        self.duration = Histogram()
        self.skipped = 0
        self.rejected = 0
        self.last_frame: Frame | None = None
        self.frame_count = 0
        self.last_command: Command | None = None
        self._collector = CollectorSchedule()
        self._jobs: list[_Job] = []
        self._next_job = float("inf")

    def every(self, period: float, job: Callable[[float], None]) -> None:
        """Run `job(now)` every `period` s, right after a tick's command is out; one job a tick at most."""
        self._jobs.append(_Job(period, job))
        self._next_job = 0.0

    def forget_jobs(self) -> None:
        """Run no job any more."""
        self._jobs.clear()
        self._next_job = float("inf")

    def _run_job(self, now: float) -> None:
        job = min(self._jobs, key=lambda job: job.due)
        job.due = max(job.due + job.period, now + 0.5 * job.period)
        self._next_job = min(job.due for job in self._jobs)
        job.run(now)

    def begin(self) -> None:
        """Take over the garbage collector; call once everything is loaded."""
        self._collector.begin()

    def end(self) -> None:
        """Give the garbage collector back."""
        self._collector.end()

    def tick(self, deadline: int, started: int, skipped: int) -> None:
        """Do one tick; times in ns on the monotonic clock (`bridge.service.ticker.TickCallback`)."""
        now = deadline * 1e-9
        path = self.path
        frames: list[tuple[float, Frame, bytes | None]] = []
        if self.source is not None:
            for frame, arrival, raw in self.source.poll(now):
                frames.append((arrival, frame, raw))
                self.last_frame = frame
                self.frame_count += 1
                if path.frame(frame, arrival) is not None:
                    self.rejected += 1
        primary = self.wheel_sink
        wheel = primary.wheel() if primary is not None else None
        self.last_command = command = path.step(now, wheel)
        for sink in self.sinks:
            sink.offer(command)
        if self.heart is not None:
            self.heart.beat(started)
        if self.observers:
            delivered = primary.delivered if primary is not None else None
            record = Tick(now, started * 1e-9, tuple(frames), wheel, command, delivered)
            for observer in self.observers:
                observer.observe(record)
        self.skipped += skipped
        self.lateness.add_ns(started - deadline)
        if now >= self._next_job:
            self._run_job(now)
        self._collector.after_tick(command.sequence)
        self.duration.add_ns(time.monotonic_ns() - started)
