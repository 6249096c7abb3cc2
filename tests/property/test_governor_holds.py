"""The governor's promises against anything: ceiling, slew, finite, last, silent without frames.

The default run takes a few hundred examples, the slow suite 10,000.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.contract import Command, Frame, Guard, Surface, Tyre, Tyres, WheelState
from bridge.force_path.chain import ForcePath
from bridge.force_path.governor.limits import LONGEST_SILENCE, safe_limits
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters
from tests.parameters import TYPICAL, make_parameters

nasty = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, 1e300, -1e300, 1e-300, math.nan, math.inf, -math.inf, 5.0, -5.0]),
    st.floats(-50.0, 50.0),
)
maybe = st.none() | nasty
tyre = st.builds(
    Tyre, fx=maybe, fy=maybe, fz=maybe, mz=maybe, slip_angle=maybe, slip_ratio=maybe,
    surface=st.none() | st.sampled_from(Surface), travel=maybe,
)  # fmt: skip
hostile_frame = st.builds(
    Frame, time=nasty, index=st.none() | st.integers(-5, 5), driving=st.booleans(), speed=maybe,
    lateral_speed=maybe, ax=maybe, ay=maybe, yaw_rate=maybe, steer=maybe, steering_wheel=maybe,
    tyres=st.none() | st.builds(Tyres, tyre, tyre, tyre, tyre), rack_force=maybe, steering_torque=maybe,
    throttle=maybe, brake=maybe,
)  # fmt: skip
tame_frame = st.builds(
    lambda time, torque, speed: Frame(time, speed=speed, steering_torque=torque),
    st.floats(0.0, 10.0), st.floats(-30.0, 30.0), st.floats(0.0, 60.0),
)  # fmt: skip
wheel = st.none() | st.builds(WheelState, time=nasty, angle=nasty, velocity=maybe)


@st.composite
def any_parameters(draw: st.DrawFn) -> Parameters:
    """Parameters with some numbers replaced by anything at all."""
    changed: dict[str, Any] = {}
    for group in ("governor", "feel", "shaping", "wheel"):
        for field in dataclasses.fields(getattr(TYPICAL, group)):
            if field.name in ("seed", "linearisation", "update_rate") or draw(st.integers(0, 5)):
                continue
            changed[f"{group}__{field.name}"] = draw(nasty)
    return make_parameters(**changed)


tame_parameters = st.builds(
    lambda c, s, k, p: make_parameters(
        governor__ceiling=c, governor__slew=s, shaping__strength=k, wheel__polarity=p
    ),
    st.floats(0.1, 8.0), st.floats(10.0, 500.0), st.floats(0.0, 1.0), st.sampled_from([1.0, -1.0]),
)  # fmt: skip
event = st.one_of(
    st.tuples(st.just("frame"), hostile_frame | tame_frame),
    st.tuples(st.just("steps"), st.tuples(st.integers(1, 40), wheel)),
    st.tuples(st.just("jump"), st.floats(-1.0, 3.0)),
    st.tuples(st.just("configure"), any_parameters() | tame_parameters),
    st.tuples(st.sampled_from(["calm", "resume", "source", "sink"]), st.none()),
)


class Watch:
    """Checks every command against the limits in force, with nothing but the parameters."""

    def __init__(self, parameters: Parameters) -> None:
        self.limits = safe_limits(parameters)
        self.last = Command(0.0, -1, 0.0)
        self.first = True

    def see(self, command: Command) -> None:
        torque, last = command.torque, self.last.torque
        assert math.isfinite(torque)
        assert abs(torque) <= self.limits.ceiling
        assert command.sequence == self.last.sequence + 1
        elapsed = 0.0 if self.first else min(max(command.time - self.last.time, 0.0), 0.005)
        cut = torque == 0.0 and command.guards & Guard.CUT
        shrunk = command.guards & Guard.CEILING and torque * last >= 0.0 and abs(torque) <= abs(last)
        if not cut and not shrunk:
            assert abs(torque - last) <= self.limits.slew * elapsed * (1 + 1e-9) + 1e-12
        self.last, self.first = command, False


def drive(path: ForcePath, watch: Watch, events: list[tuple[str, Any]]) -> None:
    now = 100.0
    for kind, value in events:
        if kind == "frame":
            path.frame(value, now)
        elif kind == "steps":
            count, state = value
            for _ in range(count):
                now += 0.001
                watch.see(path.step(now, state))
        elif kind == "jump":
            now += value
            watch.see(path.step(now, None))
        elif kind == "configure":
            try:
                path.configure(value, now)
            except ValueError:  # refused: the old limits hold
                continue
            watch.limits = safe_limits(value)
        elif kind in ("calm", "resume"):
            getattr(path, kind)(now)
        else:
            path.restart(now, kind)


def hostile(parameters: Parameters, events: list[tuple[str, Any]]) -> None:
    try:
        path = ForcePath(parameters)
    except ValueError:  # the message says which number makes no sense
        path, parameters = ForcePath(TYPICAL), TYPICAL
    drive(path, Watch(parameters), events)


class Anything:
    """A stage that returns whatever it is told, and does not mind the rest."""

    def __init__(self, values: list[float]) -> None:
        self._values = values
        self._next = 0

    def configure(self, parameters: Parameters) -> None:
        return

    def reset(self) -> None:
        return

    def step(self, torque: float, moment: Moment) -> float:
        self._next += 1
        return self._values[self._next % len(self._values)]


def random_stages(values: list[float], parameters: Parameters, events: list[tuple[str, Any]]) -> None:
    drive(ForcePath(parameters, chain=[Anything(values)]), Watch(parameters), events)


HOSTILE = (any_parameters() | tame_parameters, st.lists(event, min_size=1, max_size=14))
STAGES = (st.lists(nasty, min_size=1, max_size=8), tame_parameters, st.lists(event, min_size=1, max_size=14))
CHECKS = [HealthCheck.too_slow, HealthCheck.data_too_large]


def run(check: Callable[..., None], strategies: tuple[Any, ...], examples: int) -> None:
    limits: Any = settings(max_examples=examples, deadline=None, suppress_health_check=CHECKS, database=None)
    decorate: Any = given(*strategies)
    limits(decorate(check))()


def test_hostile_frames_and_settings() -> None:
    run(hostile, HOSTILE, 150)


def test_the_governor_is_last_whatever_stands_before_it() -> None:
    run(random_stages, STAGES, 150)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_ten_thousand_hostile_frames_and_settings() -> None:
    run(hostile, HOSTILE, 10_000)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_ten_thousand_times_the_governor_is_last() -> None:
    run(random_stages, STAGES, 10_000)


@settings(max_examples=100, deadline=None)
@given(any_parameters(), st.floats(-30.0, 30.0))
def test_zero_torque_within_200_ms_of_the_last_good_frame(parameters: Parameters, torque: float) -> None:
    try:
        path = ForcePath(parameters)
    except ValueError:
        return
    now = 10.0
    for n in range(120):
        path.frame(Frame(n / 25, steering_torque=torque, speed=20.0), now)
        for _ in range(40):
            now += 0.001
            path.step(now, None)
    last = now - 0.040
    while now < last + LONGEST_SILENCE + 0.0015:
        now += 0.001
        command = path.step(now, None)
    assert command.torque == 0.0
