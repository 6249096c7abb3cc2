"""The log: where it goes, what is counted, and what a page says about it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.log import CATALOGUE, Log
from bridge.log.catalogue import force, service, source
from bridge.log.explain import explain, explain_file

ROOT = Path(__file__).resolve().parents[3]


def rows(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / "draglink.jsonl").read_text(encoding="utf-8").splitlines()]


def test_events_are_json_lines_and_repeated_ones_are_counted(tmp_path: Path) -> None:
    log = Log(tmp_path, console=False, repeat_window=60.0)
    log.emit(service.SESSION_STARTED, version="1")
    for _ in range(1000):
        log.emit(source.FRAME_REJECTED, cause="not_finite", value=float("nan"))
    log.emit(source.FRAME_REJECTED, cause="out_of_range")
    log.close()
    written = rows(tmp_path)
    assert [row["event"] for row in written] == ["session_started"] + ["frame_rejected"] * 3
    assert written[-1]["repeated"] == 999
    assert written[1]["level"] == "warning"


def test_a_folder_that_cannot_be_written_is_no_reason_to_fail(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    log = Log(blocked / "log", console=False)
    log.emit(service.SESSION_STARTED)
    log.close()
    assert "no log file" in log.trouble


def test_levels_and_rotation(tmp_path: Path) -> None:
    log = Log(tmp_path, console=False, level="warning", file_size=2000, files=2, repeat_window=0.0)
    log.emit(service.SESSION_STARTED)
    for n in range(100):
        log.emit(source.FRAMES_STALLED, number=n)
    log.close()
    assert len(list(tmp_path.glob("draglink.jsonl*"))) == 3
    assert all(row["event"] != "session_started" for row in rows(tmp_path))


def test_the_console_gets_readable_lines(capsys: pytest.CaptureFixture[str]) -> None:
    log = Log(None, console=True)
    log.emit(source.FRAMES_STALLED)
    log.close()
    assert "frames_stalled" in capsys.readouterr().err


def test_every_event_has_a_meaning_and_every_fault_says_what_to_do() -> None:
    for name, event in CATALOGUE.items():
        assert event.name == name
        assert re.fullmatch(r"[a-z]+(_[a-z]+)+", name)
        assert event.meaning.endswith((".", "?"))
        assert event.level in ("info", "warning", "error")
        if event.level == "error":
            assert event.do, name


def test_every_event_that_is_named_anywhere_is_catalogued() -> None:
    named: set[str] = set()
    for folder in ("bridge", "plugins"):
        for path in (ROOT / folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            named |= set(re.findall(r"(?:notice|_report|_tell|report)\(\s*\"([a-z_]+)\"", text))
    assert len(named) > 10
    assert named <= set(CATALOGUE), named - set(CATALOGUE)


def test_a_page_tells_what_ran_what_went_wrong_and_what_to_do(tmp_path: Path) -> None:
    log = Log(tmp_path, console=False)
    log.emit(service.SESSION_STARTED, version="1.2.3", platform="a machine")
    log.emit("source_opened", plugin="udp")
    log.emit(source.FRAMES_STARTED, model="body motion")
    log.emit("settings_refused", file="f", line=3, key="wheel.rotation", found="'x'", allowed="a number")
    log.emit(force.GUARD_ACTED, guard="divergence", ticks=700)
    log.emit(service.SESSION_ENDED)
    log.close()
    page = explain_file(tmp_path / "draglink.jsonl")
    text = page.text()
    for words in (
        "1.2.3",
        "source udp",
        "body motion",
        "wheel.rotation",
        "divergence",
        "polarity",
        "ended in order",
    ):
        assert words in text
    assert text.index("settings_refused") < text.index("guard_acted"), "errors come before warnings"
    found = page.data()["sessions"][0]["findings"]
    assert found[0]["likely_cause"]


def test_what_was_waited_for_and_came_is_not_held_against_anybody(tmp_path: Path) -> None:
    log = Log(tmp_path, console=False)
    log.emit(service.SESSION_STARTED)
    log.emit("source_awaited", plugin="udp", reason="not yet")
    log.emit("sink_awaited", plugin="haptic", reason="not there")
    log.emit("source_opened", plugin="udp")
    log.close()
    text = explain_file(tmp_path / "draglink.jsonl").text()
    assert "source_awaited" not in text
    assert "sink_awaited" in text


def test_a_cut_and_damaged_log_is_still_a_page() -> None:
    good = b'{"time": 1.0, "event": "session_started", "version": "1"}\n'
    page = explain(
        good + b"garbage\n" + good + b'{"time": 2.0, "event": "no_such_event"}\n{"time": 3', Path("x")
    )
    assert len(page.sessions) == 2
    assert page.damaged == 2
    assert "no_such_event" in page.text()
    assert "no session" in explain(b"", Path("x")).text()


@given(st.binary(max_size=300))
def test_any_bytes_make_a_page(data: bytes) -> None:
    assert explain(data, Path("x")).text()
