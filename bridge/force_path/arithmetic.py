"""Functions that every platform computes to the same bit: polynomials and rational forms of our own.

C libraries differ in the last bit of sin, tanh and their like; IEEE 754 fixes + - * / and sqrt. Each function
here states its largest error, measured against extended precision by ``tests/unit/force_path``.
"""

from __future__ import annotations

from math import factorial, floor, sqrt
from typing import Final

PI: Final = 3.141592653589793
_HALF_PI: Final = 1.5707963267948966
_HALF_PI_LOW: Final = 6.123233995736766e-17
"""What is missing from `_HALF_PI`: its double has 53 bits."""
_MASK: Final = 0xFFFFFFFFFFFFFFFF


def clamp(value: float, low: float, high: float) -> float:
    """Limit a number to [low, high]."""
    return low if value < low else min(value, high)


def _polynomial(z: float, coefficients: tuple[float, ...]) -> float:
    """Horner's scheme, highest power first."""
    value = 0.0
    for coefficient in coefficients:
        value = value * z + coefficient
    return value


def _sign(k: int) -> float:
    return -1.0 if k % 2 else 1.0


_SINE: Final = tuple(_sign(k) / factorial(2 * k + 1) for k in range(9, -1, -1))
_COSINE: Final = tuple(_sign(k) / factorial(2 * k) for k in range(9, -1, -1))
"""Taylor coefficients: quotients of exact numbers, rounded alike everywhere; remainder below 1e-19 on
[-pi/4, pi/4]."""


def _sine_core(x: float) -> float:
    return x * _polynomial(x * x, _SINE)


def _cosine_core(x: float) -> float:
    return _polynomial(x * x, _COSINE)


def _reduced(x: float) -> tuple[int, float]:
    quarter = floor(x / _HALF_PI + 0.5)
    return quarter % 4, (x - quarter * _HALF_PI) - quarter * _HALF_PI_LOW


def sine(x: float) -> float:
    """sin(x), x in rad; error below 4e-16 for |x| <= 10, below 1e-11 for |x| <= 1e5."""
    quarter, rest = _reduced(x)
    value = _cosine_core(rest) if quarter % 2 else _sine_core(rest)
    return -value if quarter >= 2 else value


def cosine(x: float) -> float:
    """cos(x), x in rad; error as `sine`."""
    quarter, rest = _reduced(x)
    value = _sine_core(rest) if quarter % 2 else _cosine_core(rest)
    return -value if quarter in (1, 2) else value


def tangent(x: float) -> float:
    """tan(x), x in rad, away from its poles; relative error below 1e-15 for |x| <= 1.4."""
    return sine(x) / cosine(x)


def cube_root(x: float) -> float:
    """Cube root of x >= 0 (Newton from a power-of-two start); relative error below 4e-16."""
    if x <= 0.0:
        return 0.0
    scale = 1.0
    while x < 0.125:
        x *= 8.0
        scale *= 0.5
    while x > 1.0:
        x *= 0.125
        scale *= 2.0
    root = 0.5 + 0.5 * x
    for _ in range(6):
        root -= (root - x / (root * root)) / 3.0
    return root * scale


def smooth_step(x: float) -> float:
    """0 below 0, 1 above 1, 3x^2 - 2x^3 between: continuous slope."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    return x * x * (3.0 - 2.0 * x)


def squash(x: float) -> float:
    """x / sqrt(1 + x^2): odd, rising, slope 1 at 0, towards -1 and 1."""
    if x > 1e150 or x < -1e150:
        return 1.0 if x > 0.0 else -1.0
    return x / sqrt(1.0 + x * x)


class Noise:
    """Reproducible white noise from a 64-bit seed, uniform in (-1, 1).

    SplitMix64 (Steele, Lea, Flood, *Fast splittable pseudorandom number generators*, OOPSLA 2014); the
    constants are the published ones, from memory.
    """

    __slots__ = ("_state",)

    def __init__(self, seed: int) -> None:
        self._state = seed & _MASK

    def next(self) -> float:
        """Return the next number."""
        self._state = (self._state + 0x9E3779B97F4A7C15) & _MASK
        z = self._state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
        z ^= z >> 31
        return (z >> 11) * (2.0 / 9007199254740992.0) - 1.0
