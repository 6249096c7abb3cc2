"""What a source says about the car at one instant.

SI units; ISO 8855 axes (x forward, y left, z up; positive steer and yaw turn left). A quantity that the
sim does not give is ``None``, never 0. This module does not know where a frame came from or what is
done with it.

The records are named tuples: immutable, without a ``__dict__``, about half the construction time of a
frozen dataclass (measured by ``tools/bench_contract.py``), and a compiled decoder can fill them by position.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple


class Surface(IntEnum):
    """What a tyre stands on. The numbers are part of the recording format: append only."""

    ASPHALT = 1
    CONCRETE = 2
    KERB = 3
    GRASS = 4
    GRAVEL = 5
    SAND = 6
    DIRT = 7
    WET_ASPHALT = 8
    WET_GRASS = 9
    SNOW = 10
    ICE = 11


class Tyre(NamedTuple):
    """One tyre; forces are those of the road on the tyre, in the wheel's own axes.

    With positive slip angle ``atan(vy / |vx|)`` the lateral force is negative and the aligning torque
    positive (ISO 8855 as used by Pacejka, *Tyre and Vehicle Dynamics*).
    """

    fx: float | None = None
    """Longitudinal force, N, positive drives the car forward."""
    fy: float | None = None
    """Lateral force, N, positive to the left."""
    fz: float | None = None
    """Vertical load, N, positive up (a loaded tyre is positive)."""
    mz: float | None = None
    """Aligning torque about the vertical axis, N m, positive turns the tyre left."""
    slip_angle: float | None = None
    """Slip angle, rad."""
    slip_ratio: float | None = None
    """Longitudinal slip, dimensionless, -1 = locked."""
    surface: Surface | None = None
    """What the tyre stands on."""
    travel: float | None = None
    """Suspension travel, m, positive in compression."""


class Tyres(NamedTuple):
    """The four tyres, always in this order."""

    front_left: Tyre
    front_right: Tyre
    rear_left: Tyre
    rear_right: Tyre


class Frame(NamedTuple):
    """The car at one instant of the sim's clock."""

    time: float
    """Sim clock, s. Only differences matter."""
    index: int | None = None  # type: ignore[assignment]  # the sim's word; tuple.index is no use on a record
    """The sim's own frame counter."""
    driving: bool = True
    """False in menus, pause and replay: the force fades out."""
    speed: float | None = None
    """Longitudinal speed of the centre of gravity, m/s."""
    lateral_speed: float | None = None
    """Lateral speed of the centre of gravity, m/s, positive to the left."""
    ax: float | None = None
    """Longitudinal acceleration, m/s2."""
    ay: float | None = None
    """Lateral acceleration, m/s2, positive to the left."""
    yaw_rate: float | None = None
    """Yaw rate, rad/s, positive turns left."""
    steer: float | None = None
    """Mean road-wheel angle of the front axle, rad, positive steers left."""
    steering_wheel: float | None = None
    """Angle of the sim's own steering wheel, rad, positive steers left."""
    tyres: Tyres | None = None
    """The four tyres."""
    rack_force: float | None = None
    """Force in the steering rack, N, positive pushes the wheels to the left."""
    steering_torque: float | None = None
    """Torque at the sim's steering wheel, N m, positive turns the wheel left."""
    engine_speed: float | None = None
    """Crankshaft speed, rad/s."""
    throttle: float | None = None
    """Throttle, 0 to 1."""
    brake: float | None = None
    """Brake, 0 to 1."""
    gear: int | None = None
    """Gear; 0 neutral, -1 reverse."""


NO_TYRE = Tyre()
"""A tyre of which nothing is known."""

FRAME_FIELDS: frozenset[str] = frozenset(Frame._fields) - {"tyres"} | {
    f"tyres.{name}" for name in Tyre._fields
}
"""Every field name a source may declare; ``tyres.fy`` stands for that quantity at all four tyres."""
