"""What the steering gear itself does to the rim: friction and damping at standstill, the end stop.

N m at the device, not scaled by the strength: they replace what the wheel's own mechanics lack.
"""

from __future__ import annotations

from bridge.force_path.arithmetic import squash
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters

_SLIDE_SPEED = 0.5
"""Rim speed around which dry friction reaches its value, rad/s. Steep enough to feel dry, flat enough that
friction / _SLIDE_SPEED stays below the damping a delayed loop bears (Colgate & Schenkel's bound: about
0.5 J/T at two samples of delay; 10 N m s/rad for a rim of 0.02 kg m2 at 1 kHz)."""


class RollingAndStandstill:
    """Friction and damping of tyres that stand, fading with speed, and a damping at all speeds."""

    def __init__(self, parameters: Parameters) -> None:
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        feel = parameters.feel
        self._friction = feel.standstill_friction
        self._standing = feel.standstill_damping
        self._rolling = feel.rolling_damping
        self._fade = feel.fade_speed * feel.fade_speed
        self._off = not (self._friction or self._standing or self._rolling)

    def reset(self) -> None:
        """Nothing is remembered."""

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        velocity = moment.velocity
        if self._off or velocity == 0.0:
            return torque
        speed = moment.road_speed
        share = self._fade / (self._fade + speed * speed)
        damping = self._rolling + self._standing * share
        torque -= damping * velocity
        if self._friction:
            torque -= self._friction * share * squash(velocity / _SLIDE_SPEED)
        return torque


class EndStop:
    """A spring and a damper beyond the wheel's rotation limit; the damper never pulls outwards."""

    def __init__(self, parameters: Parameters) -> None:
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._limit = 0.5 * parameters.wheel.rotation
        self._stiffness = parameters.feel.end_stop_stiffness
        self._damping = parameters.feel.end_stop_damping

    def reset(self) -> None:
        """Nothing is remembered."""

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        angle = moment.angle
        if -self._limit <= angle <= self._limit:
            return torque
        if angle > 0.0:
            push = self._stiffness * (angle - self._limit) + self._damping * moment.velocity
            return torque - push if push > 0.0 else torque
        push = self._stiffness * (-angle - self._limit) - self._damping * moment.velocity
        return torque + push if push > 0.0 else torque
