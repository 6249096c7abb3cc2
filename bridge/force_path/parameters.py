"""The numbers the force path runs on: plain floats in SI, already validated.

Defaults live in one place only, the settings models (`bridge.settings`); these records have none.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import isfinite


@dataclass(frozen=True, slots=True)
class Car:
    """Mass, geometry and tyres of the car that the sim simulates."""

    mass: float
    """kg"""
    front_axle: float
    """Centre of gravity to front axle, m."""
    rear_axle: float
    """Centre of gravity to rear axle, m."""
    yaw_inertia: float
    """kg m2"""
    front_stiffness: float
    """Cornering stiffness of the front axle (both tyres), N/rad."""
    rear_stiffness: float
    """Cornering stiffness of the rear axle, N/rad."""
    friction: float
    """Tyre-road friction coefficient."""
    contact_half_length: float
    """Half the length of the contact patch, m (the brush model's a)."""
    caster: float
    """Caster angle, rad."""
    kingpin_inclination: float
    """rad"""
    scrub_radius: float
    """Lateral offset of the contact centre from the kingpin at the ground, m, positive outside."""
    tyre_radius: float
    """m"""
    road_wheel_lock: float
    """Road-wheel angle at the sim's lock, rad (one side)."""
    steering_ratio: float
    """Rim angle over road-wheel angle; 0 = half the wheel's rotation over `road_wheel_lock`."""
    steering_arm: float
    """Distance of the tie rod from the kingpin, m: rack travel for each radian of the road wheel."""
    steering_assist: float
    """Share of the steering torque that power steering carries, 0 (none) to below 1."""


@dataclass(frozen=True, slots=True)
class Wheel:
    """The device in the user's hands."""

    peak_torque: float
    """N m at full level."""
    rotation: float
    """Lock to lock, rad."""
    polarity: float
    """+1, or -1 where a positive level turns the wheel right."""
    minimum_torque: float
    """Smallest torque that moves the wheel (its own friction), N m; 0 = no compensation."""
    update_rate: float
    """The most updates a second that the device takes, Hz."""
    linearisation: tuple[tuple[float, float], ...]
    """Points (exerted share, level share of the peak), rising, from (0, 0) to (1, 1); empty = linear."""


@dataclass(frozen=True, slots=True)
class Upsampling:
    """From the source's rate to the device's."""

    method: str
    """Name of the method: "hold" or "blend"."""


@dataclass(frozen=True, slots=True)
class Feel:
    """Added feel; every level: 0 = off, 1 = typical."""

    kerb: float
    off_track: float
    road: float
    """Shake of the road surface."""
    kerb_pitch: float
    """Distance between kerb teeth, m."""
    longitudinal_pull: float
    """Level of the pull by the difference of the front longitudinal forces (braking, drive)."""
    standstill_friction: float
    """N m at standstill, fades with speed."""
    standstill_damping: float
    """N m s/rad at standstill, fades with speed."""
    rolling_damping: float
    """N m s/rad at all speeds."""
    fade_speed: float
    """Speed at which the standstill friction and damping have halved, m/s."""
    end_stop_stiffness: float
    """N m/rad beyond the rotation limit."""
    end_stop_damping: float
    """N m s/rad beyond the rotation limit."""
    seed: int
    """Seed of the textures."""


@dataclass(frozen=True, slots=True)
class Shaping:
    """From N m at the sim's rim to N m at the user's."""

    strength: float
    """Share of the device's peak that `reference_torque` produces, 0 to 1."""
    reference_torque: float
    """Torque at the sim's rim that counts as full, N m."""
    centre_softness: float
    """0 (none) to 1: how far the slope at zero torque is lowered."""
    centre_width: float
    """Share of the ceiling over which centre softness acts."""
    saturation_knee: float
    """Share of the ceiling from which the torque is bent, 0 to 1; 1 = hard clipping."""


@dataclass(frozen=True, slots=True)
class Governor:
    """Limits that nothing can switch off, only move."""

    ceiling: float
    """N m"""
    slew: float
    """Largest rate of change, N m/s."""
    fade_in: float
    """s, from zero to full gain."""
    fade_out: float
    """s, from full gain to zero; at most 0.2 together with `stall_time`."""
    stall_time: float
    """Without a good frame for this long, s, the fade out begins."""
    continuous_torque: float
    """RMS torque the device bears for ever, N m."""
    thermal_time: float
    """Time constant of its heating, s."""


@dataclass(frozen=True, slots=True)
class Parameters:
    """All of them; replaced as a whole by `ForcePath.configure`."""

    tick_rate: float
    """Hz"""
    car: Car
    wheel: Wheel
    upsampling: Upsampling
    feel: Feel
    shaping: Shaping
    governor: Governor


_LEAST = 1e-6
"""Smaller than this is not positive: what is divided by it would overflow."""
_POSITIVE = {
    "wheel": ("peak_torque", "rotation", "update_rate"),
    "car": ("mass", "front_axle", "rear_axle", "yaw_inertia", "tyre_radius", "road_wheel_lock"),
    "feel": ("kerb_pitch", "fade_speed"),
    "shaping": ("reference_torque",),
}


def check(parameters: Parameters) -> Parameters:
    """Return the parameters if the force path can compute with them.

    The settings validate ranges; this only keeps a programming error from reaching a tick.

    Raises:
        ValueError: a number is not finite, or zero or negative where it must be positive; says which.
    """
    for group in ("car", "wheel", "feel", "shaping", "governor"):
        record = getattr(parameters, group)
        for field in fields(record):
            value = getattr(record, field.name)
            if isinstance(value, float) and not isfinite(value):
                raise ValueError(f"{group}.{field.name} is not finite")
        for name in _POSITIVE.get(group, ()):
            if not getattr(record, name) >= _LEAST:
                raise ValueError(f"{group}.{name} must be positive")
    if not parameters.tick_rate >= _LEAST:
        raise ValueError("tick_rate must be positive")
    return parameters
