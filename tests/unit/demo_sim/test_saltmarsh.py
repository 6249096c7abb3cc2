"""Saltmarsh against published forms, so that it can serve as a check; and its script."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bridge.force_path.torque import SteeringTorque
from bridge.layout import Decoder, load_layout
from bridge.settings.places import find_config
from tests.parameters import make_parameters
from tools.demo_sim import record, truth
from tools.demo_sim.__main__ import Sim, _arguments
from tools.demo_sim.car import Car, LiftTable, Numbers, Tyre, _tyre
from tools.demo_sim.world import World

DEG = math.pi / 180.0


@pytest.mark.published
@pytest.mark.parametrize(
    ("alpha", "force", "torque"), [(1.0, 958.5592, 15.926564), (4.0, 2899.6436, 23.083324)]
)
def test_its_tyre_is_the_brush_model(alpha: float, force: float, torque: float) -> None:
    """Pacejka, Tyre and Vehicle Dynamics, ch. 3; numbers computed for C 60 kN/rad, Fz 4 kN, mu 1, a 60 mm."""
    tyre = Tyre(fz=4000.0)
    _tyre(tyre, alpha * DEG, 60e3, 1.0, 0.0, 0.06)
    assert tyre.fy == pytest.approx(-force, abs=1e-3)
    assert tyre.mz == pytest.approx(torque, abs=1e-4)


@pytest.mark.published
def test_its_yaw_gain_is_that_of_the_single_track() -> None:
    """r / delta = v / (L + K v^2), K = (m/L)(b/Cf - a/Cr): Gillespie 1992 ch. 6; small angles, steady."""
    n = Numbers(height=0.0)
    car = Car(n)
    car.vx = speed = 15.0
    steer = 0.004
    for _ in range(3000):
        car.vx = speed
        car.step(steer, 0.0, (0, 0, 0, 0), 0.001)
    length = n.front + n.rear
    gradient = n.mass / length * (n.rear / (2 * n.front_stiffness) - n.front / (2 * n.rear_stiffness))
    assert car.yaw_rate / steer == pytest.approx(speed / (length + gradient * speed**2), rel=0.02)


@pytest.mark.published
@pytest.mark.parametrize(("steer", "expected"), [(5.0, -10.2442)])
def test_its_kingpin_lifts_the_car_by_virtual_work(steer: float, expected: float) -> None:
    """Thin disc, kingpin 12 deg, caster 5 deg, offset 20 mm, 4 kN a side (computed by virtual work)."""
    lift = LiftTable(Numbers())
    found = -4000.0 * (lift.slope(steer * DEG, 1.0) + lift.slope(steer * DEG, -1.0))
    assert found == pytest.approx(expected, rel=5e-3)


def drive(seconds: float) -> World:
    world, rim = World(), 0.0
    wanted = 0.0
    for k in range(round(seconds * 1000)):
        if k % 40 == 0:
            wanted = world.wanted_rim_angle()
        rim += (wanted - rim) * 0.001 / 0.06
        world.step(rim / world.car.numbers.ratio)
        assert math.isfinite(world.car.vx + world.car.vy + world.car.rim_torque)
    return world


def test_everything_in_the_script_happens_within_20_seconds() -> None:
    world = drive(20.0)
    assert {"kerb strike", "excursion", "spin", "recovery", "pause"} <= set(world.happenings)


def test_the_same_drive_twice_is_the_same() -> None:
    one, other = drive(6.0), drive(6.0)
    assert (one.distance, one.offset, one.car.rim_torque) == (
        other.distance,
        other.offset,
        other.car.rim_torque,
    )


@pytest.mark.slow
def test_it_drives_for_ten_minutes() -> None:
    world = drive(600.0)
    assert world.distance > 5000.0


def test_its_record_decodes_to_what_it_is_and_the_torque_model_agrees_with_its_own(tmp_path: Path) -> None:
    """Two independent implementations of one steering gear: the daemon's model on the exported forces, and
    sim's own torque; what differs is the record's rounding and the approximation of the load's moment."""
    path = tmp_path / "truth.bin"
    name = "draglink_saltmarsh_unit"
    options = ["--name", name, "--wheel", "", "--seconds", "9", "--fast", "--truth", str(path)]
    sim = Sim(_arguments().parse_args(options))
    decoder = Decoder(load_layout(find_config("sims", "saltmarsh")))
    steering = SteeringTorque(make_parameters(car__friction=1.1, car__steering_ratio=11.25))
    pairs: list[tuple[float, float]] = []
    publish = sim._publish

    def look() -> None:
        publish()
        frame = decoder.decode(bytes(sim._packed()))
        assert frame.index == sim._counter
        assert frame.speed == pytest.approx(sim.world.car.vx, rel=1e-6)
        assert frame.ay == pytest.approx(sim.world.car.ay, rel=1e-5, abs=1e-6)
        assert frame.steer == pytest.approx(sim.world.steer, abs=1e-4)
        if sim.world.car.vx > 5.0:
            pairs.append(
                (steering.frame(frame, sim._counter / 25, frame.steer or 0.0), sim.world.car.rim_torque)
            )

    sim._publish = look  # type: ignore[method-assign]  # to look at each record as it goes out
    sim.run()
    sim.close()
    error = sum((a - b) ** 2 for a, b in pairs) / sum(b * b for _, b in pairs)
    assert error**0.5 < 0.02
    rows = truth.read(path)
    assert len(rows) == 9000
    assert rows[-1].frame == 225


def test_comparing_finds_the_delay_that_was_put_in() -> None:
    signal = [(k / 1000, math.sin(k / 150) + 0.3 * math.sin(k / 40)) for k in range(5000)]
    late = [(t + 0.046, v) for t, v in signal]
    found = truth.compare(signal, late)
    assert found.delay == pytest.approx(0.046, abs=0.002)
    assert found.error_shifted < 0.02 < found.error
    assert truth.compare(signal, []).samples == 0


def test_the_record_is_as_long_as_its_description() -> None:
    row = record.TyreRow(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 0.5, 1)
    packed = record.pack(2, 3, 4.0, 5.0, 1, 2, (1.0,) * 5, 0.1, 900.0, (1.0, 0.0), (row, row, row, row))
    assert len(packed) == record.SIZE
    assert record.published(bytes(packed)) == 5.0
