"""The recorder sink and the replay source, as the daemon uses them."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from bridge.contract import Frame, Surface, Tick, Tyre, Tyres
from bridge.hosting.index import bind_shipped
from bridge.recording import read_recording
from bridge.recording.feed import Feed
from bridge.testing import TestHost
from tests.unit.recording.drive import bits, plain_tick, record

bind_shipped()

from plugins.sinks.recorder import Recorder, RecorderSettings  # noqa: E402 - the shipped plugins are bound above
from plugins.sources.file_replay import FileReplay, FileReplaySettings  # noqa: E402 - as above


class Clock(TestHost):
    """A host whose clock the test sets."""

    time = 0.0

    def now(self) -> float:
        return self.time


def test_full_mode_writes_from_the_start_and_keep_gives_another_file(tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    folder.mkdir()
    old = folder / "draglink-20200101-000000-1.mcap"
    old.write_bytes(b"old")
    os.utime(old, (1e9, 1e9))
    host = TestHost()
    recorder = Recorder(RecorderSettings(mode="full", folder=str(folder)), host)
    with pytest.raises(ValueError, match="does not run"):
        recorder.keep()
    recorder.note("calm", 1.0, {})
    recorder.observe(plain_tick(0.0, 0))
    recorder.open()
    recorder.note("parameters", 1.0, {"a": 1})
    recorder.note("settings", 1.0, {"file": "s.toml", "text": "x = 1"})
    recorder.note("about", 1.0, {"device": "bench wheel"})
    for n in range(300):
        recorder.observe(plain_tick(0.0, n))
    recorder.note("event", 2.0, {"event": "sink_opened", "time": 1.7e9, "plugin": Path("p")})
    kept = recorder.keep()
    recorder.close()
    recorder.close()
    assert recorder.path is not None
    assert kept != recorder.path
    for path in (recorder.path, kept):
        found = read_recording(path)
        assert found.whole
        assert path.name.startswith("draglink-")
        assert f"-{os.getpid()}" in path.name
        assert len(found.ticks["now"]) == 300
        assert [row["kind"] for row in found.inputs] == ["parameters"]
        assert found.settings[0]["text"] == "x = 1"
        assert found.events[0]["plugin"] == "p"
        assert found.events[0]["wall"] == 1.7e9
        assert found.about["wheel"] == {"peak_torque": 8.0, "rotation": host.wheel.rotation}
        assert found.about["device"] == "bench wheel"
    assert not old.exists()
    assert [event for event, _ in host.notices] == ["recording_started", "recording_kept"]


def test_the_last_minute_is_only_in_memory(tmp_path: Path) -> None:
    recorder = Recorder(RecorderSettings(folder=str(tmp_path / "none")), TestHost())
    recorder.open()
    for n in range(300):
        recorder.observe(plain_tick(0.0, n))
    recorder.close()
    assert not (tmp_path / "none").exists()
    for wrong in ({"mode": "ring"}, {"keep_time": "1 s"}, {"most_space": "1 kB"}, {"folder": 3}):
        with pytest.raises(ValidationError):
            RecorderSettings.model_validate(wrong)


def test_facts_that_cannot_be_written_do_not_end_the_recorder(tmp_path: Path) -> None:
    recorder = Recorder(RecorderSettings(mode="full", folder=str(tmp_path)), TestHost())
    recorder.open()
    recorder.note("event", 1.0, {"event": "sink_failed", "reason": object, "times": 2**90})
    frame = Frame(1.0, 2**90, gear=-(2**90))
    recorder.observe(plain_tick(0.0, 0)._replace(frames=((1.0, frame, None),)))
    recorder.close()
    assert recorder.path is not None
    found = read_recording(recorder.path)
    assert found.events[0]["times"] == str(2**90)
    assert bits(found.frames[0].frame) == bits(frame)


# ---------------------------------------------------------------------------------- replay


def replay(path: Path, **keys: Any) -> tuple[FileReplay, Clock]:
    host = Clock()
    source = FileReplay(FileReplaySettings(file=str(path), **keys), host)
    source.open()
    return source, host


@pytest.fixture
def recorded(tmp_path: Path) -> tuple[Path, list[tuple[float, Frame, bytes | None]]]:
    """Forty frames, 25 a second, with everything a frame may hold."""
    path = tmp_path / "a.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(path)
    rows: list[tuple[float, Frame, bytes | None]] = []
    for n in range(40):
        tyre = Tyre(fy=-0.0, fz=float("nan"), surface=Surface.KERB if n % 2 else None)
        tyres = Tyres(tyre, tyre, tyre, tyre) if n % 3 else None
        frame = Frame(n * 0.04, n, speed=float("inf") if n == 5 else n / 3, gear=2, tyres=tyres)
        rows.append((7.0 + n / 25, frame, bytes([n]) if n % 4 else None))
        feed.tick(plain_tick(7.0, n * 40)._replace(frames=(rows[-1],)))
    feed.close()
    return path, rows


def test_at_once_every_frame_comes_bit_for_bit(recorded: Any) -> None:
    path, rows = recorded
    source, _ = replay(path, speed=0.0)
    found = [(source.read(), source.raw()) for _ in rows]
    assert bits(tuple(found)) == bits(tuple((frame, raw) for _, frame, raw in rows))
    assert source.read() is None
    assert source.fields == {
        "time", "index", "driving", "speed", "gear", "tyres.fy", "tyres.fz", "tyres.surface",
    }  # fmt: skip
    assert source.nominal_rate == pytest.approx(25.0)
    source.close()
    assert source.read() is None


@pytest.mark.parametrize("speed", [0.5, 1.0, 4.0])
def test_frames_come_in_their_time(recorded: Any, speed: float) -> None:
    path, rows = recorded
    source, host = replay(path, speed=speed)
    came: list[float] = []
    for tick in range(4000):
        host.time = 500.0 + tick / 1000
        if source.read() is not None:
            came.append(host.time - 500.0)
    assert len(came) == len(rows)
    due = [(arrival - rows[0][0]) / speed for arrival, _, _ in rows]
    assert all(0.0 <= when - wanted < 0.0011 for when, wanted in zip(came, due, strict=True))
    assert source.nominal_rate == pytest.approx(25.0 * speed)


def test_from_a_time_and_again_and_again(recorded: Any) -> None:
    path, rows = recorded
    source, host = replay(path, start="1 s", repeat=True, speed=1.0)
    indices = []
    for tick in range(1500):
        host.time = tick / 1000
        frame = source.read()
        if frame is not None:
            indices.append(frame.index)
    assert indices[:15] == list(range(25, 40))
    assert indices[15:30] == list(range(25, 40))
    assert len(rows) == 40


def test_a_replay_that_is_recorded_again_has_the_same_frames(recorded: Any, tmp_path: Path) -> None:
    path, rows = recorded
    source, _ = replay(path, speed=0.0)
    again = tmp_path / "again.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(again)
    for n in range(40):
        frame = source.read()
        assert frame is not None
        arrived = ((time.monotonic(), frame, source.raw()),)
        feed.tick(Tick(1.0, 1.0, arrived, None, plain_tick(0.0, n).command))
    feed.close()
    found = tuple((row.frame, row.raw) for row in read_recording(again).frames)
    assert bits(found) == bits(tuple((frame, raw) for _, frame, raw in rows))


def test_what_cannot_be_played_is_said(recorded: Any, tmp_path: Path) -> None:
    path, _ = recorded
    empty = tmp_path / "empty.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(empty)
    feed.close()
    text = tmp_path / "text"
    text.write_text("no", encoding="utf-8")
    for file, keys, words in (
        (tmp_path / "no.mcap", {}, "cannot be read"), (text, {}, "not an MCAP file"),
        (empty, {}, "no frame after 0"), (path, {"start": 9.0}, "no frame after 9"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=words):
            replay(file, **keys)


def test_a_cut_recording_plays_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path, 3.0).close()
    path.write_bytes(path.read_bytes()[:-9000])
    source, _ = replay(path, speed=0.0)
    indices = []
    while (frame := source.read()) is not None:
        indices.append(frame.index)
    assert indices == list(range(0, 40 * len(indices), 40))
    assert len(indices) > 30
