"""Drives to record: a plain one by formula, and one through the real force path; and how to run one again."""

from __future__ import annotations

import dataclasses
import math
import random
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.contract import Command, Frame, Surface, Tick, Tyre, Tyres, WheelState
from bridge.force_path.chain import ForcePath
from bridge.recording.feed import Feed
from bridge.recording.order import in_order, parameters_from_map
from bridge.recording.process import Options
from bridge.recording.reader import Recording
from tests.parameters import make_parameters

Tell = Callable[[str, dict[str, Any]], None]


def bits(value: Any) -> Any:
    """A form in which NaN equals itself, 0 differs from -0 and 1 from 1.0."""
    if isinstance(value, float):
        return "f", struct.pack("<d", value)
    if isinstance(value, tuple):
        return tuple(bits(part) for part in value)
    return type(value), value


def plain_tick(begin: float, n: int) -> Tick:
    now = begin + n / 1000
    frames = ((now, Frame(n / 1000, n, ay=1.0), b"raw"),) if n % 40 == 0 else ()
    wheel = None if n % 7 == 0 else WheelState(now, n * 1e-4, None if n % 2 else 0.5)
    command = Command(now, n, math.sin(n / 300), guards=n % 3)
    return Tick(now, now + 2e-5, frames, wheel, command, (n - 1, now) if n else None)


def record(
    path: Path | None, seconds: float = 2.0, tell: Tell = lambda *_: None, options: Options | None = None
) -> Feed:
    """Feed a plain drive of some seconds, as fast as the process takes it; into a file if there is a path."""
    feed = Feed(60.0, tell, options)
    if path is not None:
        feed.open(path)
    begin = time.monotonic()
    content = {"governor": {"ceiling": 2.0, "slew": 200.0}, "wheel": {"peak_torque": 8.0}}
    feed.note("inputs", {"time": begin, "kind": "parameters", "content": content})
    for n in range(round(seconds * 1000)):
        if n % 1000 == 0:
            drained(feed)
        feed.tick(plain_tick(begin, n))
    return feed


def drained(feed: Feed, limit: float = 20.0) -> None:
    """Wait until the process has taken everything."""
    end = time.monotonic() + limit
    while feed._link.waiting and time.monotonic() < end:
        time.sleep(0.005)


class RealDrive:
    """A force path that is driven at random, reproducibly, and recorded as the daemon does it."""

    def __init__(self, feed: Feed, seed: int) -> None:
        self.commands: list[Command] = []
        self.frames: list[tuple[float, Frame, bytes | None]] = []
        self._feed = feed
        self._random = random.Random(seed)
        self._parameters = make_parameters()
        self._path = ForcePath(self._parameters)
        self._now = 100.0
        self._path.restart(self._now, "sink")
        self._note("restart", {"reason": "sink"})
        self._note("parameters", dataclasses.asdict(self._parameters))

    def _note(self, kind: str, content: dict[str, Any]) -> None:
        self._feed.note("inputs", {"time": self._now, "kind": kind, "content": content})

    def drive(self, ticks: int) -> None:
        for n in range(ticks):
            if n % 500 == 499:
                drained(self._feed)
                self._do_something()
            arrived = (self._frame(n),) if n % 40 == 3 or n % 977 == 0 else ()
            for arrival, frame, _ in arrived:
                self._path.frame(frame, arrival)
            wheel = self._wheel(n)
            command = self._path.step(self._now, wheel)
            self._feed.tick(Tick(self._now, self._now + 1e-5, arrived, wheel, command))
            self.commands.append(command)
            self.frames += arrived
            self._now += 0.001 if n % 700 else 0.0043

    def _frame(self, n: int) -> tuple[float, Frame, bytes | None]:
        pick = self._random
        tyre = [
            Tyre(
                fx=pick.uniform(-500.0, 500.0),
                fy=pick.uniform(-3000.0, 3000.0),
                fz=pick.uniform(500.0, 5000.0),
                slip_angle=pick.uniform(-0.1, 0.1),
                surface=pick.choice(list(Surface)),
            )
            for _ in range(4)
        ]
        speed = math.nan if n % 1600 == 3 else pick.uniform(0.0, 60.0)
        frame = Frame(
            self._now - 50.0, n, driving=n % 900 > 50, speed=speed, ay=pick.gauss(0.0, 4.0),
            steer=pick.gauss(0.0, 0.1), tyres=Tyres(*tyre),
        )  # fmt: skip
        return self._now - pick.uniform(0.0, 1e-3), frame, pick.randbytes(64)

    def _wheel(self, n: int) -> WheelState | None:
        if n % 811 < 3:
            return None
        velocity = None if n % 1500 < 700 else -0.0 if n % 5 == 0 else self._random.gauss(0.0, 1.0)
        return WheelState(self._now - 4e-4, math.sin(self._now) * 3.0, velocity)

    def _do_something(self) -> None:
        what = self._random.choice(["configure", "again", "calm", "resume", "restart", "event"])
        if what == "configure":
            self._parameters = make_parameters(
                self._parameters, shaping__strength=self._random.uniform(0.05, 0.5),
                wheel__linearisation=((0.0, 0.0), (0.5, self._random.uniform(0.3, 0.7)), (1.0, 1.0)),
            )  # fmt: skip
            self._path.configure(self._parameters, self._now)
            self._note("parameters", dataclasses.asdict(self._parameters))
        elif what == "again":  # a sink opened: the daemon says what is in force, and configures nothing
            self._path.restart(self._now, "sink")
            self._note("restart", {"reason": "sink"})
            self._note("parameters", dataclasses.asdict(self._parameters))
        elif what == "calm":
            self._path.calm(self._now)
            self._note("calm", {})
        elif what == "resume":
            self._path.resume(self._now)
            self._note("resume", {})
        elif what == "restart":
            self._path.restart(self._now, "source")
            self._note("restart", {"reason": "source"})
        else:
            self._feed.note("events", {"time": self._now, "event": "sink_opened", "plugin": "null"})


def run_again(recording: Recording) -> list[tuple[Command, Command]]:
    """Run a recording that begins with tick 0 through the force path; return (recorded, computed)."""
    path: ForcePath | None = None
    found = []
    for inputs, tick in in_order(recording):
        for row in inputs:
            kind, now = row["kind"], row["time"]
            if kind == "parameters" and path is None:
                path = ForcePath(parameters_from_map(row["content"]))
            elif path is None:
                continue  # before it was made, nothing could reach it
            elif kind == "parameters" and row["configured"]:
                path.configure(parameters_from_map(row["content"]), now)
            elif kind == "calm":
                path.calm(now)
            elif kind == "resume":
                path.resume(now)
            elif kind == "restart":
                path.restart(now, row["content"]["reason"])
        assert path is not None, "the parameters must come before the first tick"
        for arrival, frame, _ in tick.frames:
            path.frame(frame, arrival)
        found.append((tick.command, path.step(tick.now, tick.wheel)))
    return found
