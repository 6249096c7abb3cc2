"""What the writer's process does with messages, without the process around it."""

from __future__ import annotations

import io
import json
import queue
import struct
from pathlib import Path
from typing import Any

import pytest

from bridge.recording import read_recording
from bridge.recording.layout import TICK, packed
from bridge.recording.process import Options, Recorder, _take_in

ABOUT = {"format": 1, "wall": 2000.0, "monotonic": 10.0}


def recorder(options: Options | None = None) -> Recorder:
    made = Recorder(options or Options())
    made.handle(["about", dict(ABOUT)])
    return made


def block(first: int, now: float, count: int = 100) -> list[Any]:
    rows = b"".join(
        TICK.pack(first + n, now + n / 1000, now, 0.5, 0, True, 0, 0.0, 0.0, 0.0, -1, 0.0)
        for n in range(count)
    )
    return ["block", now + (count - 1) / 1000, rows, []]


def events(capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_nothing_waits_longer_than_half_a_second(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    made = recorder()
    made.handle(["open", str(path)])
    sizes = []
    for n in range(5):
        made.handle(block(n * 100, 10.0 + n / 10))
        sizes.append(len(read_recording(path).ticks["now"]))
    assert sizes == [0, 0, 0, 0, 500]
    made.handle(block(500, 10.5))
    made.look()
    assert len(read_recording(path).ticks["now"]) == 500
    made._since -= 0.6
    made.look()
    assert len(read_recording(path).ticks["now"]) == 600, "ticks that stopped are written all the same"
    for n in range(80):
        made.handle(block(600 + n * 100, float("nan")))
    assert len(read_recording(path).ticks["now"]) >= 5600, "times that are none do not fill the memory"
    made.close()
    assert read_recording(path).whole


def test_a_file_opened_late_begins_with_what_is_in_force(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = recorder()
    for number in (1, 2):
        row = {"before": number, "time": 10.0, "kind": "parameters", "content": {"n": number}}
        made.handle(["note", "inputs", row])
    made.handle(block(100, 10.0))
    made.handle(["open", str(tmp_path / "late.mcap")])
    made.handle(["about", {"device": "x"}])
    made.close()
    found = read_recording(tmp_path / "late.mcap")
    assert [row["content"] for row in found.inputs] == [{"n": 2}]
    assert found.about == {**ABOUT, "device": "x"}
    assert [row["event"] for row in events(capsys)] == ["recording_started"]


def test_what_goes_wrong_with_a_file_ends_that_file_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = recorder(Options(most_space=20_000.0))
    blocked = tmp_path / "blocked"
    blocked.write_bytes(b"")
    made.handle(["open", str(blocked / "a.mcap")])
    made.handle(["keep", str(blocked / "b.mcap")])
    made.handle(["open", str(tmp_path / "small.mcap")])
    for n in range(30):
        made.handle(block(n * 100, 10.0 + n / 10))
        row = {"before": n, "time": 10.0, "file": "s.toml", "text": str(n) * 900}
        made.handle(["note", "settings", row])
    made.handle(["keep", str(tmp_path / "kept.mcap")])
    made.close()
    assert [row["event"] for row in events(capsys)] == [
        "recording_failed", "recording_failed", "recording_started", "recording_failed", "recording_kept",
    ]  # fmt: skip
    assert read_recording(tmp_path / "small.mcap").whole
    assert len(read_recording(tmp_path / "kept.mcap").ticks["now"]) == 3000


def test_a_message_that_was_cut_ends_the_input() -> None:
    whole = packed(["about", {}])
    for rest in (b"", b"\x05", struct.pack("<I", 9) + b"half"):
        messages: queue.Queue[bytes | None] = queue.Queue()
        _take_in(io.BytesIO(struct.pack("<I", len(whole)) + whole + rest), messages)
        assert [messages.get_nowait(), messages.get_nowait()] == [whole, None]
