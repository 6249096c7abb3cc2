"""Units: factors to SI, and quantities written as text ("540 deg", "2 N m").

A small closed table, no units library: nothing of this runs in a tick. Factors are exact by definition
(BIPM, *The International System of Units*, 9th ed., and NIST SP 811 appendix B for lbf, ft, in, mph).
"""

from __future__ import annotations

import math
import re
from typing import Final

STANDARD_GRAVITY: Final = 9.80665
"""m/s2, exact by definition (CGPM 1901)."""
_POUND: Final = 0.45359237
_FOOT: Final = 0.3048

UNITS: Final[dict[str, dict[str, float]]] = {
    "1": {"": 1.0, "%": 0.01},
    "angle": {"rad": 1.0, "mrad": 1e-3, "deg": math.pi / 180.0, "°": math.pi / 180.0, "turn": 2.0 * math.pi},
    "angular speed": {
        "rad/s": 1.0,
        "deg/s": math.pi / 180.0,
        "rpm": math.pi / 30.0,
        "turn/s": 2.0 * math.pi,
    },
    "length": {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "in": _FOOT / 12.0, "ft": _FOOT},
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "mph": 5280.0 * _FOOT / 3600.0,
        "ft/s": _FOOT,
        "kn": 1852.0 / 3600.0,
    },
    "acceleration": {"m/s2": 1.0, "m/s^2": 1.0, "g": STANDARD_GRAVITY, "ft/s2": _FOOT},
    "force": {"N": 1.0, "kN": 1e3, "kgf": STANDARD_GRAVITY, "lbf": _POUND * STANDARD_GRAVITY},
    "torque": {
        "N m": 1.0,
        "Nm": 1.0,
        "N·m": 1.0,
        "mN m": 1e-3,
        "kgf m": STANDARD_GRAVITY,
        "lbf ft": _POUND * STANDARD_GRAVITY * _FOOT,
        "lbf in": _POUND * STANDARD_GRAVITY * _FOOT / 12.0,
    },
    "torque rate": {"N m/s": 1.0, "Nm/s": 1.0},
    "damping": {"N m s/rad": 1.0, "N m s": 1.0, "Nms/rad": 1.0, "N m s/deg": 180.0 / math.pi},
    "stiffness": {"N m/rad": 1.0, "N m/deg": 180.0 / math.pi},
    "cornering stiffness": {"N/rad": 1.0, "kN/rad": 1e3, "N/deg": 180.0 / math.pi},
    "mass": {"kg": 1.0, "t": 1e3, "g": 1e-3, "lb": _POUND},
    "inertia": {"kg m2": 1.0, "kg m^2": 1.0, "kg·m2": 1.0},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "frequency": {"Hz": 1.0, "kHz": 1e3},
    "size": {"B": 1.0, "kB": 1e3, "MB": 1e6, "GB": 1e9},
    "steering ratio": {"": 1.0, ":1": 1.0},
}
"""Dimension -> unit -> factor to SI."""

_QUANTITY = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.ASCII)


class QuantityError(ValueError):
    """A quantity that cannot be read; the message says what was found and what is allowed."""


def allowed_units(dimension: str) -> str:
    """Return the units of a dimension, readable, for messages."""
    names = [name for name in UNITS[dimension] if name]
    return ", ".join(names) if names else "a bare number"


def factor(unit: str, dimension: str) -> float:
    """Return the factor that takes a number in `unit` to SI.

    Raises:
        QuantityError: `unit` is not a unit of `dimension`.
    """
    table = UNITS[dimension]
    folded = " ".join(unit.split())
    if folded in table:
        return table[folded]
    squeezed = {name.replace(" ", "").replace("·", ""): value for name, value in table.items()}
    key = folded.replace(" ", "").replace("·", "").replace("*", "")
    if key in squeezed:
        return squeezed[key]
    raise QuantityError(f"'{unit}' is not a unit of {dimension}; allowed: {allowed_units(dimension)}")


def parse_quantity(value: object, dimension: str) -> float:
    """Read "540 deg", "2 N m" or a bare SI number; return the value in SI.

    Args:
        value: text, int or float. A bare number is taken as SI. A bool is refused.
        dimension: a key of `UNITS`.

    Raises:
        QuantityError: not a number, not finite, or not a unit of that dimension.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise QuantityError(
            f"{value!r} is not a quantity; write a number with a unit ({allowed_units(dimension)})"
        )
    if isinstance(value, str):
        match = _QUANTITY.fullmatch(value)
        if match is None:
            raise QuantityError(
                f"'{value}' is not a number with a unit of {dimension} ({allowed_units(dimension)})"
            )
        number, unit = match.groups()
        result = float(number) * (factor(unit, dimension) if unit else 1.0)
    else:
        try:
            result = float(value)
        except OverflowError:
            raise QuantityError(f"{value!r} is too large") from None
    if not math.isfinite(result):
        raise QuantityError(f"{value!r} is not a finite number")
    return result
