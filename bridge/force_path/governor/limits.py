"""The governor's numbers, made safe once more whatever the caller passes.

The settings validate too; the governor does not rely on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from bridge.force_path.arithmetic import clamp
from bridge.force_path.parameters import Parameters

LONGEST_SILENCE = 0.2
"""Torque is zero this long after the last good frame, s; nothing can extend it."""
LARGEST_TORQUE = 100.0
"""No device for hands exerts more, N m (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Checked limits; SI."""

    ceiling: float
    slew: float
    fade_in: float
    fade_out: float
    stall_time: float
    continuous_torque: float
    thermal_time: float
    polarity: float


def _sane(value: float, low: float, high: float, otherwise: float) -> float:
    return clamp(float(value), low, high) if isfinite(value) else otherwise


def safe_limits(parameters: Parameters) -> Limits:
    """Return limits that hold the governor's promises for any numbers, NaN and infinities included.

    A ceiling that makes no sense becomes 0: no torque is the only safe reading of it.
    """
    governor, wheel = parameters.governor, parameters.wheel
    peak = _sane(wheel.peak_torque, 0.0, LARGEST_TORQUE, 0.0)
    ceiling = min(_sane(governor.ceiling, 0.0, LARGEST_TORQUE, 0.0), peak)
    stall = _sane(governor.stall_time, 0.02, 0.15, 0.1)
    return Limits(
        ceiling=ceiling,
        slew=_sane(governor.slew, 1.0, 1e5, 1.0),
        fade_in=_sane(governor.fade_in, 0.1, 60.0, 2.0),
        fade_out=_sane(governor.fade_out, 0.01, LONGEST_SILENCE - stall - 0.01, 0.04),
        stall_time=stall,
        continuous_torque=_sane(governor.continuous_torque, 0.0, LARGEST_TORQUE, 0.0),
        thermal_time=_sane(governor.thermal_time, 1.0, 1e5, 60.0),
        polarity=-1.0 if wheel.polarity < 0.0 else 1.0,
    )
