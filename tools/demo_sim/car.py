"""The car of Saltmarsh: planar body on four brush tyres with load transfer, and its steering geometry.

Own implementation, ISO 8855 inside (left positive). Tyre: brush model with parabolic pressure (Pacejka, Tyre
and Vehicle Dynamics, chapter 3), lateral force and aligning torque from the slip angle; longitudinal force as
asked by engine and brakes within the friction circle. Kingpin: the moment of horizontal forces about an
inclined axis in space; that of the load by virtual work, -Fz dh/d(delta) of a thin disc turned about it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field

GRAVITY = 9.81


@dataclass(frozen=True)
class Numbers:
    """Of an endurance prototype that never was; SI, from memory of the class."""

    mass: float = 1250.0
    front: float = 1.25
    rear: float = 1.40
    yaw_inertia: float = 1700.0
    height: float = 0.45
    track: float = 1.60
    front_stiffness: float = 55e3
    """N/rad, one tyre at its static load."""
    rear_stiffness: float = 62.5e3
    half_length: float = 0.06
    radius: float = 0.30
    caster: float = math.radians(5.0)
    kingpin: float = math.radians(12.0)
    scrub: float = 0.02
    lock: float = math.radians(24.0)
    ratio: float = 11.25
    friction: tuple[float, float, float] = (1.1, 1.0, 0.45)
    """Asphalt, kerb, wet grass."""


@dataclass
class Tyre:
    """What one tyre does now."""

    fx: float = 0.0
    fy: float = 0.0
    fz: float = 0.0
    mz: float = 0.0
    slip_angle: float = 0.0
    slip_ratio: float = 0.0
    surface: int = 0


@dataclass
class Car:
    """State and forces."""

    numbers: Numbers = field(default_factory=Numbers)
    vx: float = 0.0
    vy: float = 0.0
    yaw_rate: float = 0.0
    ax: float = 0.0
    ay: float = 0.0
    rim_torque: float = 0.0
    rear_grip: float = 1.0
    """Below 1 while something (a bump, a fluid) robs the rear of grip."""
    tyres: list[Tyre] = field(default_factory=lambda: [Tyre() for _ in range(4)])

    def __post_init__(self) -> None:
        self._lift = LiftTable(self.numbers)

    def step(self, steer: float, drive: float, surfaces: tuple[int, int, int, int], dt: float) -> None:
        """Advance by `dt` s: road-wheel angle (rad), drive (-1 full brake to 1 full throttle)."""
        n = self.numbers
        self._loads()
        v = max(abs(self.vx), 0.5)
        drive_force = 7500.0 * drive if drive > 0.0 else 14000.0 * drive
        if self.vx < 0.3 and drive < 0.0:
            drive_force = 0.0
        fx_sum = fy_sum = moment = 0.0
        cos_s, sin_s = math.cos(steer), math.sin(steer)
        for number, tyre in enumerate(self.tyres):
            front = number < 2
            x = n.front if front else -n.rear
            y = n.track / 2.0 if number % 2 == 0 else -n.track / 2.0
            lateral = self.vy + x * self.yaw_rate
            angle = math.atan2(lateral, v) - (steer if front else 0.0)
            share = (0.6 if drive < 0.0 else 0.0) if front else (0.4 if drive < 0.0 else 1.0)
            grip = n.friction[surfaces[number]] * (1.0 if front else self.rear_grip)
            tyre.surface = surfaces[number]
            static = n.mass * GRAVITY / 2.0 * (n.rear if front else n.front) / (n.front + n.rear)
            stiffness = (n.front_stiffness if front else n.rear_stiffness) * tyre.fz / static
            _tyre(tyre, angle, stiffness, grip, drive_force * share / 2.0, n.half_length)
            fade = min(1.0, abs(self.vx) / 2.0)
            tyre.fy *= fade
            tyre.mz *= fade
            fx = tyre.fx * cos_s - tyre.fy * sin_s if front else tyre.fx
            fy = tyre.fx * sin_s + tyre.fy * cos_s if front else tyre.fy
            fx_sum += fx
            fy_sum += fy
            moment += x * fy - y * fx
        drag = 0.9 * self.vx * abs(self.vx) + (180.0 if self.vx > 0.05 else 0.0)
        self.ax = (fx_sum - drag) / n.mass
        self.ay = fy_sum / n.mass
        self.vx = max(0.0, self.vx + (self.ax + self.vy * self.yaw_rate) * dt)
        self.vy += (self.ay - self.vx * self.yaw_rate) * dt
        self.yaw_rate += moment / n.yaw_inertia * dt
        if self.vx < 1.0:  # tyres that stand do not slide sideways
            keep = 1.0 - min(1.0, 8.0 * dt)
            self.vy *= keep
            self.yaw_rate *= keep
        self.rim_torque = self.kingpin_moment(steer) / n.ratio

    def _loads(self) -> None:
        n = self.numbers
        base = n.mass / (n.front + n.rear)
        front = base * (GRAVITY * n.rear - self.ax * n.height) / 2.0
        rear = base * (GRAVITY * n.front + self.ax * n.height) / 2.0
        shift = n.mass * self.ay * n.height / n.track
        for number, (load, share) in enumerate(((front, 0.55), (front, 0.55), (rear, 0.45), (rear, 0.45))):
            side = -1.0 if number % 2 == 0 else 1.0  # turning left loads the right
            self.tyres[number].fz = max(50.0, load + side * share * shift)

    def kingpin_moment(self, steer: float) -> float:
        """Return the moment of both front tyres about their kingpins, N m, left positive."""
        n = self.numbers
        total = 0.0
        trail = n.radius * math.tan(n.caster)
        axis = math.sqrt(1.0 + math.tan(n.caster) ** 2 + math.tan(n.kingpin) ** 2)
        for number, side in ((0, 1.0), (1, -1.0)):
            tyre = self.tyres[number]
            # r x F about the axis, r = (-trail, side * scrub, 0); the axis' vertical share is 1 / axis
            total += (-trail * tyre.fy - side * n.scrub * tyre.fx + tyre.mz) / axis
            total -= tyre.fz * self._lift.slope(steer, side)
        return total


def _tyre(tyre: Tyre, angle: float, stiffness: float, grip: float, asked: float, half_length: float) -> None:
    """Fill in a tyre's forces from slip angle, stiffness (N/rad) and the longitudinal force asked of it."""
    limit = grip * tyre.fz
    fx = max(-limit * 0.98, min(limit * 0.98, asked))
    lateral_limit = math.sqrt(limit * limit - fx * fx)
    slope = math.tan(max(-1.5, min(1.5, angle)))
    z = stiffness * abs(slope) / (3.0 * lateral_limit)
    if z < 1.0:
        fy = lateral_limit * (1.0 - (1.0 - z) ** 3)
        mz = lateral_limit * half_length * z * (1.0 - z) ** 3
    else:
        fy, mz = lateral_limit, 0.0
    tyre.fx = fx
    tyre.fy = -math.copysign(fy, slope)
    tyre.mz = math.copysign(mz, slope)
    tyre.slip_angle = angle
    tyre.slip_ratio = asked / (limit * 12.0) if limit else 0.0


class LiftTable:
    """How the body rises as a wheel is steered: dh/d(delta) of a thin disc, by steps of half a degree."""

    def __init__(self, numbers: Numbers) -> None:
        self._numbers = numbers
        self._angles = [math.radians(0.5 * k) for k in range(-80, 81)]
        self._slopes = {side: [self._slope(a, side) for a in self._angles] for side in (1.0, -1.0)}

    def slope(self, steer: float, side: float) -> float:
        """Return dh/d(delta), m/rad; `side` is 1 for the left wheel, -1 for the right."""
        angles, slopes = self._angles, self._slopes[side]
        place = min(max(bisect_right(angles, steer) - 1, 0), len(angles) - 2)
        share = (steer - angles[place]) / (angles[place + 1] - angles[place])
        return slopes[place] + (slopes[place + 1] - slopes[place]) * share

    def _slope(self, steer: float, side: float) -> float:
        d = 1e-4
        return (self.lift(steer + d, side) - self.lift(steer - d, side)) / (2.0 * d)

    def lift(self, steer: float, side: float) -> float:
        """Return how far the body stands above its height at straight ahead, m."""
        n = self._numbers
        axis = (-math.tan(n.caster), -side * math.tan(n.kingpin), 1.0)
        size = math.sqrt(sum(c * c for c in axis))
        u = (axis[0] / size, axis[1] / size, axis[2] / size)
        centre = _rotate((-n.radius * math.tan(n.caster), side * n.scrub, n.radius), u, steer)
        spin = _rotate((0.0, 1.0, 0.0), u, steer)
        lowest = centre[2] - n.radius * math.sqrt(1.0 - spin[2] ** 2)
        return -lowest


Vector = tuple[float, float, float]


def _rotate(v: Vector, u: Vector, angle: float) -> Vector:
    """Rodrigues' rotation of `v` about the unit vector `u`."""
    c, s = math.cos(angle), math.sin(angle)
    dot = sum(a * b for a, b in zip(u, v, strict=True)) * (1.0 - c)
    cross = (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])
    return (
        v[0] * c + cross[0] * s + u[0] * dot,
        v[1] * c + cross[1] * s + u[1] * dot,
        v[2] * c + cross[2] * s + u[2] * dot,
    )
