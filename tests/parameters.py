"""Parameters for tests: a mid-size car and an 8 N m wheel, any number replaced by "group.name"."""

from __future__ import annotations

import dataclasses
from typing import Any

from bridge.force_path import parameters as p

DEG = 3.141592653589793 / 180.0

TYPICAL = p.Parameters(
    tick_rate=1000.0,
    car=p.Car(
        mass=1250.0,
        front_axle=1.25,
        rear_axle=1.40,
        yaw_inertia=1700.0,
        front_stiffness=110e3,
        rear_stiffness=125e3,
        friction=1.0,
        contact_half_length=0.06,
        caster=5.0 * DEG,
        kingpin_inclination=12.0 * DEG,
        scrub_radius=0.02,
        tyre_radius=0.3,
        road_wheel_lock=24.0 * DEG,
        steering_ratio=0.0,
        steering_arm=0.13,
        steering_assist=0.0,
    ),
    wheel=p.Wheel(
        peak_torque=8.0,
        rotation=540.0 * DEG,
        polarity=1.0,
        minimum_torque=0.0,
        update_rate=1000.0,
        linearisation=(),
    ),
    upsampling=p.Upsampling(method="blend"),
    feel=p.Feel(
        kerb=1.0,
        off_track=1.0,
        road=0.5,
        kerb_pitch=0.5,
        longitudinal_pull=1.0,
        standstill_friction=0.3,
        standstill_damping=0.3,
        rolling_damping=0.05,
        fade_speed=3.0,
        end_stop_stiffness=20.0,
        end_stop_damping=0.5,
        seed=1,
    ),
    shaping=p.Shaping(
        strength=0.25,
        reference_torque=10.0,
        centre_softness=0.0,
        centre_width=0.2,
        saturation_knee=0.7,
    ),
    governor=p.Governor(
        ceiling=2.0,
        slew=200.0,
        fade_in=1.0,
        fade_out=0.08,
        stall_time=0.1,
        continuous_torque=4.0,
        thermal_time=60.0,
    ),
)


def make_parameters(base: p.Parameters = TYPICAL, **changes: Any) -> p.Parameters:
    """Return `base` with changes given as ``governor__ceiling=3.0`` or ``tick_rate=500.0``."""
    groups: dict[str, dict[str, Any]] = {}
    top: dict[str, Any] = {}
    for key, value in changes.items():
        group, _, name = key.partition("__")
        if name:
            groups.setdefault(group, {})[name] = value
        else:
            top[group] = value
    for group, values in groups.items():
        top[group] = dataclasses.replace(getattr(base, group), **values)
    return dataclasses.replace(base, **top)
