"""Thermal guard: keeps the mean square torque within what the device bears for ever.

First-order model of the winding: heat follows the torque squared with one time constant (common practice
for motor protection, no source). From 80 % of the continuous rating's heat on, the ceiling sinks towards the
continuous torque, and comes back as the device cools.
"""

from __future__ import annotations

from bridge.force_path.arithmetic import smooth_step

_BEGIN = 0.8


class ThermalGuard:
    """Tracks heat; `ceiling` is what it allows, N m."""

    __slots__ = ("_allowed", "_ceiling", "_continuous", "_time", "active", "ceiling", "heat")

    def __init__(self) -> None:
        self.heat = 0.0
        """Low-passed torque squared, (N m)^2."""
        self.active = False
        self.configure(0.0, 0.0, 1.0)

    def configure(self, ceiling: float, continuous: float, time: float) -> None:
        """Take the ceiling and continuous torque, N m, and the time constant, s; the heat is kept."""
        self._ceiling = ceiling
        self._continuous = min(continuous, ceiling)
        self._allowed = continuous * continuous
        self._time = time
        self.ceiling = ceiling
        self._judge()

    def note(self, torque: float, dt: float) -> None:
        """Take one tick's output into account, N m for `dt` s."""
        self.heat += (torque * torque - self.heat) * dt / (self._time + dt)
        if self.active or self.heat > _BEGIN * self._allowed:
            self._judge()

    def _judge(self) -> None:
        if self._continuous >= self._ceiling:
            self.active, self.ceiling = False, self._ceiling
            return
        if self._allowed <= 0.0:
            self.active, self.ceiling = True, 0.0
            return
        share = smooth_step((self.heat / self._allowed - _BEGIN) / (1.0 - _BEGIN))
        self.active = share > 0.0
        self.ceiling = self._ceiling + (0.98 * self._continuous - self._ceiling) * share
