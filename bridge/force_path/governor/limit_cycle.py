"""Limit-cycle guard: a wheel that swings about its centre by itself gets less gain and more damping.

What it looks for: half swings of the wheel, alternating in sign, about the centre, with the torque taking
part. From 2 to 15 Hz they must not be dying out; a driver's weave is slower, kerb teeth are faster. From 0.8
to 2 Hz, where drivers weave too, each must be clearly larger than the one before, four times in a row.
Without a wheel angle it cannot see anything; the ceiling still holds.
"""

from __future__ import annotations

from bridge.force_path.moment import Moment

_SLOW_TIME = 0.25
"""Time constant of the mean that swings are measured from, s."""
_SHORTEST_HALF = 1.0 / 30.0
_LONGEST_HALF = 1.0 / 4.0
_LONGEST_GROWING_HALF = 0.6
_GROWTH = 1.15
"""Each half swing of a growing oscillation is at least so much larger than the one before."""
_GROWN_PROOF = 4
_SMALLEST_GROWN = 0.05
_SMALLEST = 0.0175
"""Amplitude below which nothing counts, rad (1 deg)."""
_CENTRE = 1.0
"""How far from the centre it still looks, rad."""
_TAKES_PART = 0.05
"""Torque below which the torque isn't what drives the swing, N m."""
_DYING = 0.7
"""A swing smaller than this share of the one before is dying out by itself."""
_PROOF = 6
"""Half swings in a row until it acts."""
_STEP = 0.75
_SLOW_STEP = 0.5
"""Slow swings come seldom: each has to count for more."""
_LOWEST_GAIN = 0.15
_DAMPING_STEP = 0.08
_MOST_DAMPING = 0.6
"""N m s/rad; well below what a light rim (0.02 kg m2) bears at 5 samples of delay (about 5, Colgate)."""
_PATIENCE = 0.8
"""Without a swing for this long, s, it begins to give back."""
_GIVE_BACK = 0.4
"""Share of the gain given back a second."""


class LimitCycleGuard:
    """Watches the wheel; `gain` multiplies the torque, `damping` is added against the wheel's velocity."""

    __slots__ = (
        "_amplitude",
        "_count",
        "_grown",
        "_last",
        "_mean",
        "_moving",
        "_since",
        "active",
        "damping",
        "gain",
    )

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget what was seen and give everything back."""
        self.gain = 1.0
        self.damping = 0.0
        self.active = False
        self._mean = self._amplitude = 0.0
        self._moving = 0.0
        self._last = 0.0
        self._since = 0.0
        self._count = 0
        self._grown = 0

    def look(self, torque: float, moment: Moment) -> None:
        """Take one tick into account; `torque` in N m."""
        if not moment.wheel_known:
            return
        dt = moment.dt
        swing = moment.angle - self._mean
        self._mean += swing * dt / (_SLOW_TIME + dt)
        velocity = moment.velocity
        if velocity * self._moving < 0.0:
            self._turned(swing, torque, moment.now)
        if velocity != 0.0:
            self._moving = velocity
        if self.active:
            self._give_back(moment.now, dt)

    def _turned(self, swing: float, torque: float, now: float) -> None:
        """The wheel turned round: one half swing is complete."""
        size = abs(swing)
        half = now - self._since
        if size < _SMALLEST and half < _SHORTEST_HALF:
            return  # a tremor of the sensor on top of the swing
        swings = (
            half >= _SHORTEST_HALF
            and size >= _SMALLEST
            and swing * self._last < 0.0
            and -_CENTRE <= self._mean <= _CENTRE
            and (torque >= _TAKES_PART or torque <= -_TAKES_PART or self.active)
        )
        lasting = swings and half <= _LONGEST_HALF and size >= _DYING * self._amplitude
        growing = swings and half <= _LONGEST_GROWING_HALF and size >= _GROWTH * self._amplitude
        self._count = self._count + 1 if lasting else 0
        self._grown = self._grown + 1 if growing and size >= _SMALLEST_GROWN else 0
        going_on = (
            self.active and swings and half <= _LONGEST_GROWING_HALF and size >= _DYING * self._amplitude
        )
        self._last, self._amplitude, self._since = swing, size, now
        if self._count >= _PROOF or self._grown >= _GROWN_PROOF or going_on:
            slow = half > _LONGEST_HALF
            self.active = True
            self.gain = max(_LOWEST_GAIN, self.gain * (_SLOW_STEP if slow else _STEP))
            self.damping = min(_MOST_DAMPING, self.damping + (2.0 if slow else 1.0) * _DAMPING_STEP)

    def _give_back(self, now: float, dt: float) -> None:
        if now - self._since < _PATIENCE:
            return
        self.gain = min(1.0, self.gain + _GIVE_BACK * dt)
        self.damping = max(0.0, self.damping - _GIVE_BACK * _MOST_DAMPING * dt)
        if self.gain == 1.0 and self.damping == 0.0:
            self.active = False
            self._count = 0
