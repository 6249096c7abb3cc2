"""Picks the best torque model that a frame's fields allow, and never steps when the choice changes."""

from __future__ import annotations

from bridge.contract.frame import Frame
from bridge.force_path.parameters import Parameters
from bridge.force_path.torque.geometry import Geometry
from bridge.force_path.torque.models import TorqueModel, all_models

NO_MODEL = "none"
_BLEND_TIME = 0.2
"""What a change of model would step is faded over this time, s."""


class SteeringTorque:
    """From a frame to the torque at the sim's rim, N m, left positive."""

    def __init__(self, parameters: Parameters) -> None:
        self.model: TorqueModel | None = None
        self.torque = 0.0
        """The last torque, N m."""
        self._offset = 0.0
        self._offset_left = 0.0
        self._time = 0.0
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """Take new numbers; the next frame continues from the torque of the last one."""
        kept = self.model.name if self.model is not None else ""
        self._models = all_models(parameters)
        self.geometry = Geometry(parameters)
        self.model = next((model for model in self._models if model.name == kept), None)

    def reset(self) -> None:
        """Forget the past."""
        self.model = None
        self.torque = self._offset = self._offset_left = 0.0
        for model in self._models:
            model.reset()

    @property
    def name(self) -> str:
        """Name of the model that runs."""
        return self.model.name if self.model is not None else NO_MODEL

    @property
    def wants(self) -> str:
        """What a better model would need; empty if the best one runs."""
        better = []
        for model in self._models:
            if model is self.model:
                break
            better.append(f"{model.needs} (for '{model.name}')")
        return "; ".join(better)

    @property
    def includes_pull(self) -> bool:
        """Whether longitudinal forces are in the torque already."""
        return self.model is not None and self.model.includes_pull

    def frame(self, frame: Frame, arrival: float, steer: float) -> float:
        """Return the torque for a frame, N m; `arrival` in s, `steer` the road-wheel angle in rad."""
        chosen: TorqueModel | None = None
        torque = 0.0
        for model in self._models:
            found = model.torque(frame, steer)
            if found is not None:
                chosen, torque = model, found
                break
        if chosen is not self.model:
            if self.model is not None:
                self._offset = self.torque - torque
                self._offset_left = _BLEND_TIME
            self.model = chosen
        if self._offset_left > 0.0:
            torque += self._offset * self._offset_left / _BLEND_TIME
            self._offset_left -= min(max(arrival - self._time, 0.0), _BLEND_TIME)
        self._time = arrival
        self.torque = torque
        return torque
