"""Arithmetic, upsampling, feel, shaping and the chain: each by itself."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.contract import Command, Frame, Guard, Surface, Tyre, Tyres, WheelState
from bridge.force_path import shaping
from bridge.force_path.arithmetic import Noise, cosine, cube_root, sine, smooth_step, squash, tangent
from bridge.force_path.chain import ForcePath
from bridge.force_path.feel import EndStop, LongitudinalPull, RollingAndStandstill, SurfaceShake
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import check
from bridge.force_path.torque import SteeringTorque
from bridge.force_path.upsampling import Blend, Hold, make
from tests.parameters import make_parameters

PLAIN = make_parameters()


def moment(now: float = 0.0, **values: Any) -> Moment:
    found = Moment()
    found.now, found.dt = now, 0.001
    for name, value in values.items():
        setattr(found, name, value)
    return found


@given(st.floats(-10.0, 10.0))
def test_sine_and_cosine_within_their_stated_error(x: float) -> None:
    """Against numpy's extended precision."""
    assert abs(sine(x) - float(np.sin(np.longdouble(x)))) <= 4e-16
    assert abs(cosine(x) - float(np.cos(np.longdouble(x)))) <= 4e-16
    assert sine(-x) == -sine(x)


@given(st.floats(-1e5, 1e5))
def test_sine_far_out(x: float) -> None:
    assert abs(sine(x) - float(np.sin(np.longdouble(x)))) <= 1e-11


@given(st.floats(-1.4, 1.4))
def test_tangent(x: float) -> None:
    assert tangent(x) == pytest.approx(float(np.tan(np.longdouble(x))), rel=1e-15, abs=1e-300)


@given(st.floats(1e-12, 1e12))
def test_cube_root(x: float) -> None:
    assert cube_root(x) == pytest.approx(float(np.cbrt(np.longdouble(x))), rel=4e-16)


def test_the_small_ones() -> None:
    assert (cube_root(0.0), cube_root(-1.0)) == (0.0, 0.0)
    assert [smooth_step(x) for x in (-1.0, 0.0, 0.5, 1.0, 2.0)] == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert (squash(0.0), squash(1e300), squash(-1e300)) == (0.0, 1.0, -1.0)
    noise, again = Noise(7), Noise(7)
    values = [noise.next() for _ in range(5000)]
    assert values == [again.next() for _ in range(5000)]
    assert abs(sum(values) / 5000) < 0.05
    assert -1.0 < min(values) < -0.9 < 0.9 < max(values) < 1.0


def test_splitmix_gives_the_published_first_numbers() -> None:
    """SplitMix64 from seed 1234567: 6457827717110365317 first (reference implementation's test vector)."""
    first = Noise(1234567)
    assert first.next() == (6457827717110365317 >> 11) * 2.0**-52 - 1.0


def test_hold_keeps_and_blend_runs_straight_one_frame_late() -> None:
    hold, blend = Hold(), Blend()
    out: list[float] = []
    for n in range(10):
        hold.push(float(n), n * 0.04)
        blend.push(float(n), n * 0.04)
        assert hold.step(moment(n * 0.04 + 0.02)) == n
        out += [blend.step(moment(n * 0.04 + k * 0.004)) for k in range(10)]
    assert blend.period == pytest.approx(0.04)
    for k in range(50, 100):
        assert out[k] == pytest.approx(k / 10 - 1.0, abs=0.12), "within one tick's worth"
    assert make("hold").name == "hold"
    assert make("no such").name == "hold"


def test_blend_is_not_slowed_by_a_lost_frame_and_never_jumps() -> None:
    blend = Blend()
    last, arrivals = 0.0, [0.0, 0.04, 0.08, 0.16, 0.19, 0.25, 0.28]
    now = 0.0
    for n, arrival in enumerate(arrivals):
        while now < arrival:
            now += 0.001
            value = blend.step(moment(now))
            assert abs(value - last) <= 2.0 / 0.03 * 0.001 + 1e-9
            last = value
        blend.push(float(n % 3), arrival)
    assert 0.035 <= blend.period <= 0.045


def on(surface: Surface, other: Surface = Surface.ASPHALT, **more: float) -> Frame:
    tyres = Tyres(Tyre(surface=surface, **more), Tyre(surface=other), Tyre(), Tyre())
    return Frame(0.0, speed=20.0, tyres=tyres)


def shake(frame: Frame | None, speed: float = 20.0, ticks: int = 2000, **changes: Any) -> list[float]:
    stage = SurfaceShake(
        make_parameters(feel__road=0.0, **changes)
        if "feel__road" not in changes
        else make_parameters(**changes)
    )
    return [stage.step(0.0, moment(k / 1000, frame=frame, road_speed=speed)) for k in range(ticks)]


def test_kerb_teeth_come_at_speed_over_pitch() -> None:
    values = np.array(shake(on(Surface.KERB), feel__kerb_pitch=0.5))[500:]
    spectrum = np.abs(np.fft.rfft(values))
    assert np.argmax(spectrum) / (len(values) / 1000) == pytest.approx(40.0, abs=1.0)
    right = np.array(shake(on(Surface.ASPHALT, Surface.KERB), feel__kerb_pitch=0.5))[500:]
    assert float(np.dot(values, right)) < 0.0, "left and right push to opposite sides"


def test_teeth_faster_than_the_device_are_left_out() -> None:
    assert max(map(abs, shake(on(Surface.KERB), speed=60.0, feel__kerb_pitch=0.1))) == pytest.approx(
        0.0, abs=1e-6
    )


@pytest.mark.parametrize(
    "surface", [Surface.GRASS, Surface.GRAVEL, Surface.SAND, Surface.WET_GRASS, Surface.SNOW]
)
def test_loose_ground_shakes_reproducibly_and_within_band(surface: Surface) -> None:
    values = shake(on(surface, surface))
    assert values == shake(on(surface, surface))
    assert values != shake(on(surface, surface), feel__seed=2)
    settled = np.array(values[200:])
    assert 0.05 < settled.std() < 2.0
    spectrum = np.abs(np.fft.rfft(settled)) ** 2
    fast = spectrum[len(spectrum) * 3 // 4 :].mean()
    assert fast < 0.2 * spectrum.max(), "nothing near half the tick rate"


def test_no_shake_at_standstill_without_tyres_or_at_level_0() -> None:
    assert set(shake(on(Surface.GRASS), speed=0.0)) == {0.0}
    assert set(shake(Frame(0.0))) == {0.0}
    assert set(shake(None)) == {0.0}
    assert set(shake(on(Surface.KERB), feel__kerb=0.0, feel__off_track=0.0, feel__road=0.0)) == {0.0}
    assert max(map(abs, shake(on(Surface.ASPHALT), feel__road=1.0))) > 0.0


def test_a_surface_never_steps_in() -> None:
    values = shake(on(Surface.KERB))
    assert max(abs(b - a) for a, b in itertools.pairwise(values)) < 0.35


def test_the_pull_of_unequal_braking_where_the_model_lacks_it() -> None:
    steering = SteeringTorque(PLAIN)
    stage = LongitudinalPull(PLAIN, steering)
    frame = Frame(0.0, tyres=Tyres(Tyre(fy=0.0, fx=-3000.0), Tyre(fy=0.0, fx=-1000.0), Tyre(), Tyre()))
    steering.frame(frame, 0.0, 0.0)
    for k in range(300):
        pulled = stage.step(0.0, moment(k / 1000, frame=frame))
    assert pulled == pytest.approx(2000.0 * 0.02 / 11.25, rel=1e-3), "the left brakes harder: to the left"
    steering.frame(Frame(1.0, steering_torque=1.0), 1.0, 0.0)
    for k in range(600):
        pulled = stage.step(0.0, moment(k / 1000, frame=frame))
    assert pulled == pytest.approx(0.0, abs=1e-4), "the sim's own torque has it already"
    stage.reset()
    assert stage.step(2.0, moment(frame=frame)) == 2.0
    stage.configure(make_parameters(feel__longitudinal_pull=0.0))
    assert stage.step(2.0, moment(frame=frame)) == 2.0


def test_standstill_friction_and_damping_fade_with_speed() -> None:
    stage = RollingAndStandstill(make_parameters(feel__rolling_damping=0.0, feel__fade_speed=3.0))
    slow, half, fast = (stage.step(0.0, moment(velocity=2.0, road_speed=v)) for v in (0.0, 3.0, 60.0))
    assert slow < 0.0
    assert half == pytest.approx(slow / 2)
    assert abs(fast) < 0.01 * abs(slow)
    assert stage.step(1.0, moment(velocity=0.0)) == 1.0
    stage.reset()
    off = RollingAndStandstill(
        make_parameters(
            feel__rolling_damping=0.0, feel__standstill_damping=0.0, feel__standstill_friction=0.0
        )
    )
    assert off.step(1.0, moment(velocity=9.0)) == 1.0


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_the_end_stop_pushes_back_and_never_pulls_out(side: float) -> None:
    stage = EndStop(PLAIN)
    limit = PLAIN.wheel.rotation / 2
    assert stage.step(0.5, moment(angle=side * (limit - 0.01))) == 0.5
    assert stage.step(0.0, moment(angle=side * (limit + 0.1))) == pytest.approx(-side * 2.0)
    assert stage.step(0.0, moment(angle=side * (limit + 0.1), velocity=-side * 50.0)) == 0.0
    stage.reset()


torque = st.floats(-50.0, 50.0)


@given(torque, torque)
def test_shaping_is_odd_and_rising(a: float, b: float) -> None:
    parameters = make_parameters(
        shaping__centre_softness=0.6, wheel__minimum_torque=0.2,
        wheel__linearisation=((0.0, 0.0), (0.2, 0.35), (1.0, 1.0)),
    )  # fmt: skip
    at = moment()
    for kind in (
        shaping.Strength,
        shaping.CentreSoftness,
        shaping.Saturation,
        shaping.MinimumTorque,
        shaping.Linearisation,
    ):
        stage = kind(parameters)
        stage.reset()
        assert stage.step(-a, at) == -stage.step(a, at)
        low, high = min(a, b), max(a, b)
        assert stage.step(low, at) <= stage.step(high, at) + 1e-12


@given(st.floats(-1e6, 1e6))
def test_saturation_keeps_what_is_below_the_knee_and_never_passes_the_ceiling(value: float) -> None:
    stage = shaping.Saturation(PLAIN)
    out = stage.step(value, moment())
    assert abs(out) <= 2.0
    if abs(value) <= 1.4:
        assert out == value


def test_strength_is_the_share_of_the_peak_that_the_reference_torque_produces() -> None:
    stage = shaping.Strength(make_parameters(shaping__strength=0.25, shaping__reference_torque=10.0))
    assert stage.step(10.0, moment()) == pytest.approx(0.25 * 8.0)


def test_linearisation_asks_for_the_level_that_exerts_the_torque() -> None:
    parameters = make_parameters(wheel__linearisation=((0.0, 0.0), (0.5, 0.25), (1.0, 1.0)))
    stage = shaping.Linearisation(parameters)
    assert stage.step(4.0, moment()) == pytest.approx(2.0)
    assert stage.step(6.0, moment()) == pytest.approx(5.0)
    assert stage.step(9.0, moment()) == pytest.approx(8.0)


def run(path: ForcePath, ticks: int, begin: float, wheel: WheelState | None = None) -> list[Command]:
    return [path.step(begin + (k + 1) / 1000, wheel) for k in range(ticks)]


@pytest.mark.parametrize(("rate", "spacing"), [(1000.0, 1), (500.0, 2), (400.0, 3), (333.0, 4), (60.0, 17)])
def test_the_device_is_never_asked_more_often_than_it_takes(rate: float, spacing: int) -> None:
    path = ForcePath(make_parameters(wheel__update_rate=rate))
    due = [command.sequence for command in run(path, 500, 1.0) if command.due]
    assert {b - a for a, b in itertools.pairwise(due)} == {spacing}


def test_polarity_turns_the_sign_and_changing_it_does_not_step() -> None:
    path = ForcePath(make_parameters(governor__fade_in=0.1, governor__slew=500.0))
    now = 1.0
    for n in range(25):
        path.frame(Frame(n / 25, steering_torque=8.0), now)
        before = run(path, 40, now)[-1].torque
        now += 0.04
    path.configure(make_parameters(governor__fade_in=0.1, governor__slew=500.0, wheel__polarity=-1.0), now)
    torques = []
    for n in range(25, 40):
        path.frame(Frame(n / 25, steering_torque=8.0), now)
        torques += [command.torque for command in run(path, 40, now)]
        now += 0.04
    assert before > 1.0
    assert torques[-1] == pytest.approx(-before, rel=1e-3)
    steps = [abs(b - a) for a, b in zip([before, *torques], torques, strict=False)]
    assert max(steps) <= 2 * before / 0.2 * 0.001 * 1.1, "faded over 0.2 s"


def test_a_sim_that_restarts_and_frames_out_of_order() -> None:
    path = ForcePath(PLAIN)
    for time in (5.0, 5.04, 5.04, 5.02, 0.5, 0.54):
        path.frame(Frame(time, steering_torque=1.0), 1.0)
    status = path.status()
    assert status.frames == 4
    assert status.rejected == {"time_repeated": 1, "time_backwards": 1}
    assert status.sim_restarts == 1
    assert path.frame(Frame("now"), 1.0) == "wrong_type"  # type: ignore[arg-type]  # that it is survived
    assert path.frame(Frame(math.nan), 1.0) == "not_finite"
    assert path.frame(Frame(1e13), 1.0) == "out_of_range"
    assert path.frame(Frame(9.0, tyres=Tyres(*[Tyre(fy=math.inf)] * 4)), 1.0) == "not_finite"
    assert path.frame(Frame(9.0, speed=1e6), 1.0) == "out_of_range"
    for n in range(30):
        path.frame(Frame(0.1 + n * 1e-6, steering_torque=1.0), 2.0)
    assert path.status().sim_restarts == 2, "a clock that stays behind is believed in the end"


def test_the_velocity_comes_from_the_angle_where_the_device_gives_none() -> None:
    path = ForcePath(make_parameters(feel__rolling_damping=1.0, governor__fade_in=0.1))
    now = 1.0
    for n in range(20):
        path.frame(Frame(n / 25, speed=20.0, steering_torque=0.0), now)
        for _ in range(40):
            now += 0.001
            command = path.step(now, WheelState(now, 0.5 * now, None))
    assert command.torque == pytest.approx(-0.5, abs=0.02)
    path.step(now + 0.001, WheelState(math.nan, 0.0, None))
    assert path.step(now + 0.002, WheelState(now, 1e9, 1.0)).torque is not None


def test_what_makes_no_sense_is_refused_and_the_old_numbers_hold() -> None:
    path = ForcePath(PLAIN)
    wrong: list[dict[str, Any]] = [{"car__mass": math.nan}, {"wheel__rotation": 0.0}, {"tick_rate": 0.0}]
    for changes in wrong:
        with pytest.raises(ValueError, match=r"finite|positive"):
            path.configure(make_parameters(**changes), 1.0)
        with pytest.raises(ValueError, match=r"finite|positive"):
            check(make_parameters(**changes))
    assert path.parameters is PLAIN


def test_restart_forgets_a_source_and_fades_in_after_a_sink() -> None:
    path = ForcePath(make_parameters(governor__fade_in=0.2, upsampling__method="hold"))
    now = 1.0
    for reason in ("source", "sink"):
        for n in range(25):
            path.frame(Frame(n / 25 + now, steering_torque=8.0), now)
            last = run(path, 40, now)[-1]
            now += 0.04
        assert abs(last.torque) > 1.0
        path.restart(now, reason)
        assert run(path, 1, now)[0].torque == 0.0
    assert path.model_name == "steering torque"
    assert path.status().guard_counts["fade"] > 0
    assert Guard.FADE & Guard(last.guards) == Guard.NONE


def test_the_torque_model_gets_the_best_known_road_wheel_angle() -> None:
    load = Tyres(*[Tyre(fy=0.0, fz=4000.0, mz=0.0)] * 4)
    torques = []
    for frame in (Frame(0.0, steer=0.1, tyres=load), Frame(0.0, steering_wheel=0.1 * 11.25, tyres=load)):
        path = ForcePath(PLAIN)
        path.frame(frame, 0.0)
        torques.append(path.status().torque_model)
    path = ForcePath(PLAIN)
    path.step(0.0, WheelState(0.0, 0.1 * 11.25))
    path.frame(Frame(0.0, tyres=load), 0.0)
    torques.append(path.status().torque_model)
    assert torques[0] < 0.0
    assert torques == pytest.approx([torques[0]] * 3)


def test_memory_stays_flat_over_ten_minutes_of_ticks() -> None:
    import tracemalloc  # noqa: PLC0415 - slows everything down, so only here

    path = ForcePath(PLAIN)
    frame = on(Surface.GRASS, fy=500.0, fz=3000.0)

    def minutes(ticks: int, begin: float) -> None:
        for k in range(ticks):
            now = begin + k / 1000
            if k % 40 == 0:
                path.frame(Frame(now, speed=20.0, tyres=frame.tyres), now)
            path.step(now, WheelState(now, 0.1, 0.0))

    minutes(2000, 1.0)
    tracemalloc.start()
    minutes(5000, 10.0)
    before = tracemalloc.get_traced_memory()[0]
    minutes(20_000, 20.0)
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert after - before < 4096
