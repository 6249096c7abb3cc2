"""From z-down axes (SAE J670: x forward, y right, z down) to ISO 8855 (x forward, y left, z up).

The change of axes is a half turn about x: x components keep their sign, y and z components change it.
Angles and rates about z (steer, yaw) and about y change sign with them. The pneumatic trail
``-Mz / Fy`` is the same in both. Source: ISO 8855:2011 and SAE J670:2008 axis definitions, from memory.
"""

from __future__ import annotations

from bridge.contract.frame import Frame, Tyre, Tyres


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def tyre_from_z_down(tyre: Tyre) -> Tyre:
    """Turn a tyre given in z-down axes into ISO 8855.

    ``fx``, ``slip_ratio``, ``surface`` and ``travel`` keep their sign. ``fz`` keeps it as well: sims that
    use z-down axes nearly always give the load of a tyre as a positive number. With ``tan(alpha) = vy/|vx|``
    in both systems the slip angle changes sign like ``vy``.
    """
    return tyre._replace(fy=_minus(tyre.fy), mz=_minus(tyre.mz), slip_angle=_minus(tyre.slip_angle))


def from_z_down(frame: Frame) -> Frame:
    """Turn a frame given in z-down axes into ISO 8855 (N, N m, rad, m/s as before)."""
    tyres = frame.tyres
    return frame._replace(
        lateral_speed=_minus(frame.lateral_speed),
        ay=_minus(frame.ay),
        yaw_rate=_minus(frame.yaw_rate),
        steer=_minus(frame.steer),
        steering_wheel=_minus(frame.steering_wheel),
        rack_force=_minus(frame.rack_force),
        steering_torque=_minus(frame.steering_torque),
        tyres=None if tyres is None else Tyres(*map(tyre_from_z_down, tyres)),
    )
