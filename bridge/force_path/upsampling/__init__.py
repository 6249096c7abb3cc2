"""From the source's rate to the device's: methods of one small interface.

`hold` keeps the last frame's torque; `blend` runs in a straight line between the last two frames and is one
frame late for it. This module does not know which torque model ran.
"""

from __future__ import annotations

from typing import Protocol

from bridge.force_path.moment import Moment


class Upsampler(Protocol):
    """Between frames."""

    name: str

    def push(self, torque: float, arrival: float) -> None:
        """Take a frame's torque, N m at the sim's rim, and when it arrived, s."""

    def step(self, moment: Moment) -> float:
        """Return the torque at this tick, N m."""

    def reset(self) -> None:
        """Forget all frames."""


class Hold:
    """The last frame's torque."""

    name = "hold"

    def __init__(self) -> None:
        self._torque = 0.0

    def push(self, torque: float, arrival: float) -> None:
        """See `Upsampler`."""
        self._torque = torque

    def step(self, moment: Moment) -> float:
        """See `Upsampler`."""
        return self._torque

    def reset(self) -> None:
        """See `Upsampler`."""
        self._torque = 0.0


class Blend:
    """A straight line from where the output is to the newest frame, over one frame's time.

    The frame time is the low-passed spacing of arrivals; a gap of more than twice that (a lost frame, a
    pause) does not count, so one late frame does not slow the next ones down.
    """

    name = "blend"
    _SHORTEST = 1.0 / 250.0
    _LONGEST = 0.2
    _SHARE = 0.1

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """See `Upsampler`."""
        self._from = self._to = self._now = 0.0
        self._arrival = 0.0
        self._period = 0.0
        self._count = 0

    @property
    def period(self) -> float:
        """Estimated time between frames, s; 0 before the second frame."""
        return self._period

    def push(self, torque: float, arrival: float) -> None:
        """See `Upsampler`."""
        if self._count:
            spacing = min(max(arrival - self._arrival, self._SHORTEST), self._LONGEST)
            if self._period == 0.0:
                self._period = spacing
            elif spacing < 2.0 * self._period:
                self._period += self._SHARE * (spacing - self._period)
        self._count += 1
        self._from = self._now if self._count > 1 else torque
        self._to = torque
        self._arrival = arrival

    def step(self, moment: Moment) -> float:
        """See `Upsampler`."""
        elapsed = moment.now - self._arrival
        if elapsed >= self._period or self._period == 0.0:
            self._now = self._to
        elif elapsed > 0.0:
            self._now = self._from + (self._to - self._from) * (elapsed / self._period)
        else:
            self._now = self._from
        return self._now


METHODS: dict[str, type[Hold] | type[Blend]] = {"hold": Hold, "blend": Blend}


def make(name: str) -> Upsampler:
    """Return the method of that name; an unknown name gives `hold`, the one that assumes least."""
    return METHODS.get(name, Hold)()
