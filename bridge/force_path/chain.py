"""The force path: frames and wheel states in, commands out. The chain of stages is the list in `stages`.

Time is an argument everywhere. Nothing here knows where frames come from or where commands go.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import NamedTuple

from bridge.contract.command import Command, Guard
from bridge.contract.frame import Frame
from bridge.contract.wheel import WheelState
from bridge.force_path import shaping
from bridge.force_path.feel import EndStop, LongitudinalPull, RollingAndStandstill, SurfaceShake
from bridge.force_path.governor import Governor, Plausibility, Rejection
from bridge.force_path.moment import Moment, Stage
from bridge.force_path.parameters import Parameters, check
from bridge.force_path.torque import SteeringTorque
from bridge.force_path.upsampling import make as make_upsampler

CROSS_FADE = 0.2
"""What a change of settings would step is faded over this time, s."""
_LONGEST_STEP = 0.005
_VELOCITY_TIME = 0.003
"""Low pass of the wheel's velocity where the device gives only the angle, s; that much it is late."""
_LARGEST_ANGLE = 1e3
_GUARDS = tuple(guard for guard in Guard if guard)


class ForceStatus(NamedTuple):
    """What the force path says about itself."""

    model: str
    model_wants: str
    """What a better model would need."""
    upsampling: str
    torque_model: float
    """Torque at the sim's rim by the model, N m."""
    torque_before_governor: float
    """N m at the device."""
    ceiling: float
    """N m, as now in force."""
    gain: float
    steering_ratio: float
    frames: int
    """Frames accepted."""
    rejected: dict[str, int]
    sim_restarts: int
    commands: int
    clipped: int
    """Ticks at which the wanted torque was beyond the ceiling."""
    guard_counts: dict[str, int]
    """Guard -> ticks."""


def stages(parameters: Parameters, steering: SteeringTorque) -> list[Stage]:
    """Return what lies between upsampling and governor, in the order of the data path."""
    return [
        SurfaceShake(parameters),
        LongitudinalPull(parameters, steering),
        shaping.Strength(parameters),
        shaping.CentreSoftness(parameters),
        RollingAndStandstill(parameters),
        EndStop(parameters),
        shaping.Saturation(parameters),
        shaping.MinimumTorque(parameters),
        shaping.Linearisation(parameters),
        shaping.Polarity(parameters),
    ]


class ForcePath:
    """Mapping, then governor."""

    def __init__(self, parameters: Parameters, chain: list[Stage] | None = None) -> None:
        """Build the chain; `chain` replaces the stages before the governor (for tests).

        Raises:
            ValueError: see `parameters.check`.
        """
        self.parameters = check(parameters)
        self._plausibility = Plausibility()
        self._steering = SteeringTorque(parameters)
        self._upsampler = make_upsampler(parameters.upsampling.method)
        self._stages = stages(parameters, self._steering) if chain is None else chain
        self._governor = Governor(parameters)
        self._moment = Moment()
        self._sequence = 0
        self._started = False
        self._wheel_time = 0.0
        self._frame_arrival = 0.0
        self._before_governor = 0.0
        self._offset = 0.0
        self._offset_until = 0.0
        self._catch_offset = False
        self._frames = 0
        self._clipped = 0
        self._rejected: dict[Rejection, int] = {}
        self._guard_counts: dict[int, int] = {}
        self._last_due = -1e9
        self._adopt()

    def _adopt(self) -> None:
        self._due_period = (1.0 - 1e-6) / self.parameters.wheel.update_rate
        self._ceiling = self.parameters.governor.ceiling
        steps: list[Callable[[float, Moment], float]] = [stage.step for stage in self._stages]
        self._steps = tuple(steps)
        self._upsample = self._upsampler.step
        self._govern = self._governor.step

    # ------------------------------------------------------------------------------------ inputs

    def configure(self, parameters: Parameters, now: float) -> None:
        """Take new numbers while driving: stages keep their state, the step is faded over `CROSS_FADE`.

        Raises:
            ValueError: see `parameters.check`; the old numbers stay in force.
        """
        check(parameters)
        method = parameters.upsampling.method
        if method != self.parameters.upsampling.method:
            self._upsampler = make_upsampler(method)
            self._upsampler.push(self._steering.torque, self._frame_arrival)
        self.parameters = parameters
        self._steering.configure(parameters)
        for stage in self._stages:
            stage.configure(parameters)
        self._governor.configure(parameters)
        self._adopt()
        self._catch_offset = self._started
        self._offset_until = now + CROSS_FADE

    def frame(self, frame: Frame, arrival: float) -> Rejection | None:
        """Take a frame that arrived at `arrival`, s; return why it was rejected, or `None`."""
        rejection = self._plausibility.check(frame)
        moment = self._moment
        if rejection is not None:
            self._rejected[rejection] = self._rejected.get(rejection, 0) + 1
            moment.implausible = rejection is not Rejection.TIME_REPEATED
            return rejection
        self._frames += 1
        self._frame_arrival = arrival
        moment.frame = frame
        moment.implausible = False
        moment.road_speed = abs(frame.speed) if frame.speed is not None else 0.0
        torque = self._steering.frame(frame, arrival, self._road_wheel_angle(frame))
        self._upsampler.push(torque, arrival)
        return None

    def calm(self, now: float) -> None:
        """Zero torque at once, until `resume`."""
        self._governor.calm()

    def resume(self, now: float) -> None:
        """End `calm`; fade in."""
        self._governor.resume()

    def restart(self, now: float, reason: str) -> None:
        """Begin again after a source or a sink came back: forget old frames, fade in from zero."""
        self._governor.restart()
        if reason == "source":
            self._plausibility.reset()
            self._steering.reset()
            self._upsampler.reset()
            self._moment.frame = None
        else:
            self._moment.wheel_known = False

    def step(self, now: float, wheel: WheelState | None) -> Command:
        """Return the command for the tick at `now`, s."""
        moment = self._moment
        elapsed = now - moment.now if self._started else 0.0
        moment.dt = 0.0 if elapsed < 0.0 else min(elapsed, _LONGEST_STEP)
        moment.now = now
        age = now - self._frame_arrival
        moment.frame_age = max(0.0, age)
        if wheel is None:
            moment.wheel_known = False
            moment.velocity = 0.0
        else:
            self._note_wheel(wheel)
        torque = self._upsample(moment)
        for step in self._steps:
            torque = step(torque, moment)
        if self._offset_until:
            torque = self._cross_fade(torque, now)
        self._before_governor = torque
        if torque > self._ceiling or torque < -self._ceiling:
            self._clipped += 1
        torque = self._govern(torque, moment)
        guards = self._governor.guards
        if guards:
            self._guard_counts[guards] = self._guard_counts.get(guards, 0) + 1
        due = now - self._last_due >= self._due_period or now < self._last_due
        if due:
            self._last_due = now
        self._started = True
        sequence = self._sequence
        self._sequence = sequence + 1
        return Command(now, sequence, torque, due, guards)

    # ------------------------------------------------------------------------------------ output

    @property
    def model_name(self) -> str:
        """Name of the torque model that runs; "none" before the first frame."""
        return self._steering.name

    def status(self) -> ForceStatus:
        """Return the counters and what runs."""
        steering, governor = self._steering, self._governor
        return ForceStatus(
            model=steering.name,
            model_wants=steering.wants,
            upsampling=self._upsampler.name,
            torque_model=steering.torque,
            torque_before_governor=self._before_governor,
            ceiling=governor.ceiling,
            gain=governor.gain,
            steering_ratio=steering.geometry.ratio,
            frames=self._frames,
            rejected={str(cause): count for cause, count in self._rejected.items()},
            sim_restarts=self._plausibility.restarts,
            commands=self._sequence,
            clipped=self._clipped,
            guard_counts=self._counts_by_guard(),
        )

    def _counts_by_guard(self) -> dict[str, int]:
        counts: dict[str, int] = {}
        for bits, times in self._guard_counts.items():
            for guard in _GUARDS:
                if bits & guard:
                    name = str(guard.name).lower()
                    counts[name] = counts.get(name, 0) + times
        return counts

    # ------------------------------------------------------------------------------------ inside

    def _road_wheel_angle(self, frame: Frame) -> float:
        """Best known road-wheel angle, rad: the sim's, else from a wheel angle over the ratio."""
        if frame.steer is not None:
            return frame.steer
        ratio = self._steering.geometry.ratio
        if frame.steering_wheel is not None:
            return frame.steering_wheel / ratio
        return self._moment.angle / ratio

    def _note_wheel(self, wheel: WheelState) -> None:
        """Follow the wheel; a reading that makes no sense counts as none."""
        moment = self._moment
        time, angle, velocity = wheel
        if not (isfinite(time) and -_LARGEST_ANGLE < angle < _LARGEST_ANGLE):
            moment.wheel_known = False
            moment.velocity = 0.0
            return
        if not moment.wheel_known:
            moment.wheel_known = True
            moment.velocity = 0.0
        elif velocity is None:
            elapsed = time - self._wheel_time
            if elapsed > 0.0:
                raw = (angle - moment.angle) / elapsed
                moment.velocity += (raw - moment.velocity) * elapsed / (_VELOCITY_TIME + elapsed)
        if velocity is not None:
            moment.velocity = velocity if isfinite(velocity) else 0.0
        self._wheel_time = time
        moment.angle = angle

    def _cross_fade(self, torque: float, now: float) -> float:
        """Add what the last change of settings would have stepped, fading."""
        if self._catch_offset:
            self._catch_offset = False
            offset = self._before_governor - torque
            self._offset = offset if isfinite(offset) else 0.0
        left = (self._offset_until - now) / CROSS_FADE
        if left <= 0.0 or self._offset == 0.0:
            self._offset_until = self._offset = 0.0
            return torque
        return torque + self._offset * (min(1.0, left))
