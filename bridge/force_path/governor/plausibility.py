"""Which frames are believed at all: finite, within what a car can do, in the order of time.

A rejected frame is counted by its cause and changes nothing else; without good frames the governor fades.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any

from bridge.contract.frame import Frame, Tyre


class Rejection(StrEnum):
    """Why a frame was not believed."""

    NOT_FINITE = "not_finite"
    OUT_OF_RANGE = "out_of_range"
    TIME_REPEATED = "time_repeated"
    TIME_BACKWARDS = "time_backwards"
    WRONG_TYPE = "wrong_type"


_RESTART = 1.0
"""A clock that goes back by more than this, s, is a sim that started again: believed."""
_STUBBORN = 25
"""So is one that keeps running behind for this many frames."""
_LARGEST: tuple[tuple[str, float], ...] = (
    ("speed", 200.0),
    ("lateral_speed", 200.0),
    ("ax", 500.0),
    ("ay", 500.0),
    ("yaw_rate", 50.0),
    ("steer", 3.2),
    ("steering_wheel", 100.0),
    ("rack_force", 2e5),
    ("steering_torque", 1e3),
    ("engine_speed", 5e3),
    ("throttle", 10.0),
    ("brake", 10.0),
)
"""Largest credible magnitude, SI: beyond any car on wheels, crashes included (common practice, no source)."""
_LARGEST_TYRE: tuple[float, ...] = (2e5, 2e5, 2e5, 2e4, 3.2, 1e4)
"""The same for fx, fy, fz, mz, slip_angle, slip_ratio."""


def _index(name: str) -> int:
    return Frame._fields.index(name)


_FRAME_CHECKS = tuple((_index(name), largest) for name, largest in _LARGEST)
_TYRES = _index("tyres")


class Plausibility:
    """Looks at every frame before anything else does."""

    def __init__(self) -> None:
        self.restarts = 0
        """How often the sim's clock began anew."""
        self.reset()

    def reset(self) -> None:
        """Forget the order of time: any next frame is in order."""
        self._time: float | None = None
        self._behind = 0

    def check(self, frame: Frame) -> Rejection | None:
        """Return why a frame is not to be believed, or `None` if it is. Never raises."""
        try:
            found = self._values(frame)
        except TypeError:
            return Rejection.WRONG_TYPE
        if found is None and not frame.driving and frame.time == self._time:
            return None  # a paused sim stops its clock and goes on sending: that it pauses is news
        return found or self._order(frame.time)

    def _values(self, frame: Frame) -> Rejection | None:
        time = frame[0]
        if not -1e12 < time < 1e12:
            return Rejection.NOT_FINITE if time - time != 0.0 else Rejection.OUT_OF_RANGE
        row: tuple[Any, ...] = frame  # by position: named access to twelve fields costs twice as much
        for position, largest in _FRAME_CHECKS:
            value = row[position]
            if value is not None and not -largest <= value <= largest:
                return Rejection.NOT_FINITE if value - value != 0.0 else Rejection.OUT_OF_RANGE
        tyres = row[_TYRES]
        return None if tyres is None else self._tyres(tyres)

    def _tyres(self, tyres: tuple[Tyre, ...]) -> Rejection | None:
        for tyre in tyres:
            for value, largest in zip(tyre, _LARGEST_TYRE, strict=False):
                if value is not None and not -largest <= value <= largest:
                    return Rejection.NOT_FINITE if value - value != 0.0 else Rejection.OUT_OF_RANGE
        return None

    def _order(self, time: float) -> Rejection | None:
        last = self._time
        if last is None or time > last:
            self._time, self._behind = time, 0
            return None
        if time == last:
            return Rejection.TIME_REPEATED
        self._behind += 1
        if last - time > _RESTART or self._behind >= _STUBBORN:
            self.restarts += 1
            self._time, self._behind = time, 0
            return None
        return Rejection.TIME_BACKWARDS
