"""The last stage of the chain: what it returns is what the device exerts.

In this order, every tick: finite; limit cycle; fade; thermal and user ceiling; divergence; calm; slew.
It takes the torque *after* polarity; guards that need the world's sign multiply by it.
"""

from __future__ import annotations

from bridge.contract.command import Guard
from bridge.force_path.arithmetic import smooth_step
from bridge.force_path.governor.divergence import DivergenceGuard
from bridge.force_path.governor.limit_cycle import LimitCycleGuard
from bridge.force_path.governor.limits import safe_limits
from bridge.force_path.governor.thermal import ThermalGuard
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters

_NOT_FINITE = int(Guard.NOT_FINITE)
_CEILING = int(Guard.CEILING)
_SLEW = int(Guard.SLEW)
_FADE = int(Guard.FADE)
_STALLED = int(Guard.STALLED)
_NOT_DRIVING = int(Guard.NOT_DRIVING)
_IMPLAUSIBLE = int(Guard.IMPLAUSIBLE)
_LIMIT_CYCLE = int(Guard.LIMIT_CYCLE)
_DIVERGENCE = int(Guard.DIVERGENCE)
_THERMAL = int(Guard.THERMAL)
_CALM = int(Guard.CALM)
_CUT = int(Guard.CUT)


class Governor:
    """Ceiling, slew, fades and guards."""

    def __init__(self, parameters: Parameters) -> None:
        self._cycle = LimitCycleGuard()
        self._divergence = DivergenceGuard()
        self._thermal = ThermalGuard()
        self._calm = False
        self.guards = 0
        """Bits of `Guard` of the last step."""
        self.torque = 0.0
        """What the last step returned, N m."""
        self._fade = 0.0
        self._from_zero = False
        self._now: float | None = None
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """Take new limits; heat, fades and guards keep their state."""
        limits = safe_limits(parameters)
        self._slew = limits.slew
        self._rise = 1.0 / limits.fade_in
        self._fall = 1.0 / limits.fade_out
        self._stall_time = limits.stall_time
        self._polarity = limits.polarity
        self._thermal.configure(limits.ceiling, limits.continuous_torque, limits.thermal_time)

    @property
    def gain(self) -> float:
        """The share of the torque that passes now, 0 to 1."""
        return smooth_step(self._fade) * self._cycle.gain

    @property
    def ceiling(self) -> float:
        """The ceiling in force now, N m."""
        return self._thermal.ceiling

    def calm(self) -> None:
        """Zero at once, until `resume`."""
        self._calm = True

    def resume(self) -> None:
        """End `calm`; the torque fades in."""
        self._calm = False
        self._fade = 0.0

    def restart(self) -> None:
        """Begin at zero and fade in again: a source or a sink came back."""
        self._fade = 0.0
        self._from_zero = True
        self._cycle.reset()

    def reset(self) -> None:
        """Forget everything but the heat, as after a start. `calm` stays."""
        self.restart()
        self._divergence.reset()
        self.torque = 0.0
        self._now = None

    def step(self, torque: float, moment: Moment) -> float:
        """Return the torque to exert, N m: finite, within ceiling and slew."""
        guards = 0
        if torque - torque != 0.0:  # NaN and infinities only
            torque, guards = 0.0, _NOT_FINITE
        now = moment.now
        elapsed = now - self._now if self._now is not None and now > self._now else 0.0
        self._now = now
        velocity = moment.velocity

        cycle = self._cycle
        cycle.look(self.torque, moment)
        if cycle.active:
            torque = torque * cycle.gain - self._polarity * cycle.damping * velocity
            guards |= _LIMIT_CYCLE
            if torque - torque != 0.0:  # a sensor may say anything
                torque, guards = 0.0, guards | _NOT_FINITE

        guards |= self._fade_to(moment, elapsed)
        fade = self._fade
        if fade < 1.0:
            torque *= fade * fade * (3.0 - 2.0 * fade)  # smooth_step of a number in [0, 1]

        thermal = self._thermal
        ceiling = thermal.ceiling
        if thermal.active:
            guards |= _THERMAL
        if torque > ceiling:
            torque, guards = ceiling, guards | _CEILING
        elif torque < -ceiling:
            torque, guards = -ceiling, guards | _CEILING

        if self._divergence.look(self.torque * self._polarity, moment) or self._divergence.holding:
            self._fade = 0.0
            torque, guards = 0.0, guards | _DIVERGENCE | _CUT
        elif self._calm:
            self._fade = 0.0
            torque, guards = 0.0, guards | _CALM | _CUT
        elif (self._fade == 0.0 or self._from_zero) and self.torque != 0.0:
            torque, guards = 0.0, guards | _CUT  # not a moment longer, whatever the slew ceiling
        else:
            torque, guards = self._limit_slew(torque, ceiling, elapsed, guards)
        self._from_zero = False
        thermal.note(torque, min(1.0, elapsed))
        self.torque = torque
        self.guards = guards
        return torque

    def _limit_slew(self, torque: float, ceiling: float, elapsed: float, guards: int) -> tuple[float, int]:
        """Stay near the last torque; never beyond the ceiling, even if that was lowered meanwhile."""
        last = self.torque
        step = self._slew * (min(0.005, elapsed))
        if torque > last + step:
            torque, guards = last + step, guards | _SLEW
        elif torque < last - step:
            torque, guards = last - step, guards | _SLEW
        if torque > ceiling:
            torque, guards = ceiling, guards | _CEILING
        elif torque < -ceiling:
            torque, guards = -ceiling, guards | _CEILING
        return torque, guards

    def _fade_to(self, moment: Moment, elapsed: float) -> int:
        """Move the fade towards what the frames allow; return the guards that say why."""
        frame = moment.frame
        guards = 0
        if frame is None or moment.frame_age > self._stall_time:
            guards = _IMPLAUSIBLE | _STALLED if moment.implausible else _STALLED
        elif not frame.driving:
            guards = _NOT_DRIVING
        if guards:
            self._fade -= elapsed * self._fall
            self._fade = max(0.0, self._fade)
            return guards | _FADE
        if self._fade < 1.0:
            self._fade += elapsed * self._rise
            if self._fade >= 1.0:
                self._fade = 1.0
                return 0
            return _FADE
        return 0
