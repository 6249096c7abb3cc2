"""Whatever goes into a recording comes out of it bit for bit, and hostile content harms nothing."""

from __future__ import annotations

import math
import os
import signal
import struct
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.contract import Command, Frame, Surface, Tick, Tyre, Tyres, WheelState
from bridge.recording import read_recording
from bridge.recording.checking import check_recording
from bridge.recording.feed import Feed
from bridge.recording.layout import (
    TICK,
    frame_from_map,
    frame_to_map,
    from_columns,
    packed,
    plain,
    to_columns,
    unpacked,
)
from bridge.recording.order import in_order
from tests.unit.recording.drive import bits

ODD_NAN = struct.unpack("<d", struct.pack("<Q", 0xFFF8_0000_DEAD_BEEF))[0]
real = st.floats() | st.sampled_from([0.0, -0.0, math.inf, -math.inf, math.nan, ODD_NAN, 5e-324])
number = st.none() | real
whole = st.none() | st.integers() | st.sampled_from([-(2**63), 2**63, 2**64 - 1, 2**64, -(2**64)])
tyre = st.builds(
    Tyre, number, number, number, number, number, number, st.none() | st.sampled_from(Surface), number
)
frames = st.builds(
    Frame, time=real, index=whole, driving=st.booleans(), speed=number, lateral_speed=number, ax=number,
    ay=number, yaw_rate=number, steer=number, steering_wheel=number,
    tyres=st.none() | st.builds(Tyres, tyre, tyre, tyre, tyre), rack_force=number, steering_torque=number,
    engine_speed=number, throttle=number, brake=number, gear=whole,
)  # fmt: skip


@given(frames)
def test_a_frame_survives_the_message_bit_for_bit(frame: Frame) -> None:
    read = frame_from_map(unpacked(packed({"rows": frame_to_map(frame)}))["rows"])
    assert bits(read) == bits(frame)


@given(frames)
def test_a_later_version_may_add_fields_tyre_quantities_and_surfaces(frame: Frame) -> None:
    later = {**frame_to_map(frame), "humidity": 0.5}
    if frame.tyres is not None:
        later["tyres"] = [[*tyre, 21.5] for tyre in later["tyres"]]
        later["tyres"][0][6] = 1_000
    read = frame_from_map(later)
    assert bits(read._replace(tyres=None)) == bits(frame._replace(tyres=None))
    assert frame.tyres is None or (read.tyres is not None and int(read.tyres[0].surface or 0) == 1_000)


row = st.tuples(
    st.integers(0, 2**64 - 1), real, real, real, st.integers(0, 2**32 - 1), st.integers(0, 1),
    st.integers(0, 3), real, real, real, st.integers(-1, 2**63 - 1), real,
)  # fmt: skip


@given(st.lists(row, max_size=20))
def test_columns_survive_bit_for_bit(rows: list[Any]) -> None:
    message = unpacked(packed({**to_columns(b"".join(TICK.pack(*row) for row in rows)), "later": b"x"}))
    columns = from_columns(message)
    assert bits(tuple(zip(*columns.values(), strict=True))) == bits(tuple(tuple(row) for row in rows))


ticks = st.tuples(
    real, real, st.lists(st.tuples(real, frames, st.none() | st.binary(max_size=8)), max_size=2),
    st.none() | st.builds(WheelState, real, real, number), real, st.booleans(), st.integers(0, 2**32 - 1),
    st.none() | st.tuples(st.integers(0, 2**63 - 1), real),
)  # fmt: skip


@settings(
    max_examples=3, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(st.lists(ticks, min_size=10, max_size=80))
def test_ticks_survive_process_and_file_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, drawn: list[Any]
) -> None:
    path = tmp_path_factory.mktemp("bits") / "a.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(path)
    given_ticks = []
    for sequence, (now, started, frames, wheel, torque, due, guards, delivered) in enumerate(drawn):
        command = Command(now, sequence, torque, due, guards)
        given_ticks.append(Tick(now, started, tuple(frames), wheel, command, delivered))
        feed.tick(given_ticks[-1])
    feed.close()
    recording = read_recording(path)
    assert recording.lost == []
    assert bits(tuple(tick for _, tick in in_order(recording))) == bits(tuple(given_ticks))


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary() | st.builds(object)
    | st.sampled_from([Path("a"), {1, 2}, "\ud800", 2**80, {2**70: 1}, {("a",): Path("b")}]),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=3), inside, max_size=3),
    max_leaves=8,
)  # fmt: skip


@given(anything)
def test_any_fact_of_any_event_can_be_written(value: Any) -> None:
    assert unpacked(packed({"fact": value})).keys() == {"fact"}


def test_what_cannot_be_written_becomes_text() -> None:
    deep: list[Any] = []
    for _ in range(2000):
        deep = [deep]
    assert plain({"a": 2**64, 3: Path("x"), "b": {1}, "c": "\ud800", "d": (1.0, None, b"")}) == {
        "a": str(2**64), 3: "x", "b": [1], "c": "\\ud800", "d": [1.0, None, b""],
    }  # fmt: skip
    assert "[[[" in str(unpacked(packed(deep)))


@given(st.binary(max_size=60) | st.dictionaries(st.text(max_size=9), st.integers() | st.binary(max_size=9)))
def test_a_message_that_is_none_raises_only_what_is_documented(content: Any) -> None:
    payload = content if isinstance(content, bytes) else packed({"count": 1, **content})
    try:
        from_columns(unpacked(payload))
    except (ValueError, KeyError, TypeError):
        return
    raise AssertionError("no such message has all columns")


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGSTOP there")
def test_recording_a_flood_never_waits(tmp_path: Path) -> None:
    """A process that does not read: everything is dropped, counted, and nobody waits for it."""
    feed = Feed(60.0, lambda *_: None)
    path = tmp_path / "a.mcap"
    feed.open(path)
    os.kill(feed.pid, signal.SIGSTOP)
    frame = Frame(1.0, ay=2.0)
    for n in range(60_000):
        now = n / 1000
        feed.tick(Tick(now, now, ((now, frame, b"x" * 500),), None, Command(now, n, 0.0)))
    for _ in range(2_000):
        feed.note("events", {"time": time.monotonic(), "event": "sink_opened"})
    assert feed.dropped > 0
    assert feed._link.waiting < 700
    os.kill(feed.pid, signal.SIGCONT)
    feed.close()
    recording = read_recording(path)
    assert recording.lost == []
    missing = {name: sum(row.get(name, 0) for row in recording.drops) for name in ("ticks", "others")}
    assert missing["ticks"] > 0
    assert len(recording.ticks["now"]) + missing["ticks"] == 60_000, "every tick is there or counted"
    assert len(recording.events) + missing["others"] == 2_000
    assert all("left out" in problem or "missing" in problem for problem in check_recording(path).problems)
