"""Steering moments and tyres against published forms and numbers.

Gillespie: T. D. Gillespie, *Fundamentals of Vehicle Dynamics*, SAE, 1992, chapter 8. Pacejka: *Tyre and
Vehicle Dynamics*, chapter 3 (brush model). 'computed' marks numbers worked out for these tests from the form
named beside them.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.contract import Frame, Tyre, Tyres
from bridge.force_path.torque.brush import aligning_torque, lateral_force
from bridge.force_path.torque.geometry import Geometry
from bridge.force_path.torque.models import BodyMotion, LateralForce, TyreForces
from tests.parameters import make_parameters

pytestmark = pytest.mark.published
DEG = math.pi / 180.0


def geometry(kingpin: float, caster: float, scrub: float, radius: float = 0.3) -> Geometry:
    return Geometry(
        make_parameters(
            car__kingpin_inclination=kingpin * DEG,
            car__caster=caster * DEG,
            car__scrub_radius=scrub,
            car__tyre_radius=radius,
            car__steering_ratio=1.0,
        )
    )


def textbook_load_moment(
    left: float, right: float, d: float, kingpin: float, caster: float, steer: float
) -> float:
    """Gillespie 1992, eq. for M_V: the lever is the offset at the ground alone."""
    even = -(left + right) * d * math.sin(kingpin) * math.sin(steer)
    return even + (left - right) * d * math.sin(caster) * math.cos(steer)


def test_gillespies_load_moment_gives_the_published_number() -> None:
    """A published worked example of Gillespie's form: 0.108424 for these loads, offset and caster."""
    found = textbook_load_moment(650.0, 600.0, 0.04, 10 * DEG, 0.0785398, 0.32 * DEG)
    assert found == pytest.approx(0.108424, abs=1e-4)


def virtual_work(
    kingpin: float, caster: float, scrub: float, radius: float, steer: float, side: int
) -> float:
    """dh/d(delta) of a thin disc turned about its kingpin by finite rotations: our own, by brute force.

    Left wheel: side 1. The moment about the kingpin for a load F is -F dh/d(delta), ISO signs.
    """
    lam, nu = kingpin * DEG, caster * DEG
    axis = [-math.tan(nu), -side * math.tan(lam), 1.0]
    norm = math.sqrt(sum(c * c for c in axis))
    u = [c / norm for c in axis]

    def rotate(v: list[float], angle: float) -> list[float]:
        c, s = math.cos(angle), math.sin(angle)
        cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]]
        dot = sum(a * b for a, b in zip(u, v, strict=True))
        return [v[k] * c + cross[k] * s + u[k] * dot * (1 - c) for k in range(3)]

    def height(angle: float) -> float:
        centre = rotate([-radius * math.tan(nu), side * scrub, radius], angle)
        spin = rotate([0.0, 1.0, 0.0], angle)
        lowest = min(  # every point of the rim, not a formula
            centre[2] + radius * (math.cos(t) * e1 + math.sin(t) * e2)
            for t in (k * math.pi / 36000 for k in range(52000, 56001))
            for e1, e2 in (_plane(spin),)
        )
        return -lowest

    step = 2e-3
    return (height(steer + step) - height(steer - step)) / (2 * step)


def _plane(spin: list[float]) -> tuple[float, float]:
    """Vertical components of two unit vectors in the wheel's plane: level, and steepest."""
    flat = math.hypot(spin[0], spin[1])
    return 0.0, flat


@pytest.mark.parametrize(
    ("kingpin", "caster", "scrub", "left", "right", "steer", "expected"),
    [  # expected: computed by virtual work of a thin disc
        (12, 0, 0.02, 4000, 4000, 1, -2.3782),
        (12, 5, 0.02, 4000, 4000, 5, -10.2442),
        (8, 3, 0.04, 4000, 4000, 10, -14.4660),
        (12, 5, 0.02, 5000, 3000, 0, -14.2848),
    ],
)
def test_the_load_moment_is_that_of_virtual_work(
    kingpin: float, caster: float, scrub: float, left: float, right: float, steer: float, expected: float
) -> None:
    work = -left * virtual_work(kingpin, caster, scrub, 0.3, steer * DEG, 1)
    work -= right * virtual_work(kingpin, caster, scrub, 0.3, steer * DEG, -1)
    assert work == pytest.approx(expected, rel=2e-3)
    ours = geometry(kingpin, caster, scrub).load_moment(left, right, steer * DEG)
    assert ours == pytest.approx(work, rel=0.012 if left == right else 0.036)
    short = textbook_load_moment(left, right, scrub, kingpin * DEG, caster * DEG, steer * DEG)
    if left == right:
        assert abs(ours) > 1.5 * abs(short), "the textbook form understates it"


def test_moments_of_side_force_traction_and_aligning_torque_are_gillespies() -> None:
    """M_L = (Fyl + Fyr) r tan(nu), M_T = (Fxl - Fxr) d, M_AT = (Mzl + Mzr) cos(sqrt(lambda^2 + nu^2)).

    Gillespie 1992, chapter 8 (M_T and M_AT from memory); numbers computed from those forms: 57.742518,
    2.000000, 34.102952 N m. SAE signs there; ISO here: side force and traction turn round.
    """
    parameters = make_parameters(
        car__kingpin_inclination=12 * DEG,
        car__caster=5 * DEG,
        car__scrub_radius=0.02,
        car__tyre_radius=0.30,
        car__steering_ratio=1.0,
    )
    model = TyreForces(parameters)

    def moment(**tyre: tuple[float, float]) -> float:
        left = {name: pair[0] for name, pair in tyre.items()}
        right = {name: pair[1] for name, pair in tyre.items()}
        base = {"fy": 0.0, "fz": 0.0, "mz": 0.0}
        tyres = Tyres(Tyre(**{**base, **left}), Tyre(**{**base, **right}), Tyre(), Tyre())  # type: ignore[arg-type]  # floats by name
        found = model.torque(Frame(0.0, tyres=tyres), 0.0)
        assert found is not None
        return found

    assert moment(fy=(1200.0, 1000.0)) == pytest.approx(-57.742518, abs=1e-6)
    assert moment(fx=(300.0, 200.0)) == pytest.approx(-2.0, abs=1e-9)
    assert moment(mz=(20.0, 15.0)) == pytest.approx(34.102952, abs=1e-6)


# alpha deg, Fy N, |Mz| N m for Fz = 4000 N, mu = 1, C = 60 kN/rad, a = 60 mm; computed, Pacejka ch. 3
BRUSH = [
    (0.5, 501.0969, 9.160339),
    (1.0, 958.5592, 15.926564),
    (2.0, 1750.7004, 23.564182),
    (4.0, 2899.6436, 23.083324),
    (8.0, 3894.8943, 4.431494),
    (12.0, 4000.0, 0.0),
]


@pytest.mark.parametrize(("alpha", "force", "torque"), BRUSH)
def test_the_brush_model(alpha: float, force: float, torque: float) -> None:
    fy = lateral_force(math.tan(alpha * DEG), 60e3, 4000.0, 1.0)
    assert fy == pytest.approx(-force, abs=1e-4)
    assert aligning_torque(fy, 4000.0, 1.0, 0.06) == pytest.approx(torque, abs=2e-5)
    assert aligning_torque(-fy, 4000.0, 1.0, 0.06) == pytest.approx(-torque, abs=2e-5)


@pytest.mark.parametrize(("alpha", "force", "torque"), BRUSH[:5])
def test_the_brush_model_is_the_integral_of_its_bristles(alpha: float, force: float, torque: float) -> None:
    """Pacejka ch. 3, first principles: parabolic pressure, bristles deflect until they slide; quadrature."""
    a, mu, fz, stiffness = 0.06, 1.0, 4000.0, 60e3
    slope, bristle = math.tan(alpha * DEG), 60e3 / (2 * 0.06 * 0.06)
    assert bristle == stiffness / (2 * a * a)
    n = 20_000
    fy = mz = 0.0
    for k in range(n):
        x = -a + (k + 0.5) * 2 * a / n
        pressure = 3 * fz / (4 * a) * (1 - (x / a) ** 2)
        lateral = min(bristle * slope * (a - x), mu * pressure)
        fy += lateral * 2 * a / n
        mz += -lateral * x * 2 * a / n
    assert fy == pytest.approx(force, rel=1e-4)
    assert mz == pytest.approx(torque, rel=1e-3)


def test_the_aligning_torque_peaks_at_37_64_of_the_grip_with_27_256() -> None:
    """Pacejka ch. 3: at z = 1/4, |Mz| = 27/256 mu Fz a and |Fy| = 37/64 mu Fz."""
    peak = max(aligning_torque(-rho * 10.0, 4000.0, 1.0, 0.06) for rho in range(401))
    assert peak == pytest.approx(27 / 256 * 4000 * 0.06, rel=1e-5)
    assert aligning_torque(-37 / 64 * 4000, 4000.0, 1.0, 0.06) == pytest.approx(25.3125, abs=1e-9)


@given(st.floats(1.0, 3999.0))
def test_the_pneumatic_trail_shrinks_from_a_third_of_the_half_length(force: float) -> None:
    trail = -aligning_torque(force, 4000.0, 1.0, 0.06) / force
    assert 0.0 <= trail <= 0.06 / 3 + 1e-9
    assert trail <= -aligning_torque(force * 0.9, 4000.0, 1.0, 0.06) / (force * 0.9) + 1e-9


@pytest.mark.parametrize("load", [0.0, -10.0])
def test_no_load_no_torque(load: float) -> None:
    assert aligning_torque(100.0, load, 1.0, 0.06) == 0.0
    assert lateral_force(0.1, 6e4, load, 1.0) == 0.0


CHAIN: dict[str, Any] = dict(  # noqa: C408 - keys are names of parameters
    car__mass=1500.0, car__front_axle=1.2, car__rear_axle=1.5, car__yaw_inertia=2500.0, car__friction=0.9,
    car__contact_half_length=0.06, car__tyre_radius=0.3, car__caster=5 * DEG, car__steering_ratio=16.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("ay", "yaw_acceleration", "rim"), [(3.0, 0.0, 6.45538), (3.0, 0.5, 7.46162), (6.0, 0.0, 10.99313)]
)
def test_from_body_motion_to_the_rim(ay: float, yaw_acceleration: float, rim: float) -> None:
    """Inverse dynamics, then brush and mechanical trail: computed with g = 9.81, hence the tolerance."""
    model = BodyMotion(make_parameters(**CHAIN))
    force = model.front_force(ay, yaw_acceleration)
    assert force == pytest.approx((1500.0 * ay * 1.5 + 2500.0 * yaw_acceleration) / 2.7)
    assert LateralForce(make_parameters(**CHAIN)).from_force(force) == pytest.approx(-rim, rel=2e-4)
