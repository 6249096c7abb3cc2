"""Which way the torque pulls, which model runs, and that changing the model never steps it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.contract import Frame, Surface, Tyre, Tyres, WheelState, from_z_down
from bridge.force_path.chain import ForcePath
from bridge.force_path.torque import SteeringTorque
from bridge.force_path.torque.models import all_models
from tests.parameters import make_parameters


def tyres(fy: float, mz: float | None = None, fz: float | None = 3000.0, **more: Any) -> Tyres:
    return Tyres(*[Tyre(fy=fy, fz=fz, mz=mz, **more)] * 4)


RIGHT = {  # a right turn: forces of the road on the tyres and the acceleration point right (negative)
    "steering torque": Frame(1.0, steering_torque=4.0),
    "rack force": Frame(1.0, rack_force=2000.0),
    "tyre forces": Frame(1.0, steer=-0.05, tyres=tyres(-1500.0)),
    "lateral force": Frame(1.0, steer=-0.05, tyres=tyres(-1500.0, fz=None)),
    "body motion": Frame(1.0, ay=-4.0, yaw_rate=-0.3),
    "aligning torque": Frame(1.0, tyres=Tyres(*[Tyre(mz=25.0)] * 4)),
}


@pytest.mark.parametrize("name", RIGHT)
def test_turning_right_gives_a_torque_that_pushes_left(name: str) -> None:
    choice = SteeringTorque(make_parameters())
    torque = choice.frame(RIGHT[name], 0.0, -0.05)
    assert choice.name == name
    assert torque > 0.0


@pytest.mark.parametrize("name", RIGHT)
def test_the_same_in_z_down_axes(name: str) -> None:
    z_down = from_z_down(RIGHT[name])  # what a z-down sim would have given
    choice = SteeringTorque(make_parameters())
    assert choice.frame(from_z_down(z_down), 0.0, -0.05) > 0.0


def test_every_model_has_its_turning_test() -> None:
    assert {model.name for model in all_models(make_parameters())} == set(RIGHT)


def test_self_righting_after_a_small_steer_under_load() -> None:
    """The load lifts the car as the wheels are steered: at standstill it pushes back."""
    choice = SteeringTorque(make_parameters())
    assert choice.frame(Frame(1.0, tyres=tyres(0.0, mz=0.0)), 0.0, 0.1) < 0.0
    assert choice.frame(Frame(2.0, tyres=tyres(0.0, mz=0.0)), 1.0, -0.1) > 0.0


number = st.floats(-3.0, 3.0, allow_nan=False)
force = st.floats(-4000.0, 4000.0)
tyre = st.builds(Tyre, fx=force, fy=force, fz=st.floats(0, 6000), mz=st.none() | st.floats(-80, 80),
                 surface=st.sampled_from([Surface.ASPHALT, Surface.GRASS]))  # fmt: skip


def mirrored(frame: Frame) -> Frame:
    """The world in a mirror: signs turned, and left tyres on the right."""
    turned = from_z_down(frame)
    tyres = turned.tyres
    if tyres is not None:
        tyres = Tyres(tyres.front_right, tyres.front_left, tyres.rear_right, tyres.rear_left)
    return turned._replace(tyres=tyres)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.builds(lambda ay, r, s, t: (ay, r, s, t), number, number, st.floats(-0.4, 0.4),
       st.none() | st.builds(Tyres, tyre, tyre, tyre, tyre)), min_size=2, max_size=6))  # fmt: skip
def test_a_mirrored_world_gives_the_mirrored_torque_bit_for_bit(rows: list[Any]) -> None:
    parameters = make_parameters(feel__road=0.0, feel__kerb=0.0, feel__off_track=0.0)
    one, other = ForcePath(parameters), ForcePath(parameters)
    now = 0.0
    for number_, (ay, rate, steer, four) in enumerate(rows):
        frame = Frame(number_ / 25, speed=20.0, ay=ay, yaw_rate=rate, steer=steer, tyres=four)
        one.frame(frame, now)
        other.frame(mirrored(frame), now)
        for k in range(40):
            now += 0.001
            wheel = WheelState(now, 3.0 * steer + 0.01 * k, None)
            mirror = WheelState(now, -wheel.angle, None)
            a, b = one.step(now, wheel), other.step(now, mirror)
            assert a.torque == -b.torque


def test_a_change_of_model_fades_its_step() -> None:
    choice = SteeringTorque(make_parameters())
    for n in range(10):
        before = choice.frame(Frame(n / 25, steering_torque=6.0), n / 25, 0.0)
    after = choice.frame(Frame(0.4, ay=0.0, yaw_rate=0.0), 0.4, 0.0)
    assert choice.name == "body motion"
    assert after == pytest.approx(before)
    values = [
        choice.frame(Frame(0.4 + n / 25, ay=0.0, yaw_rate=0.0), 0.4 + n / 25, 0.0) for n in range(1, 10)
    ]
    assert max(abs(b - a) for a, b in zip([after, *values], values, strict=False)) <= before * 0.21
    assert values[-1] == pytest.approx(0.0, abs=1e-9)


def test_it_says_what_a_better_model_would_need() -> None:
    choice = SteeringTorque(make_parameters())
    assert choice.name == "none"
    choice.frame(Frame(0.0, ay=1.0, yaw_rate=0.1), 0.0, 0.0)
    assert "tyres.fy" in choice.wants
    assert "steering_torque" in choice.wants
    choice.frame(Frame(0.1, steering_torque=1.0), 0.1, 0.0)
    assert choice.wants == ""


def test_no_usable_field_no_torque() -> None:
    choice = SteeringTorque(make_parameters())
    assert choice.frame(Frame(0.0, speed=10.0), 0.0, 0.0) == 0.0
    assert choice.name == "none"
    choice.reset()
    assert choice.torque == 0.0


def test_540_degrees_of_wheel_over_24_degrees_of_road_wheel_is_11_25() -> None:
    assert SteeringTorque(make_parameters()).geometry.ratio == pytest.approx(11.25)
    assert SteeringTorque(make_parameters(car__steering_ratio=14.0)).geometry.ratio == 14.0


def test_power_steering_carries_its_share() -> None:
    plain = SteeringTorque(make_parameters()).frame(RIGHT["tyre forces"], 0.0, -0.05)
    half = SteeringTorque(make_parameters(car__steering_assist=0.5)).frame(RIGHT["tyre forces"], 0.0, -0.05)
    assert half == pytest.approx(0.5 * plain)
