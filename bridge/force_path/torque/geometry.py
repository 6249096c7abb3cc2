"""Steering geometry: what a force at the contact patch does about the kingpin, and the way to the rim.

Moments after Gillespie, *Fundamentals of Vehicle Dynamics*, SAE 1992, chapter 8, in ISO 8855 signs (left
positive), except the moment of the vertical force: the textbook form takes only the ground offset as lever
and understates it; here it is the derivative of the work that raises the car (checked numerically in the
tests), with the lever d cos(lambda) + r sin(lambda).
"""

from __future__ import annotations

from math import sqrt

from bridge.force_path.arithmetic import cosine, sine, tangent
from bridge.force_path.parameters import Parameters


class Geometry:
    """Constants of the front axle, computed once a change of settings."""

    __slots__ = (
        "assist_rest",
        "caster_lever",
        "cos_total",
        "load_lever",
        "mechanical_trail",
        "rack_lever",
        "ratio",
        "scrub_radius",
        "to_rim",
        "unequal_lever",
    )

    def __init__(self, parameters: Parameters) -> None:
        car, wheel = parameters.car, parameters.wheel
        self.ratio = car.steering_ratio or 0.5 * wheel.rotation / car.road_wheel_lock
        """Rim angle over road-wheel angle."""
        self.assist_rest = 1.0 - car.steering_assist
        self.to_rim = self.assist_rest / self.ratio
        """N m at the rim for each N m about the kingpins."""
        self.rack_lever = car.steering_arm / self.ratio * self.assist_rest
        """N m at the rim for each N in the rack: the rack's travel for each radian of the rim, m."""
        caster, kingpin, d, r = car.caster, car.kingpin_inclination, car.scrub_radius, car.tyre_radius
        self.scrub_radius = d
        self.mechanical_trail = r * tangent(caster)
        """m"""
        sin_k, sin_c = sine(kingpin), sine(caster)
        self.load_lever = (d * cosine(kingpin) + r * sin_k) * sin_k - r * sin_c * sin_c
        """m, times sin(delta) and the sum of the loads."""
        self.unequal_lever = d * sin_c + self.mechanical_trail * sin_k
        """m, times cos(delta) and the difference of the loads."""
        self.cos_total = cosine(sqrt(kingpin * kingpin + caster * caster))

    def load_moment(self, left: float, right: float, steer: float) -> float:
        """Return the kingpin moment of the vertical loads, N m; loads in N, `steer` in rad."""
        return -(left + right) * sine(steer) * self.load_lever - (left - right) * self.unequal_lever * cosine(
            steer
        )
