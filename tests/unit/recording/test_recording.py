"""Recordings: bit exact, whole after any end, honest about what is lost."""

from __future__ import annotations

import math
import os
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader

from bridge.contract import Command, Frame, Surface, Tick, Tyre, Tyres, WheelState
from bridge.recording import read_recording
from bridge.recording.feed import Feed
from bridge.recording.layout import TICK, frame_from_map, frame_to_map, from_columns, to_columns
from bridge.recording.reader import NotARecording
from bridge.recording.summary import summarise

number = st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, -0.0])
tyre = st.builds(
    Tyre, number, number, number, number, number, number, st.none() | st.sampled_from(Surface), number
)
frame = st.builds(
    Frame, time=st.floats(allow_nan=False), index=st.none() | st.integers(0, 2**32), driving=st.booleans(),
    speed=number, ay=number, steer=number, tyres=st.none() | st.builds(Tyres, tyre, tyre, tyre, tyre),
    gear=st.none() | st.integers(-1, 8),
)  # fmt: skip


def bits(value: Any) -> Any:
    """A form in which NaN equals NaN and 0 differs from -0."""
    if isinstance(value, float):
        return struct.pack("<d", value)
    if isinstance(value, tuple):
        return tuple(bits(part) for part in value)
    return value


@given(frame)
def test_a_frame_survives_bit_for_bit(frame: Frame) -> None:
    assert bits(frame_from_map(frame_to_map(frame))) == bits(frame)
    assert frame_from_map({**frame_to_map(frame), "later": 1}).time == frame.time


anything = st.floats(allow_nan=True)
row = st.tuples(
    st.integers(0, 2**63), *[anything] * 3, st.integers(0, 65535), st.integers(0, 1), st.integers(0, 3),
    *[anything] * 3, st.integers(-1, 2**62), anything,
)  # fmt: skip


@given(st.lists(row, max_size=20))
def test_columns_survive_bit_for_bit(rows: list[Any]) -> None:
    columns = from_columns(to_columns(b"".join(TICK.pack(*row) for row in rows)))
    assert bits(tuple(zip(*columns.values(), strict=True))) == bits(tuple(tuple(row) for row in rows))


def record(path: Path, seconds: float = 2.0, tell: Any = lambda *_: None) -> Feed:
    """Feed a drive of some seconds, as fast as it goes."""
    feed = Feed(60.0, tell)
    feed.open(path)
    begin = time.monotonic()
    content = {"governor": {"ceiling": 2.0, "slew": 200.0}, "wheel": {"peak_torque": 8.0}}
    feed.note("inputs", {"time": begin, "kind": "parameters", "content": content})
    for n in range(round(seconds * 1000)):
        now = begin + n / 1000
        frames = ((now, Frame(n / 1000, n, ay=1.0), b"raw"),) if n % 40 == 0 else ()
        wheel = None if n % 7 == 0 else WheelState(now, n * 1e-4, None if n % 2 else 0.5)
        command = Command(now, n, math.sin(n / 300), guards=n % 3)
        feed.tick(Tick(now, now + 2e-5, frames, wheel, command, (n - 1, now) if n else None))
    return feed


def test_a_recording_holds_all_of_it_in_order(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "a.mcap"
    feed = record(path)
    feed.note("inputs", {"time": time.monotonic(), "kind": "calm", "content": {}})
    feed.note("events", {"time": time.monotonic(), "event": "torque_calmed"})
    feed.close()
    found = read_recording(path)
    assert found.whole
    assert found.lost == []
    assert found.ticks["sequence"] == list(range(2000))
    assert [row.before for row in found.frames] == list(range(0, 2000, 40))
    assert found.frames[3].raw == b"raw"
    assert [(row["kind"], row["before"]) for row in found.inputs] == [("parameters", 0), ("calm", 2000)]
    assert found.ticks["torque"][777] == math.sin(777 / 300)
    assert (found.ticks["wheel"][7], found.ticks["wheel"][8], found.ticks["wheel"][9]) == (0, 3, 1)
    figures = summarise(found)
    assert figures["frames"] == 50
    assert figures["ceiling_violations"] == figures["slew_violations"] == 0
    assert figures["output_rate_hz"] == pytest.approx(1000.0, rel=1e-3)


def test_the_mcap_package_itself_lists_and_checks_every_file(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path).close()
    with path.open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        summary = reader.get_summary()
        assert summary is not None
        assert {channel.topic for channel in summary.channels.values()} >= {"ticks", "frames", "about"}
        assert sum(1 for _ in reader.iter_messages()) == summary.statistics.message_count  # type: ignore[union-attr]  # written


def test_a_violation_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path).close()
    found = read_recording(path)
    found.ticks["torque"][500] = 2.5
    figures = summarise(found)
    assert figures["ceiling_violations"] == 1
    assert figures["slew_violations"] == 2


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 0.999])
def test_a_cut_file_keeps_every_whole_chunk(tmp_path: Path, share: float) -> None:
    path = tmp_path / "a.mcap"
    record(path, 3.0).close()
    whole = read_recording(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    try:
        cut = read_recording(path)
    except NotARecording:
        assert share == 0.0
        return
    assert cut.lost
    assert cut.ticks["sequence"] == whole.ticks["sequence"][: len(cut.ticks["sequence"])]
    assert len(cut.ticks["sequence"]) >= (share - 0.35) * len(whole.ticks["sequence"])


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_a_damaged_file_loses_a_chunk_and_invents_nothing(
    tmp_path_factory: pytest.TempPathFactory, data: Any
) -> None:
    folder = tmp_path_factory.getbasetemp()
    path = folder / f"damaged-{os.getpid()}.mcap"
    source = folder / f"good-{os.getpid()}.mcap"
    if not source.exists():
        record(source, 3.0).close()
    good = source.read_bytes()
    place = data.draw(st.integers(0, len(good) - 1))
    bad = bytearray(good)
    bad[place] ^= data.draw(st.integers(1, 255))
    path.write_bytes(bad)
    whole = read_recording(source)
    known = {s: t for s, t in zip(whole.ticks["sequence"], whole.ticks["torque"], strict=True)}  # noqa: C416 - typed
    try:
        found = read_recording(path)
    except NotARecording:
        return
    for sequence, torque in zip(found.ticks["sequence"], found.ticks["torque"], strict=True):
        assert known[sequence] == torque


def test_other_files_are_refused_with_a_reason(tmp_path: Path) -> None:
    path = tmp_path / "x.mcap"
    path.write_bytes(b"not a recording at all")
    with pytest.raises(NotARecording, match="not an MCAP file"):
        read_recording(path)


FEEDER = """
import sys, time
sys.path.insert(0, ".")
from pathlib import Path
from bridge.contract import Command, Tick
from bridge.recording.feed import Feed
feed = Feed(60.0, lambda *_: None)
feed.open(Path(sys.argv[1]))
begin = time.monotonic()
print("ready", feed._process.pid, flush=True)
n = 0
while True:
    now = begin + n / 1000
    while time.monotonic() < now:
        time.sleep(0.0005)
    feed.tick(Tick(now, now, (), None, Command(now, n, 0.5)))
    n += 1
"""


def killed(tmp_path: Path, victim: str, after: float) -> None:
    path = tmp_path / "killed.mcap"
    path.unlink(missing_ok=True)
    feeder = subprocess.Popen([sys.executable, "-c", FEEDER, str(path)], stdout=subprocess.PIPE, text=True)
    assert feeder.stdout is not None
    _, writer = feeder.stdout.readline().split()
    began = time.monotonic()
    time.sleep(after)
    os.kill(feeder.pid if victim == "daemon" else int(writer), signal.SIGKILL)
    driven = time.monotonic() - began
    feeder.kill()
    feeder.communicate()
    end = time.monotonic() + 5.0
    while victim == "daemon" and time.monotonic() < end and b"\x89MCAP0\r\n" not in path.read_bytes()[-8:]:
        time.sleep(0.02)
    found = read_recording(path)
    assert found.ticks["sequence"] == list(range(len(found.ticks["sequence"])))
    assert len(found.ticks["sequence"]) >= (driven - 1.0) * 1000 - 50
    assert (victim == "writer") == bool(found.lost)


@pytest.mark.parametrize("victim", ["daemon", "writer"])
def test_a_kill_loses_at_most_the_last_second(tmp_path: Path, victim: str) -> None:
    killed(tmp_path, victim, 1.7)


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("victim", ["daemon", "writer"])
def test_fifteen_kills_at_odd_moments(tmp_path: Path, victim: str) -> None:
    for n in range(15):
        killed(tmp_path, victim, 0.9 + 0.137 * n)


@pytest.mark.skipif(sys.platform == "win32", reason="resource limits")
def test_a_full_disk_ends_the_recording_and_nothing_else(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    told: list[tuple[str, dict[str, Any]]] = []
    feed = record(Path("/dev/full"), 1.0, lambda event, facts: told.append((event, facts)))
    good = tmp_path / "kept.mcap"
    feed.keep(good)
    feed.close()
    assert any(event == "recording_failed" and "space" in facts["reason"].lower() for event, facts in told), (
        told
    )
    assert read_recording(good).ticks["sequence"] == list(range(1000)), "the last minute is still there"


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    told: list[str] = []
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    record(blocked / "a.mcap", 0.2, lambda event, facts: told.append(event)).close()
    assert told == ["recording_failed"]
