"""The tidal-flat circuit: curvature along the way, what lies beside it, and what happens where.

Positions are those of the way itself: distance along it, offset to the left of it, heading against it.
"""

from __future__ import annotations

from dataclasses import dataclass

from .record import ASPHALT, KERB, WET_GRASS

HALF_WIDTH = 5.0
KERB_WIDTH = 1.3
_EASE = 18.0
"""Length over which curvature builds up, m."""
_BENDS: tuple[tuple[float, float, float], ...] = (
    (55.0, 92.0, 1.0 / 90.0),  # Sluice: fast, left
    (168.0, 192.0, -1.0 / 30.0),  # Groyne: slow, right
    (275.0, 312.0, 1.0 / 40.0),  # Marram: left
    (420.0, 470.0, -1.0 / 60.0),
    (560.0, 650.0, 1.0 / 140.0),
    (760.0, 810.0, -1.0 / 32.0),
    (900.0, 980.0, 1.0 / 75.0),
)
"""From, to (m), curvature (1/m, left positive)."""
LENGTH = 1300.0


@dataclass(frozen=True)
class Happening:
    """Something scripted on a stretch of the first and every later lap."""

    name: str
    begin: float
    end: float
    line: float = 0.0
    """Where the driver wants to be, m left of the centre line."""


HAPPENINGS: tuple[Happening, ...] = (
    Happening("kerb strike", 84.0, 122.0, 4.9),
    Happening("excursion", 208.0, 246.0, 6.3),
    Happening("spin", 268.0, 285.0),
)


def curvature(distance: float) -> float:
    """Return the curvature, 1/m, at a distance along the lap, m."""
    s = distance % LENGTH
    for begin, end, kappa in _BENDS:
        if begin - _EASE < s < end + _EASE:
            rise = min(1.0, (s - begin + _EASE) / _EASE)
            fall = min(1.0, (end + _EASE - s) / _EASE)
            return kappa * min(rise, fall)
    return 0.0


def happening(distance: float) -> Happening | None:
    """Return what is scripted there."""
    s = distance % LENGTH
    return next((h for h in HAPPENINGS if h.begin <= s < h.end), None)


def surface(distance: float, offset: float) -> int:
    """Return what lies at a point."""
    beside = abs(offset) - HALF_WIDTH
    if beside <= 0.0:
        return ASPHALT
    near_bend = curvature(distance) != 0.0 or curvature(distance - 40.0) != 0.0
    return KERB if beside <= KERB_WIDTH and near_bend else WET_GRASS


def speed_limit(distance: float, grip: float = 5.6) -> float:
    """Return how fast to be here, m/s, looking ahead for bends and braking at 4.5 m/s2 before them."""
    best = 42.0
    for ahead in range(0, 150, 6):
        kappa = abs(curvature(distance + ahead))
        if kappa > 1e-4:
            corner = (grip / kappa) ** 0.5
            best = min(best, (corner * corner + 2.0 * 4.5 * ahead) ** 0.5)
    return best
