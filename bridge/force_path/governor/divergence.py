"""Divergence guard: a torque that drives the wheel away from the centre faster and faster is cut.

Two faults look like this. (1) The sim's sign is wrong: the torque pushes outwards and grows with the angle.
A car that slides does that too for a moment, and rightly (the wheel turns into the slide); but then the
torque is against the yaw, while with a wrong sign it is with it. (2) The device is connected the wrong way
round: the command pulls back, yet the wheel accelerates outwards in proportion to it, tick by tick. A
driver's hand accelerates early and brakes late, so the ratio of acceleration to command does not hold.
"""

from __future__ import annotations

from bridge.force_path.moment import Moment

_FAST = 1.0
"""Slower than this, rad/s, nothing diverges."""
_TRAVEL = 0.14
"""Outward travel before it judges, rad (8 deg)."""
_TRAVEL_UNSURE = 0.30
"""The same where nothing is known of the yaw."""
_TORQUE = 0.15
"""A torque below this cannot be the cause, N m."""
_GROWTH = 1.5
"""How much the outward torque must have grown since the run began."""
_STEADY = 2.0
"""Largest change of acceleration over command that still counts as proportional."""
_REVERSED_GROWTH = 2.0
_FILTER_TIME = 0.008
"""Low pass of the wheel's acceleration and, alike, of the command, s."""
_SETTLE = 0.025
"""The ratio is looked at from here on, s after the run's begin."""
_FIRST_HOLD = 0.7
_LONGEST_HOLD = 10.0
_FORGIVEN = 30.0


class DivergenceGuard:
    """Watches runs of outward motion; `holding` is True while the torque has to be zero."""

    __slots__ = (
        "_acceleration",
        "_began",
        "_command",
        "_direction",
        "_first",
        "_high",
        "_hold",
        "_last_cut",
        "_low",
        "_peak",
        "_start",
        "_start_torque",
        "_until",
        "_velocity",
        "count",
        "holding",
    )

    def __init__(self) -> None:
        self.count = 0
        self.reset()

    def reset(self) -> None:
        """Forget what was seen."""
        self.holding = False
        self._until = 0.0
        self._hold = _FIRST_HOLD
        self._last_cut = -1e9
        self._velocity = self._acceleration = self._command = 0.0
        self._end_run()

    def _end_run(self) -> None:
        self._direction = 0.0
        self._start = self._start_torque = self._peak = 0.0
        self._began = 0.0
        self._first = 0.0
        self._low = self._high = 0.0

    def look(self, torque: float, moment: Moment) -> bool:
        """Take one tick into account; `torque` is the last command in the world's sign. True: cut now."""
        now, dt = moment.now, moment.dt
        if self.holding:
            if now < self._until:
                return False
            self.holding = False
            self._end_run()
        velocity = moment.velocity
        if not moment.wheel_known or dt <= 0.0:
            return False
        share = dt / (_FILTER_TIME + dt)
        self._acceleration += ((velocity - self._velocity) / dt - self._acceleration) * share
        self._command += (torque - self._command) * share
        self._velocity = velocity
        outward = velocity if moment.angle >= 0.0 else -velocity
        if outward < 0.1 or (self._direction and velocity * self._direction < 0.8 * self._peak):
            if self._direction:
                self._end_run()
            return False
        if self._direction == 0.0:
            self._direction = 1.0 if velocity > 0.0 else -1.0
            self._start, self._start_torque, self._began = moment.angle, torque, now
        speed = velocity * self._direction
        self._peak = max(self._peak, speed)
        self._note_ratio(now)
        if speed < _FAST or not (self._wrong_sign(torque, moment) or self._reversed(moment)):
            return False
        self._cut(now)
        return True

    def _note_ratio(self, now: float) -> None:
        """Follow the ratio of outward acceleration to the command that should pull back."""
        pull = -self._command * self._direction
        if now - self._began < _SETTLE or pull < 0.3 * _TORQUE:
            return
        ratio = self._acceleration * self._direction / pull
        if self._first == 0.0:
            self._first, self._low, self._high = pull, ratio, ratio
        self._low = min(self._low, ratio)
        self._high = max(self._high, ratio)

    def _wrong_sign(self, torque: float, moment: Moment) -> bool:
        push = torque * self._direction
        if push < _TORQUE or push < _GROWTH * self._start_torque * self._direction:
            return False
        frame = moment.frame
        yaw = frame.yaw_rate if frame is not None else None
        travel = (moment.angle - self._start) * self._direction
        if yaw is not None and (yaw > 0.02 or yaw < -0.02):
            return yaw * torque > 0.0 and travel > _TRAVEL
        return travel > _TRAVEL_UNSURE

    def _reversed(self, moment: Moment) -> bool:
        pull = -self._command * self._direction
        if pull < _TORQUE or self._first == 0.0 or pull < _REVERSED_GROWTH * self._first:
            return False
        travel = (moment.angle - self._start) * self._direction
        return travel > _TRAVEL and self._low > 0.0 and self._high < _STEADY * self._low

    def _cut(self, now: float) -> None:
        self.count += 1
        longer = now - self._last_cut < _FORGIVEN
        self._hold = min(2.0 * self._hold, _LONGEST_HOLD) if longer else _FIRST_HOLD
        self._last_cut = now
        self._until = now + self._hold
        self.holding = True
