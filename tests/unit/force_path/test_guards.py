"""Each guard acts where it must and keeps still where it must not; on a small wheel of our own.

The wheel here (inertia, damping, dry friction, delay, frames at 25 Hz) shares no code with the force path.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from bridge.contract import Command, Frame, Guard, WheelState
from bridge.force_path.chain import ForcePath
from tests.parameters import make_parameters

FREE: dict[str, Any] = {
    "upsampling__method": "hold", "feel__rolling_damping": 0.0, "feel__standstill_damping": 0.0,
    "feel__standstill_friction": 0.0, "feel__road": 0.0, "shaping__strength": 1.0,
    "shaping__saturation_knee": 1.0,
    "governor__ceiling": 8.0, "governor__slew": 2000.0, "governor__fade_in": 0.1,
}  # fmt: skip


@dataclass
class Bench:
    """A rim, hands or not, and a sim that answers the angle with a torque, one frame late."""

    sim: Callable[[float], float]
    changes: dict[str, Any] = field(default_factory=dict)
    hand: Callable[[float, float, float], float] = lambda t, a, v: 0.0
    sign: float = 1.0
    yaw: float = 0.0
    inertia: float = 0.05
    damping: float = 0.05
    angle: float = 0.0
    velocity: float = 0.0
    now: float = 1.0
    frame_time: float = 0.04

    def __post_init__(self) -> None:
        self.path = ForcePath(make_parameters(**{**FREE, **self.changes}))
        self.commands: list[Command] = []
        self.angles: list[float] = []
        self._due = self.now
        self._seen = 0.0
        self._late: deque[float] = deque([0.0] * 2)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000)):
            self.now += 0.001
            if self.now >= self._due:
                frame = Frame(self.now, speed=25.0, steering_torque=self.sim(self._seen), yaw_rate=self.yaw)
                self.path.frame(frame, self.now)
                self._seen = self.angle
                self._due += self.frame_time
            command = self.path.step(self.now, WheelState(self.now, self.angle, self.velocity))
            self.commands.append(command)
            self._late.append(self.sign * command.torque)
            torque = self._late.popleft() + self.hand(self.now, self.angle, self.velocity)
            for _ in range(5):
                self.velocity += (torque - self.damping * self.velocity) / self.inertia * 0.0002
                self.angle += self.velocity * 0.0002
            self.angles.append(self.angle)

    def acted(self, guard: Guard) -> int:
        return sum(bool(command.guards & guard) for command in self.commands)


@pytest.mark.parametrize("stiffness", [3.0, 6.0, 12.0])
def test_a_wheel_that_swings_by_itself_is_calmed_and_gets_its_torque_back(stiffness: float) -> None:
    bench = Bench(lambda angle: -stiffness * angle)
    bench.run(0.5)
    bench.velocity += 0.3
    bench.run(8.0)
    assert bench.acted(Guard.LIMIT_CYCLE) > 0
    assert max(map(abs, bench.angles[-1500:])) < 0.5 * max(map(abs, bench.angles))
    quiet = len(bench.commands)
    bench.sim = lambda angle: 0.0
    bench.hand = lambda t, a, v: -5.0 * a - v
    bench.run(6.0)
    assert not any(command.guards & Guard.LIMIT_CYCLE for command in bench.commands[quiet + 5000 :])


def follow(target: Callable[[float], float]) -> Callable[[float, float, float], float]:
    """Arms that hold the rim at an angle: 20 N m/rad, 1 N m s/rad (order of magnitude, from memory)."""
    return lambda t, a, v: 20.0 * (target(t) - a) - 1.0 * v


DRIVERS = {
    "weave at 0.2 Hz": lambda t: 0.5 * math.sin(2 * math.pi * 0.2 * t),
    "weave at 1 Hz": lambda t: 0.4 * math.sin(2 * math.pi * 1.0 * t),
    "weave at 1.8 Hz": lambda t: 0.15 * math.sin(2 * math.pi * 1.8 * t),
    "slalom": lambda t: 1.2 * math.sin(2 * math.pi * 0.7 * t),
    "turning in quickly": lambda t: 1.5 * min(1.0, max(0.0, ((t - 2.0) % 3.0) / 0.2)),
    "holding still": lambda t: 0.3,
}


@pytest.mark.parametrize("name", DRIVERS)
@pytest.mark.parametrize("stiffness", [1.0, 4.0])
def test_no_guard_mistakes_a_driver_for_a_fault(name: str, stiffness: float) -> None:
    bench = Bench(lambda angle: -stiffness * angle, hand=follow(DRIVERS[name]))
    bench.run(12.0)
    assert bench.acted(Guard.LIMIT_CYCLE) == 0
    assert bench.acted(Guard.DIVERGENCE) == 0


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_device_connected_the_wrong_way_round_is_cut_before_it_moves_far(side: float) -> None:
    bench = Bench(lambda angle: -8.0 * angle, sign=-1.0)
    bench.run(0.6)
    bench.angle = 0.02 * side
    bench.run(1.5)
    assert bench.acted(Guard.DIVERGENCE) > 0
    cut = next(i for i, command in enumerate(bench.commands) if command.guards & Guard.DIVERGENCE)
    assert bench.commands[cut].torque == 0.0
    assert abs(bench.angles[cut]) < math.radians(30.0)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_sim_whose_sign_is_wrong_is_cut_before_the_wheel_moves_far(side: float) -> None:
    bench = Bench(lambda angle: 8.0 * angle, yaw=0.2 * side)
    bench.run(0.6)
    bench.angle = 0.02 * side
    bench.run(1.5)
    cut = next(i for i, command in enumerate(bench.commands) if command.guards & Guard.DIVERGENCE)
    assert abs(bench.angles[cut]) < math.radians(30.0)


def test_turning_into_a_slide_is_no_divergence() -> None:
    """The car yaws left, the torque turns the wheel right, into the slide, and lessens as it gets there."""
    bench = Bench(lambda angle: 3.0 * (-0.8 - angle), yaw=0.8)
    bench.run(3.0)
    assert bench.acted(Guard.DIVERGENCE) == 0


def test_longer_holds_for_a_fault_that_stays() -> None:
    bench = Bench(lambda angle: 8.0 * angle, yaw=0.2)
    bench.run(0.6)
    for _ in range(3):
        bench.angle, bench.velocity = 0.02, 0.0
        bench.run(4.0)
    cuts = [i for i in range(1, len(bench.commands)) if bench.commands[i].guards & Guard.DIVERGENCE
            and not bench.commands[i - 1].guards & Guard.DIVERGENCE]  # fmt: skip
    assert len(cuts) >= 2


def test_the_thermal_guard_keeps_the_mean_square_within_the_rating_and_gives_back() -> None:
    heat = {"governor__continuous_torque": 2.0, "governor__thermal_time": 2.0}
    bench = Bench(lambda angle: 8.0, heat, hand=follow(lambda t: 0.0))
    bench.run(15.0)
    late = [command.torque for command in bench.commands[-3000:]]
    assert bench.acted(Guard.THERMAL) > 0
    assert (sum(t * t for t in late) / len(late)) ** 0.5 <= 2.0 * 1.01
    bench.sim = lambda angle: 0.0
    bench.run(15.0)
    assert not bench.commands[-1].guards & Guard.THERMAL
    assert bench.path.status().ceiling == pytest.approx(8.0)


def test_a_lost_frame_does_not_fade_but_a_stall_does() -> None:
    bench = Bench(lambda angle: 4.0, hand=follow(lambda t: 0.0))
    bench.run(1.0)
    bench._due += 0.04
    before = len(bench.commands)
    bench.run(0.2)
    assert min(abs(command.torque) for command in bench.commands[before:]) > 3.1
    bench._due += 10.0
    bench.run(0.3)
    assert bench.commands[-1].torque == 0.0
    assert bench.commands[-1].guards & Guard.STALLED


def test_pause_and_menu_fade_and_come_back_gently() -> None:
    path = ForcePath(make_parameters(**FREE))
    now, torques = 1.0, []
    for n in range(200):
        paused = 50 <= n < 90
        path.frame(Frame(min(n, 50) / 25 if paused else n / 25, driving=not paused, steering_torque=5.0), now)
        for _ in range(40):
            now += 0.001
            torques.append(path.step(now, None).torque)
    assert torques[50 * 40 + 200] == 0.0
    assert torques[89 * 40] == 0.0
    assert torques[-1] > 3.0
    assert path.status().rejected == {}


def test_calm_is_zero_at_once_and_resume_fades() -> None:
    bench = Bench(lambda angle: 5.0, hand=follow(lambda t: 0.0))
    bench.run(1.0)
    assert abs(bench.commands[-1].torque) > 3.0
    bench.path.calm(bench.now)
    bench.run(0.001)
    assert bench.commands[-1].torque == 0.0
    assert bench.commands[-1].guards & Guard.CALM
    bench.run(0.5)
    assert bench.commands[-1].torque == 0.0
    bench.path.resume(bench.now)
    bench.run(0.01)
    assert abs(bench.commands[-1].torque) < 0.5
    bench.run(1.0)
    assert abs(bench.commands[-1].torque) > 3.0
