"""The pull of unequal longitudinal forces at the front, where the torque model lacks it."""

from __future__ import annotations

from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters
from bridge.force_path.torque.choice import SteeringTorque

_SMOOTHING = 0.03
"""Time constant that turns the frames' steps into slopes, s."""


class LongitudinalPull:
    """(Fx right - Fx left) times scrub radius over the steering ratio; Gillespie 1992, chapter 8, M_T."""

    def __init__(self, parameters: Parameters, steering: SteeringTorque) -> None:
        self._steering = steering
        self._value = 0.0
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        self._level = parameters.feel.longitudinal_pull

    def reset(self) -> None:
        """See `Stage`."""
        self._value = 0.0

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        if self._level == 0.0:
            return torque
        target = 0.0
        frame = moment.frame
        if frame is not None and frame.tyres is not None and not self._steering.includes_pull:
            left, right = frame.tyres[0].fx, frame.tyres[1].fx
            if left is not None and right is not None:
                geometry = self._steering.geometry
                target = (right - left) * geometry.scrub_radius * geometry.to_rim * self._level
        if target == 0.0 and self._value == 0.0:
            return torque
        self._value += (target - self._value) * moment.dt / (_SMOOTHING + moment.dt)
        return torque + self._value
