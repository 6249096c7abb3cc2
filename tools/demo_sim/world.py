"""The race: car on circuit, its driver, and the script; advanced in steps of one millisecond.

Deterministic: no clock, no randomness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from . import circuit
from .car import Car
from .record import DRIVE, MENU, PAUSE

STEP = 0.001
_STAND = 0.6
_PAUSE_AT = 14.4
_PAUSE = 1.0
_REST_AFTER_SPIN = 0.6


@dataclass
class World:
    """Everything that moves."""

    car: Car = field(default_factory=Car)
    clock: float = 0.0
    """Time driven and rested, s; stands still in a pause."""
    elapsed: float = 0.0
    """Time since the start, pauses included, s."""
    distance: float = 0.0
    offset: float = 0.0
    heading: float = 0.0
    state: int = DRIVE
    happenings: list[str] = field(default_factory=list)
    surfaces: tuple[int, int, int, int] = (0, 0, 0, 0)
    drive: float = 0.0
    steer: float = 0.0
    _limit: float = 0.0
    _paused_until: float = -1.0
    _pauses: int = 0
    _spinning: bool = False
    _spin_laps: set[int] = field(default_factory=set)
    _rest_until: float = -1.0

    def step(self, steer: float) -> None:
        """Advance one millisecond with the road wheels at `steer`, rad."""
        self.elapsed += STEP
        if self._standing_still():
            return
        self.clock += STEP
        car, n = self.car, self.car.numbers
        self.steer = max(-n.lock, min(n.lock, steer))
        if round(self.clock / STEP) % 20 == 0:
            self._decide()
        self.surfaces = self._ground()
        car.step(self.steer, self.drive, self.surfaces, STEP)
        kappa = circuit.curvature(self.distance)
        along = car.vx * math.cos(self.heading) - car.vy * math.sin(self.heading)
        along /= max(0.3, 1.0 - kappa * self.offset)
        self.distance += along * STEP
        self.offset += (car.vx * math.sin(self.heading) + car.vy * math.cos(self.heading)) * STEP
        self.heading += (car.yaw_rate - kappa * along) * STEP

    def _standing_still(self) -> bool:
        """Pause and rest: the physics does not run."""
        if self.elapsed < self._paused_until or self.elapsed < self._rest_until:
            return True
        if self.state != DRIVE:
            self.state = DRIVE
        if self.elapsed >= _PAUSE_AT + 60.0 * self._pauses:
            self._pauses += 1
            self._paused_until = self.elapsed + _PAUSE
            self.state = PAUSE
            self.happenings.append("pause")
            return True
        return False

    def _decide(self) -> None:
        """The driver's pedals and the script, 50 times a second."""
        car = self.car
        found = circuit.happening(self.distance)
        name = found.name if found is not None else ""
        if name and (not self.happenings or self.happenings[-1] != name):
            self.happenings.append(name)
        lap = int(self.distance // circuit.LENGTH)
        if name == "spin" and lap not in self._spin_laps:
            self._spin_laps.add(lap)
            self._spinning = True
            car.rear_grip = 0.22
        if abs(self.heading) > 1.4 or abs(self.offset) > 14.0 or (self._spinning and car.vx < 2.0):
            self._gather()
        self._limit = circuit.speed_limit(self.distance)
        if self.clock < _STAND:
            self.drive = 0.0
        elif self._spinning:
            self.drive = -0.5 if abs(self.heading) > 0.5 else 0.6
        else:
            # a foot that feels the grass, and what cornering leaves of the grip
            most = 0.12 if any(self.surfaces) else max(0.1, 1.0 - abs(car.ay) / 8.0)
            self.drive = max(-most, min(most, 0.35 * (self._limit - car.vx)))
        if self._spinning and self.distance % circuit.LENGTH > 330.0:
            self._spinning, car.rear_grip = False, 1.0

    def _gather(self) -> None:
        """The car has spun: it rests in the menu, then stands on the way again."""
        car = self.car
        self._spinning, car.rear_grip = False, 1.0
        car.vx, car.vy, car.yaw_rate, car.ax, car.ay = 0.0, 0.0, 0.0, 0.0, 0.0
        for tyre in car.tyres:
            tyre.fx = tyre.fy = tyre.mz = tyre.slip_angle = 0.0
        car.rim_torque = 0.0
        self.offset = self.heading = 0.0
        self.state = MENU
        self._rest_until = self.elapsed + _REST_AFTER_SPIN
        self.happenings.append("recovery")

    def _ground(self) -> tuple[int, int, int, int]:
        n, s, e = self.car.numbers, self.distance, self.offset
        if abs(e) + n.track < circuit.HALF_WIDTH:
            return (0, 0, 0, 0)
        half = n.track / 2.0
        front, rear = s + n.front, s - n.rear
        return (
            circuit.surface(front, e + half),
            circuit.surface(front, e - half),
            circuit.surface(rear, e + half),
            circuit.surface(rear, e - half),
        )

    def wanted_rim_angle(self) -> float:
        """Return where the driver wants the rim, rad: follows the line, counters a slide."""
        car, n = self.car, self.car.numbers
        found = circuit.happening(self.distance + 6.0)
        line = found.line if found is not None else 0.0
        v = max(car.vx, 3.0)
        preview = 4.0 + 0.45 * v
        kappa = circuit.curvature(self.distance + 0.25 * preview)
        length = n.front + n.rear
        aside = max(-0.13, min(0.13, math.atan2(line - self.offset, preview)))
        aim = aside - self.heading - car.vy / v
        wanted = kappa * length * (1.0 + v * v / 900.0) + 1.1 * length / preview * aim
        wanted += 0.05 * (kappa * v - car.yaw_rate)
        return max(-0.95, min(0.95, wanted / n.lock)) * n.lock * n.ratio
