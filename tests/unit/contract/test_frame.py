"""Frames, their axes, and what the records promise."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge import contract
from bridge.contract import FRAME_FIELDS, Command, Frame, Guard, Surface, Tyre, Tyres, WheelState, from_z_down

number = st.none() | st.floats(allow_nan=False)
tyre = st.builds(
    Tyre, number, number, number, number, number, number, st.none() | st.sampled_from(Surface), number
)
frames = st.builds(
    Frame,
    time=st.floats(0, 1e6),
    speed=number,
    lateral_speed=number,
    ax=number,
    ay=number,
    yaw_rate=number,
    steer=number,
    steering_wheel=number,
    tyres=st.none() | st.builds(Tyres, tyre, tyre, tyre, tyre),
    rack_force=number,
    steering_torque=number,
)


def test_what_is_not_given_is_none_and_the_car_drives() -> None:
    frame = Frame(time=1.0)
    assert frame.driving
    assert all(value is None for name, value in frame._asdict().items() if name not in ("time", "driving"))


def test_records_are_frozen_and_have_no_dict() -> None:
    for record in (Frame(0.0), Tyre(), WheelState(0.0, 0.0), Command(0.0, 0, 0.0)):
        with pytest.raises(AttributeError):
            record.time = 1.0  # type: ignore[misc,union-attr]  # that it cannot be set is what we test
        assert not hasattr(record, "__dict__")


@given(frames)
def test_turning_the_axes_twice_gives_the_same_frame(frame: Frame) -> None:
    assert from_z_down(from_z_down(frame)) == frame


@given(frames)
def test_z_down_keeps_what_is_along_x_and_negates_what_is_about_z(frame: Frame) -> None:
    """ISO 8855 and SAE J670 axis definitions, from memory: a half turn about x."""
    turned = from_z_down(frame)
    assert (turned.speed, turned.ax, turned.time) == (frame.speed, frame.ax, frame.time)
    for name in (
        "lateral_speed",
        "ay",
        "yaw_rate",
        "steer",
        "steering_wheel",
        "rack_force",
        "steering_torque",
    ):
        before, after = getattr(frame, name), getattr(turned, name)
        assert after == (None if before is None else -before)
    if frame.tyres is not None and turned.tyres is not None:
        for before, after in zip(frame.tyres, turned.tyres, strict=True):
            assert (after.fx, after.fz, after.slip_ratio) == (before.fx, before.fz, before.slip_ratio)


@given(st.floats(1, 1e4), st.floats(-1e3, 1e3))
def test_the_pneumatic_trail_is_the_same_in_both_axes(fy: float, mz: float) -> None:
    """t = -Mz / Fy is invariant (Pacejka, Tyre and Vehicle Dynamics, axis conventions)."""
    one = Tyre(fy=fy, mz=mz)
    other = contract.tyre_from_z_down(one)
    assert other.fy is not None
    assert other.mz is not None
    assert -other.mz / other.fy == -mz / fy


@given(frames)
def test_frames_survive_pickling(frame: Frame) -> None:
    assert repr(pickle.loads(pickle.dumps(frame))) == repr(frame)  # NaN is not equal to itself


def test_declared_names_cover_frame_and_tyre() -> None:
    assert "ay" in FRAME_FIELDS
    assert "tyres.fy" in FRAME_FIELDS
    assert "tyres" not in FRAME_FIELDS


def test_numbers_in_recordings_never_change() -> None:
    """Bits and codes are part of the recording format: append only."""
    assert [s.value for s in Surface] == list(range(1, 12))
    assert [int(g) for g in Guard] == [1 << n for n in range(12)]


def test_everything_public_is_exported_and_documented() -> None:
    for name in contract.__all__:
        thing = getattr(contract, name)
        if isinstance(thing, type) or callable(thing):
            assert thing.__doc__, name
