"""The torque models, best first; each says what it needs and turns a frame into N m at the rim.

A model never guesses a missing field: it is not usable on a frame that lacks what it needs.
"""

from __future__ import annotations

from typing import ClassVar, Protocol

from bridge.contract.frame import Frame
from bridge.contract.units import STANDARD_GRAVITY
from bridge.force_path.parameters import Parameters
from bridge.force_path.torque.brush import aligning_torque
from bridge.force_path.torque.geometry import Geometry


class TorqueModel(Protocol):
    """One way from a frame to the torque at the sim's rim."""

    name: ClassVar[str]
    needs: ClassVar[str]
    """The fields it needs, in words."""
    includes_pull: ClassVar[bool]
    """Whether longitudinal forces are in it already."""

    def __init__(self, parameters: Parameters) -> None: ...

    def torque(self, frame: Frame, steer: float) -> float | None:
        """Return N m at the rim, left positive; `None` if the frame lacks a field. `steer` in rad."""

    def reset(self) -> None:
        """Forget what was filtered."""


class _Stateless:
    """What models without memory share."""

    def __init__(self, parameters: Parameters) -> None:
        self._geometry = Geometry(parameters)
        self._car = parameters.car

    def reset(self) -> None:
        """Nothing is remembered."""


class SimTorque(_Stateless):
    """The sim's own steering torque, taken as it is."""

    name: ClassVar[str] = "steering torque"
    needs: ClassVar[str] = "steering_torque"
    includes_pull: ClassVar[bool] = True

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`."""
        return frame.steering_torque


class RackForce(_Stateless):
    """The sim's rack force times the travel of the rack for each radian of the rim."""

    name: ClassVar[str] = "rack force"
    needs: ClassVar[str] = "rack_force"
    includes_pull: ClassVar[bool] = True

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`."""
        force = frame.rack_force
        return None if force is None else force * self._geometry.rack_lever


class TyreForces(_Stateless):
    """Moments about both kingpins from lateral, vertical and longitudinal force and aligning torque.

    Where the sim gives no aligning torque it follows from the lateral force by the inverted brush model.
    """

    name: ClassVar[str] = "tyre forces"
    needs: ClassVar[str] = "tyres.fy and tyres.fz of the front"
    includes_pull: ClassVar[bool] = True

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`."""
        tyres = frame.tyres
        if tyres is None:
            return None
        left, right = tyres[0], tyres[1]
        fy_l, fy_r, fz_l, fz_r = left.fy, right.fy, left.fz, right.fz
        if fy_l is None or fy_r is None or fz_l is None or fz_r is None:
            return None
        car, geometry = self._car, self._geometry
        mz_l, mz_r = left.mz, right.mz
        if mz_l is None or mz_r is None:
            mz_l = aligning_torque(fy_l, fz_l, car.friction, car.contact_half_length)
            mz_r = aligning_torque(fy_r, fz_r, car.friction, car.contact_half_length)
        moment = (mz_l + mz_r) * geometry.cos_total - (fy_l + fy_r) * geometry.mechanical_trail
        moment += geometry.load_moment(fz_l, fz_r, steer)
        if left.fx is not None and right.fx is not None:
            moment -= (left.fx - right.fx) * geometry.scrub_radius
        return moment * geometry.to_rim


class LateralForce(_Stateless):
    """Lateral force of the front axle times mechanical plus pneumatic trail, at the static front load."""

    name: ClassVar[str] = "lateral force"
    needs: ClassVar[str] = "tyres.fy of the front"
    includes_pull: ClassVar[bool] = False

    def __init__(self, parameters: Parameters) -> None:
        super().__init__(parameters)
        car = parameters.car
        self._load = car.mass * STANDARD_GRAVITY * car.rear_axle / (car.front_axle + car.rear_axle)

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`; the sim's own aligning torque is used where it is given."""
        tyres = frame.tyres
        if tyres is None:
            return None
        left, right = tyres[0], tyres[1]
        if left.fy is None or right.fy is None:
            return None
        given = left.mz + right.mz if left.mz is not None and right.mz is not None else None
        return self.from_force(left.fy + right.fy, given)

    def from_force(self, force: float, aligning: float | None = None) -> float:
        """Return N m at the rim for a lateral force of the front axle, N (left positive)."""
        car = self._car
        if aligning is None:
            aligning = aligning_torque(force, self._load, car.friction, car.contact_half_length)
        return (aligning - force * self._geometry.mechanical_trail) * self._geometry.to_rim


class AligningTorque(_Stateless):
    """The sim's aligning torque without any lateral force: the mechanical trail's part is missing."""

    name: ClassVar[str] = "aligning torque"
    needs: ClassVar[str] = "tyres.mz of the front"
    includes_pull: ClassVar[bool] = False

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`."""
        tyres = frame.tyres
        if tyres is None or tyres[0].mz is None or tyres[1].mz is None:
            return None
        return (tyres[0].mz + tyres[1].mz) * self._geometry.cos_total * self._geometry.to_rim


class BodyMotion:
    """Front-axle force by inverse dynamics of the single track, F = (m ay b + Iz dr/dt) / L, then its trail.

    dr/dt is the difference quotient of the yaw rate through a first-order low pass of 60 ms: with half a
    frame of the quotient itself it is late by about 80 ms at 25 Hz. (The force's main part, m ay b / L, is
    not delayed.)
    """

    name: ClassVar[str] = "body motion"
    needs: ClassVar[str] = "ay and yaw_rate"
    includes_pull: ClassVar[bool] = False
    _FILTER_TIME: ClassVar[float] = 0.06

    def __init__(self, parameters: Parameters) -> None:
        self._car = parameters.car
        self._lateral = LateralForce(parameters)
        self._time = 0.0
        self._rate: float | None = None
        self._acceleration = 0.0

    def reset(self) -> None:
        """Forget the yaw rate seen."""
        self._rate = None
        self._acceleration = 0.0

    def torque(self, frame: Frame, steer: float) -> float | None:
        """See `TorqueModel.torque`."""
        ay, rate = frame.ay, frame.yaw_rate
        if ay is None or rate is None:
            return None
        self._note(frame.time, rate)
        return self._lateral.from_force(self.front_force(ay, self._acceleration))

    def front_force(self, ay: float, yaw_acceleration: float) -> float:
        """Return the front axle's lateral force, N, from m/s2 and rad/s2."""
        car = self._car
        moment = car.mass * ay * car.rear_axle + car.yaw_inertia * yaw_acceleration
        return moment / (car.front_axle + car.rear_axle)

    def _note(self, time: float, rate: float) -> None:
        dt = time - self._time
        if self._rate is None or not 0.0 < dt < 0.5:  # a first frame, a pause or a restart: no quotient
            self._acceleration = 0.0
        else:
            raw = (rate - self._rate) / dt
            self._acceleration += (raw - self._acceleration) * dt / (self._FILTER_TIME + dt)
        self._time, self._rate = time, rate


def all_models(parameters: Parameters) -> list[TorqueModel]:
    """Return the models, best first."""
    return [
        SimTorque(parameters),
        RackForce(parameters),
        TyreForces(parameters),
        LateralForce(parameters),
        BodyMotion(parameters),
        AligningTorque(parameters),
    ]
