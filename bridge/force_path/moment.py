"""What every stage of the chain may look at during one tick."""

from __future__ import annotations

from typing import Protocol

from bridge.contract.frame import Frame
from bridge.force_path.parameters import Parameters


class Moment:
    """One object, reused every tick: the time, the wheel and the newest good frame."""

    __slots__ = (
        "angle",
        "dt",
        "frame",
        "frame_age",
        "implausible",
        "now",
        "road_speed",
        "velocity",
        "wheel_known",
    )

    def __init__(self) -> None:
        self.now: float = 0.0
        """Time of the tick, s."""
        self.dt: float = 0.0
        """Time since the last tick, s, bounded to [0, 5 ms]."""
        self.frame: Frame | None = None
        """The newest frame that passed the plausibility check."""
        self.frame_age: float = 0.0
        """Time since its arrival, s."""
        self.implausible: bool = False
        """Whether frames were rejected since the last good one."""
        self.road_speed: float = 0.0
        """abs(speed) of that frame, m/s; 0 where the source gives no speed."""
        self.angle: float = 0.0
        """Wheel angle, rad, 0 while unknown."""
        self.velocity: float = 0.0
        """Wheel velocity, rad/s: measured, or the filtered difference quotient of the angle."""
        self.wheel_known: bool = False
        """Whether a sink gives the wheel's angle."""


class Stage(Protocol):
    """One link of the chain: a small object with its own state."""

    def configure(self, parameters: Parameters) -> None:
        """Take new numbers; keep the state (the chain cross-fades the difference)."""

    def reset(self) -> None:
        """Forget the state, as after a start."""

    def step(self, torque: float, moment: Moment) -> float:
        """Take the torque so far, N m, return it changed. Changes nothing but the stage's own state."""
