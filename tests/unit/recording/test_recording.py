"""Recordings of a plain drive: everything in its order, bounded, readable by the `mcap` package as well."""

from __future__ import annotations

import json
import math
import os
import time
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import make_reader
from mcap.records import DataEnd
from mcap.stream_reader import StreamReader
from mcap.writer import Writer

from bridge.contract import Tick
from bridge.recording import read_recording
from bridge.recording.channels import CHANNELS
from bridge.recording.checking import check_recording
from bridge.recording.feed import Feed
from bridge.recording.files import McapFile, new_name, tidy
from bridge.recording.layout import FORMAT, packed
from bridge.recording.order import in_order
from bridge.recording.process import Options
from bridge.recording.reader import NotARecording
from bridge.recording.ring import Item, Ring
from bridge.recording.summary import summarise
from tests.unit.recording.drive import RealDrive, bits, drained, plain_tick, record, run_again


def test_a_recording_holds_all_of_it_in_order(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "a.mcap"
    feed = record(path)
    feed.note("inputs", {"time": time.monotonic(), "kind": "calm", "content": {}})
    feed.note("events", {"time": time.monotonic(), "event": "torque_calmed"})
    feed.tell_about({"device": "bench wheel"})
    feed.close()
    found = read_recording(path)
    assert found.whole
    assert found.ticks["sequence"].tolist() == list(range(2000))
    assert [row.before for row in found.frames] == list(range(0, 2000, 40))
    assert found.frames[3].raw == b"raw"
    assert [(row["kind"], row["before"]) for row in found.inputs] == [("parameters", -1), ("calm", 2000)]
    assert found.events[0]["event"] == "torque_calmed"
    assert (found.about["device"], found.about["format"]) == ("bench wheel", FORMAT)
    begin = found.ticks["now"][0]
    ticks = [tick for _, tick in in_order(found)]
    assert bits(tuple(ticks)) == bits(tuple(plain_tick(begin, n) for n in range(2000)))


def test_its_figures(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path).close()
    found = read_recording(path)
    figures = summarise(found)
    assert figures["frames"] == 50
    assert figures["ceiling_violations"] == figures["slew_violations"] == 0
    assert figures["output_rate_hz"] == pytest.approx(1000.0, rel=1e-3)
    checked = check_recording(path)
    assert checked.whole
    assert checked.facts[0].startswith("2.0 s, 2000 ticks, 50 frames, 1 inputs, 0 events (1000 ticks, 25.0")
    assert checked.facts[2] == "clipped in 33.3% of the ticks; guards: not_finite 667, ceiling 666"
    found.ticks["torque"][500] = 2.5
    figures = summarise(found)
    assert (figures["ceiling_violations"], figures["slew_violations"]) == (1, 2)


def test_the_mcap_package_lists_and_checks_every_file(tmp_path: Path) -> None:
    """An independent reader: the `mcap` package with every check it has (chunks, data section, summary)."""
    path = tmp_path / "a.mcap"
    feed = record(path)
    kept = tmp_path / "kept.mcap"
    feed.keep(kept)
    feed.close()
    for file in (path, kept):
        with file.open("rb") as stream:
            reader = make_reader(stream, validate_crcs=True)
            summary = reader.get_summary()
            assert summary is not None
            assert summary.statistics is not None
            assert {n: channel.topic for n, channel in summary.channels.items()} == dict(
                enumerate(CHANNELS, 1)
            )
            schemas = [json.loads(schema.data) for schema in summary.schemas.values()]
            assert all(schema["type"] == "object" and schema["properties"] for schema in schemas)
            found = [message.sequence for _, _, message in reader.iter_messages(log_time_order=False)]
        assert found == list(range(summary.statistics.message_count))
        with file.open("rb") as stream:
            records = list(StreamReader(stream, validate_crcs=True).records)
        ends = [record.data_section_crc for record in records if isinstance(record, DataEnd)]
        assert len(ends) == 1
        assert ends[0] != 0


@pytest.mark.parametrize("seed", [1, 4])
def test_what_is_recorded_runs_again_bit_for_bit(tmp_path: Path, seed: int) -> None:
    """All inputs of the force path are there, in order: a second force path computes the very same bits."""
    path = tmp_path / "a.mcap"

    feed = Feed(60.0, lambda *_: None)
    feed.open(path)
    live = RealDrive(feed, seed)
    live.drive(6000)
    feed.close()
    recording = read_recording(path)
    assert recording.whole
    again = run_again(recording)
    assert bits(tuple(command for command, _ in again)) == bits(tuple(live.commands))
    assert bits(tuple(command for _, command in again)) == bits(tuple(live.commands))
    frames = tuple((row.arrival, row.frame, row.raw) for row in recording.frames)
    assert bits(frames) == bits(tuple(live.frames))
    assert len({command.torque for command in live.commands}) > 1000, "the drive must have done something"
    configured = [row["configured"] for row in recording.inputs if row["kind"] == "parameters"]
    assert configured[0] is False
    assert any(configured)
    for row in recording.inputs[2:]:  # what was only said again must not be taken for a change
        row["configured"] = row["kind"] == "parameters"
    assert any(bits(recorded) != bits(computed) for recorded, computed in run_again(recording))


def test_a_changed_input_changes_the_output(tmp_path: Path) -> None:
    """The comparison above is not empty: one bit of one wheel angle shows."""

    path = tmp_path / "a.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(path)
    RealDrive(feed, 4).drive(3000)
    feed.close()
    recording = read_recording(path)
    at = next(n for n in range(1500, 3000) if recording.ticks["wheel"][n] & 1)
    recording.ticks["angle"][at] = math.nextafter(recording.ticks["angle"][at], 9.0)
    changed = [n for n, (old, new) in enumerate(run_again(recording)) if bits(old) != bits(new)]
    assert changed
    assert changed[0] >= at


# ---------------------------------------------------------------------------------- the last minute


def test_what_was_in_force_before_the_last_minute_is_in_the_kept_file(tmp_path: Path) -> None:
    feed = Feed(60.0, lambda *_: None, Options())
    feed.note("settings", {"time": 100.0, "file": "s.toml", "text": "a = 1"})
    feed.note("inputs", {"time": 100.0, "kind": "calm", "content": {}})
    old = {"governor": {"ceiling": 1.0}}
    feed.note("inputs", {"time": 100.0, "kind": "parameters", "content": old})
    for n in range(90_000):
        if n % 1000 == 0:
            drained(feed)
        if n == 80_000:
            feed.note("inputs", {"time": 180.0, "kind": "parameters", "content": {"new": True}})
        feed.tick(plain_tick(100.0, n))
    path = tmp_path / "kept.mcap"
    feed.keep(path)
    feed.close()
    found = read_recording(path)
    assert found.whole
    first = found.ticks["sequence"][0]
    assert 59.0 < found.duration <= 61.0
    assert found.ticks["sequence"].tolist() == list(range(first, 90_000))
    before = [row for row in found.inputs if row["before"] <= first]
    assert {row["kind"]: row["content"] for row in before} == {"calm": {}, "parameters": old}
    later = [row for row in found.inputs if row["before"] > first]
    assert [(row["content"], row["configured"], row["before"]) for row in later] == [
        ({"new": True}, True, 80_000)
    ]
    assert found.settings[0]["text"] == "a = 1"
    assert "begins within a drive" in " ".join(check_recording(path).facts)


def test_the_ring_is_bounded_in_bytes_and_in_time() -> None:
    ring = Ring(10.0, most_bytes=1000)
    for n in range(500):
        ring.add(Item(n * 0.1, "ticks", b"x" * 100, ""))
        assert ring.bytes <= 1000
    assert len(list(ring.everything())) == 10
    ring.add(Item(1e6, "inputs", b"y", "calm"))
    assert [item.payload for item in ring.everything()] == [b"y"]
    ring.add(Item(math.nan, "ticks", b"z" * 2000, ""))
    assert [item.payload for item in ring.everything()] == [b"y"], "in force still, and nothing else fits"
    for n in range(30):
        ring.add(Item(1e6 if n % 2 else math.nan, "ticks", b"x", ""))
    assert len(list(ring.everything())) == 31, "a time that is none keeps its place"


# ---------------------------------------------------------------------------------- files


def test_only_our_own_files_are_deleted(tmp_path: Path) -> None:

    ours = [f"draglink-2026010{n}-120000-77.mcap" for n in range(1, 7)]
    others = [
        "draglink-best lap.mcap", "demo-20260101-120000-77.mcap", "draglink-20260101-120000-77.mcap.bak",
        "draglink-20260101-120000.mcap", "notes.txt",
    ]  # fmt: skip
    for age, name in enumerate([*ours, *others]):
        (tmp_path / name).write_bytes(b"x" * 1000)
        stamp = time.time() - 86400.0 * (20 - age)
        os.utime(tmp_path / name, (stamp, stamp))
    (tmp_path / "draglink-20250101-120000-9.mcap").mkdir()
    spared = tmp_path / ours[0]
    deleted = tidy(tmp_path, most_space=3500.0, longest_age=86400.0 * 18.5, spared=spared)
    assert [path.name for path in deleted] == ours[1:3]
    assert {path.name for path in tmp_path.iterdir()} >= {*others, ours[0], *ours[3:]}
    assert tidy(tmp_path / "nowhere", 1.0, 1.0, None) == []


def test_names_are_never_given_twice() -> None:
    taken: set[str] = set()
    names = [new_name(taken, 7) for _ in range(5)]
    assert len(set(names)) == 5
    assert all(name.startswith("draglink-") and "-7" in name for name in names)


def test_a_file_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(b"precious")
    told: list[tuple[str, dict[str, Any]]] = []
    record(path, 0.2, lambda event, facts: told.append((event, facts))).close()
    assert path.read_bytes() == b"precious"
    assert [event for event, _ in told] == ["recording_failed"]


def test_messages_of_a_later_version_are_refused_or_ignored(tmp_path: Path) -> None:
    path = tmp_path / "later.mcap"
    file = McapFile(path)
    file.add("about", math.nan, packed({"format": FORMAT + 1}))
    file.close()
    with pytest.raises(NotARecording, match=f"format {FORMAT + 1}"):
        read_recording(path)


def test_senseless_messages_are_named_and_skipped(tmp_path: Path) -> None:
    path = tmp_path / "odd.mcap"
    file = McapFile(path)
    good = {"before": 0, "time": 1.0, "kind": "calm", "content": {}}
    for channel, content in (
        ("about", {"format": FORMAT}), ("inputs", good), ("inputs", [1]), ("inputs", {"time": "x"}),
        ("frames", {"rows": [[1]]}), ("frames", {"rows": [[1, 1.0, {"tyres": 3}, None]]}),
        ("ticks", {"count": 3, "sequence": b"1234567"}), ("about", 5), ("about", {"format": "x"}),
    ):  # fmt: skip
        file.add(channel, 1.0, packed(content))
    file.add("events", 1.0, b"\xc1")
    file.close()
    found = read_recording(path)
    assert found.inputs == [good]
    assert len(found.lost) == 7
    assert sum("makes no sense" in words for words in found.lost) == 6
    assert "a message on 'events' is not msgpack" in found.lost[-1]


def test_other_files_are_refused_with_a_reason(tmp_path: Path) -> None:
    path = tmp_path / "x.mcap"
    for content in (b"", b"not a recording at all", bytes(5000)):
        path.write_bytes(content)
        with pytest.raises(NotARecording, match="not an MCAP file"):
            read_recording(path)
    with pytest.raises(FileNotFoundError):
        read_recording(tmp_path / "no.mcap")

    with path.open("wb") as stream:
        writer = Writer(stream)
        writer.start()
        number = writer.register_channel("/lidar", "cbor", 0)
        writer.add_message(number, 1, b"point", 1)
        writer.finish()  # type: ignore[no-untyped-call]  # mcap leaves it unannotated
    with pytest.raises(NotARecording, match="not a draglink recording"):
        read_recording(path)


def test_frames_alone_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path, 1.0).close()
    found = read_recording(path, ("frames",))
    assert len(found.frames) == 25
    assert not found.ticks["now"]
    assert not found.inputs


def test_a_tick_has_no_frames_of_another(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path, 0.5).close()
    for _, tick in in_order(read_recording(path)):
        assert isinstance(tick, Tick)
        assert bool(tick.frames) == (tick.command.sequence % 40 == 0)
