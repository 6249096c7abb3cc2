"""Inverse dynamics against two independent packages: commonroad-vehicle-models (BSD) and opendbc (MIT)."""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest

from bridge.contract import Frame
from bridge.force_path.torque.models import BodyMotion, LateralForce
from tests.parameters import make_parameters

pytestmark = pytest.mark.published
GRAVITY = 9.81


def commonroad() -> tuple[Any, Any]:
    dynamics = pytest.importorskip("vehiclemodels.vehicle_dynamics_st")
    parameters = pytest.importorskip("vehiclemodels.parameters_vehicle2")
    return dynamics.vehicle_dynamics_st, parameters.parameters_vehicle2()


@pytest.mark.parametrize("steer", [0.01, 0.03, -0.05])
def test_the_front_force_of_commonroads_single_track_is_found_from_its_motion(steer: float) -> None:
    derivative, p = commonroad()
    speed, step = 20.0, 1e-3
    state = [0.0, 0.0, 0.0, speed, 0.0, 0.0, 0.0]
    model = BodyMotion(
        make_parameters(car__mass=p.m, car__front_axle=p.a, car__rear_axle=p.b, car__yaw_inertia=p.I_z)
    )
    for k in range(600):
        state[2] = steer
        rates = derivative(state, [0.0, 0.0], p)
        yaw_rate, slip = state[5], state[6]
        ay = speed * (rates[6] + yaw_rate)
        stiffness = -p.tire.p_ky1 * p.m * GRAVITY * p.b / (p.a + p.b)
        force = stiffness * (steer - slip - p.a * yaw_rate / speed)
        if k % 50 == 0:
            assert model.front_force(ay, rates[5]) == pytest.approx(force, rel=1e-6, abs=1e-3)
        state = [value + rate * step for value, rate in zip(state, rates, strict=True)]


@pytest.mark.skipif(sys.version_info >= (3, 13), reason="opendbc 0.3.1 is built up to Python 3.12")
@pytest.mark.parametrize("speed", [10.0, 20.0, 30.0])
def test_the_front_force_of_opendbcs_steady_corner(speed: float) -> None:
    """Car: Rajamani, Vehicle Dynamics and Control (numbers from memory)."""
    opendbc = pytest.importorskip("opendbc.car.vehicle_model")
    car = SimpleNamespace(
        mass=1573.0, rotationalInertia=2873.0, wheelbase=2.68, centerToFront=1.1, steerRatioRear=0.0,
        tireStiffnessFront=160e3, tireStiffnessRear=160e3, steerRatio=1.0,
    )  # fmt: skip
    steer = 0.02
    lateral_speed, yaw_rate = opendbc.VehicleModel(car).steady_state_sol(steer, speed, 0.0).ravel()
    force = 160e3 * (steer - (lateral_speed + 1.1 * yaw_rate) / speed)
    parameters = make_parameters(
        car__mass=1573.0, car__front_axle=1.1, car__rear_axle=1.58, car__yaw_inertia=2873.0
    )
    model = BodyMotion(parameters)
    assert model.front_force(speed * yaw_rate, 0.0) == pytest.approx(force, rel=1e-6)
    rim = LateralForce(parameters).from_force(force)
    steady = [model.torque(Frame(n / 25, ay=speed * yaw_rate, yaw_rate=yaw_rate), 0.0) for n in range(5)]
    assert steady[-1] == pytest.approx(rim, rel=1e-6)


def test_the_filtered_yaw_acceleration_arrives_within_its_stated_delay() -> None:
    """A ramp of the yaw rate: its derivative has passed 63 % after filter time plus one frame."""
    parameters = make_parameters()
    model, car = BodyMotion(parameters), parameters.car
    length = car.front_axle + car.rear_axle
    full = LateralForce(parameters).from_force(car.yaw_inertia * 1.0 / length)
    found = [model.torque(Frame(n / 25, ay=0.0, yaw_rate=max(0.0, (n - 5) / 25)), 0.0) for n in range(40)]
    assert found[4] == 0.0
    reached = next(n for n, torque in enumerate(found) if torque is not None and torque <= 0.63 * full)
    assert (reached - 5) / 25 <= 0.06 + 2 / 25
    assert found[-1] == pytest.approx(full, rel=1e-2)
