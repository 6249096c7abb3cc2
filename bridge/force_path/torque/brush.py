"""The brush tyre: aligning torque and pneumatic trail from the lateral force alone.

Pacejka, *Tyre and Vehicle Dynamics*, chapter 3 (parabolic pressure, contact half-length a): with
rho = |Fy| / (mu Fz) the slip angle drops out and |Mz| = a mu Fz (1 - rho) (1 - (1 - rho)^(1/3)).
"""

from __future__ import annotations

from bridge.force_path.arithmetic import cube_root


def aligning_torque(fy: float, fz: float, friction: float, half_length: float) -> float:
    """Return Mz, N m (ISO 8855: opposite in sign to `fy`).

    Args:
        fy: lateral force, N.
        fz: vertical load, N; no load, no torque.
        friction: mu.
        half_length: half the contact length, m.
    """
    limit = friction * fz
    if limit <= 0.0:
        return 0.0
    rho = abs(fy) / limit
    if rho >= 1.0:
        return 0.0
    rest = 1.0 - rho
    size = half_length * limit * rest * (1.0 - cube_root(rest))
    return -size if fy > 0.0 else size


def lateral_force(tangent_of_slip: float, stiffness: float, fz: float, friction: float) -> float:
    """Return Fy, N, for a slip angle given by its tangent (ISO 8855: opposite in sign)."""
    limit = friction * fz
    if limit <= 0.0:
        return 0.0
    z = stiffness * abs(tangent_of_slip) / (3.0 * limit)
    rest = 1.0 - z if z < 1.0 else 0.0
    size = limit * (1.0 - rest * rest * rest)
    return -size if tangent_of_slip > 0.0 else size
