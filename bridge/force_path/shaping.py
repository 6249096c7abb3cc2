"""From N m at the sim's rim to N m at the user's: strength, softness, saturation, the device's own curve.

Every stage here is odd (mirrored in, mirrored out) and rising, and has no memory.
"""

from __future__ import annotations

from bridge.force_path.arithmetic import squash
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters

_LEAST = 1e-6
"""A minimum torque below this, N m, is none."""


class _Memoryless:
    """What stages without state share."""

    def __init__(self, parameters: Parameters) -> None:
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""

    def reset(self) -> None:
        """Nothing is remembered."""


class Strength(_Memoryless):
    """The share of the device's peak that the reference torque produces."""

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        shaping = parameters.shaping
        self._scale = shaping.strength * parameters.wheel.peak_torque / shaping.reference_torque

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        return torque * self._scale


class CentreSoftness(_Memoryless):
    """Lowers the slope at zero torque: T (1 - s w^2 / (w^2 + T^2))."""

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        width = parameters.shaping.centre_width * parameters.governor.ceiling
        self._softness = parameters.shaping.centre_softness
        self._square = width * width
        self._off = self._softness == 0.0 or self._square == 0.0

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        if self._off:
            return torque
        return torque * (1.0 - self._softness * self._square / (self._square + torque * torque))


class Saturation(_Memoryless):
    """Bends the torque from the knee on towards the ceiling, so that detail stays where clipping would be.

    With u the way beyond the knee in units of what is left to the ceiling, the rest is u / (1 + u): slope 1
    at the knee, never quite at the ceiling.
    """

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._ceiling = parameters.governor.ceiling
        self._knee = parameters.shaping.saturation_knee * self._ceiling
        self._left = self._ceiling - self._knee

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        knee = self._knee
        if -knee <= torque <= knee or self._left <= 0.0:
            return torque
        beyond = (abs(torque) - knee) / self._left
        bent = knee + self._left * (beyond / (1.0 + beyond) if beyond < 1e300 else 1.0)
        return bent if torque > 0.0 else -bent


class MinimumTorque(_Memoryless):
    """Adds the torque that overcomes the device's own friction, smoothly through zero: no chatter there."""

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._minimum = parameters.wheel.minimum_torque
        self._off = self._minimum < _LEAST
        self._per_width = 0.0 if self._off else 1.0 / (0.5 * self._minimum)

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        if self._off or torque == 0.0:
            return torque
        return torque + self._minimum * squash(torque * self._per_width)


class Linearisation(_Memoryless):
    """Asks for the level that exerts the wanted torque, by straight lines between measured points."""

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._points = parameters.wheel.linearisation
        self._peak = parameters.wheel.peak_torque

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        if not self._points:
            return torque
        wanted = abs(torque) / self._peak
        level = self._level(wanted) * self._peak
        return level if torque > 0.0 else -level

    def _level(self, wanted: float) -> float:
        x0 = y0 = 0.0
        for x1, y1 in self._points:
            if wanted <= x1 and x1 > x0:
                return y0 + (y1 - y0) * (wanted - x0) / (x1 - x0)
            x0, y0 = x1, y1
        return y0


class Polarity(_Memoryless):
    """Turns the sign where the device's positive direction is right."""

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._polarity = parameters.wheel.polarity

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        return torque * self._polarity
