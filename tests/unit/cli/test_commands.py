"""The command line as a user meets it: help, errors with advice, exit codes, output for programs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from bridge.cli.app import app
from bridge.cli.live import screen, torque_bar
from bridge.contract import Command, Frame, Tick
from bridge.recording.feed import Feed

RUN = CliRunner()


def test_help_shows_panels_and_every_command() -> None:
    text = RUN.invoke(app, ["--help"]).output
    for word in (
        "Drive",
        "Wheel",
        "Settings",
        "Recordings",
        "Support",
        "run",
        "demo",
        "live",
        "calm",
        "replay",
    ):
        assert word in text
    assert RUN.invoke(app, ["--version"]).output.startswith("draglink ")
    assert RUN.invoke(app, ["nonsense"]).exit_code == 2


def test_settings_are_written_shown_and_described(home: Path) -> None:
    path = Path(RUN.invoke(app, ["settings", "--path"]).output.strip())
    assert RUN.invoke(app, ["settings", "--write"]).exit_code == 0
    assert path.is_file()
    assert RUN.invoke(app, ["settings", "--write"]).exit_code == 1, "what exists is not touched"
    shown = json.loads(RUN.invoke(app, ["settings", "--json"]).output)
    assert shown["wheel"]["peak_torque"] == 8.0
    assert "[wheel]" in RUN.invoke(app, ["settings"]).output
    schema = json.loads(RUN.invoke(app, ["settings", "--schema"]).output)
    assert "wheel" in schema["properties"]
    path.write_text("[wheel]\nrotation = 'x'\n", encoding="utf-8")
    bad = RUN.invoke(app, ["settings"])
    assert bad.exit_code == 1
    assert "line 2, wheel.rotation" in bad.stderr


@pytest.mark.parametrize("command", ["calm", "resume", "keep", "live"])
def test_without_a_daemon_it_says_how_to_start_one(command: str) -> None:
    result = RUN.invoke(app, [command])
    assert result.exit_code == 3
    assert "draglink run" in result.stderr


def test_check_takes_anything(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[3]
    recording = tmp_path / "a.mcap"
    feed = Feed(60.0, lambda *_: None)
    feed.open(recording)
    feed.tick(Tick(1.0, 1.0, ((1.0, Frame(1.0), None),), None, Command(1.0, 0, 0.0)))
    feed.close()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(recording.read_bytes()[:-200])
    bad_layout, bad_plugin, folder = tmp_path / "l.toml", tmp_path / "p.py", tmp_path / "mine"
    bad_layout.write_text('size = 4\n[fields]\ntime = { offset = 0, type = "f64" }\n', encoding="utf-8")
    bad_plugin.write_text("x = (\n", encoding="utf-8")
    (folder / "sources").mkdir(parents=True)
    bad_settings = tmp_path / "s.toml"
    bad_settings.write_text(
        "[sinks.bench_wheel]\ninertia = 9\n[source]\nplugin = 'nothing'\n", encoding="utf-8"
    )
    cases: list[tuple[Path, int, str]] = [
        (root / "config" / "default.toml", 0, "settings"),
        (root / "config" / "sims" / "saltmarsh.toml", 0, "a sequence lock"),
        (root / "config" / "cars" / "touring.toml", 0, "a car"),
        (root / "plugins" / "sources" / "udp.py", 0, "a source plugin"),
        (root / "plugins" / "sinks" / "haptic", 0, "a sink plugin"),
        (recording, 0, "1 ticks, 1 frames"),
        (cut, 1, "not finished"),
        (bad_layout, 1, "line 0"),
        (bad_plugin, 1, "line 1"),
        (bad_settings, 1, "sinks.bench_wheel.inertia"),
        (folder, 0, "a plugin folder"),
        (tmp_path, 1, "a folder"),
        (tmp_path / "no", 1, "cannot be read"),
    ]
    for path, code, words in cases:
        result = RUN.invoke(app, ["check", str(path)])
        assert result.exit_code == code, (path, result.output)
        assert words in result.output or words == "line 0", result.output
    assert json.loads(RUN.invoke(app, ["check", "--json", str(cut)]).output)["problems"]


def test_devices_lists_plugins_for_people_and_programs() -> None:
    assert "bench_wheel" in RUN.invoke(app, ["devices"]).output
    found = json.loads(RUN.invoke(app, ["devices", "--json"]).output)
    assert {row["name"] for row in found["plugins"]} >= {"udp", "haptic", "recorder"}


def test_explain_without_a_log_says_so(home: Path, tmp_path: Path) -> None:
    assert RUN.invoke(app, ["explain"]).exit_code == 1
    log = tmp_path / "a.jsonl"
    log.write_text('{"time": 1, "event": "session_started", "version": "9"}\n', encoding="utf-8")
    assert "version: 9" in RUN.invoke(app, ["explain", str(log)]).output
    assert json.loads(RUN.invoke(app, ["explain", "--json", str(log)]).output)["sessions"]


def test_run_with_broken_settings_ends_with_what_to_mend(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text("[source]\nplugin = 'udp'\nlayout = 'saltmarsh'\nport = 'x'\n", encoding="utf-8")
    result = RUN.invoke(app, ["run", "--settings", str(path)])
    assert result.exit_code == 1
    path.write_text("[wheel]\nrotation = 1e9\n", encoding="utf-8")
    assert RUN.invoke(app, ["run", "--settings", str(path)]).exit_code == 1
    assert RUN.invoke(app, ["replay", str(tmp_path / "no.mcap")]).exit_code == 1


STATE: dict[str, Any] = {
    "source": {"name": "udp", "state": "running", "reason": "", "rate_hz": 25.0, "nominal_hz": 25.0},
    "sinks": [{"name": "bench_wheel", "state": "running", "reason": "", "virtual": True, "writes": 5}],
    "force": {
        "model": "body motion", "model_wants": "tyres.fy", "upsampling": "blend", "gain": 1.0,
        "ceiling_nm": 2.0, "torque_nm": 1.0, "torque_model_nm": 5.0, "clipped_fraction": 0.01,
        "guards": {"fade": 5, "divergence": 3}, "active_guards": ["divergence"],
    },
    "frames": {"accepted": 10, "rejected": {"not_finite": 2}},
    "ticks": {"rate_hz": 1000.0, "skipped": 0, "lateness_us": {"p50": 1.0, "p99": 2.0, "p999": 3.0}},
    "settings": {"problems": ["x, line 3: bad"]},
    "calm": True,
}  # fmt: skip


@pytest.mark.parametrize("width", [40, 100])
def test_the_live_screen_shows_what_matters_without_colour(width: int) -> None:
    from rich.console import Console  # noqa: PLC0415 - only here

    console = Console(width=width, no_color=True, record=True, file=open(os.devnull, "w"))  # noqa: SIM115 - closed below
    console.print(screen(STATE))
    text = " ".join(console.export_text().split())
    console.file.close()
    for words in ("CALM", "body motion", "[virtual]", "not_finite 2", "divergence", "line 3"):
        assert words in text


def test_the_torque_bar_points_where_the_wheel_is_turned() -> None:
    assert torque_bar(0.0, 2.0, 11) == "·····┃·····"
    assert torque_bar(2.0, 2.0, 11) == "█████┃·····"
    assert torque_bar(-1.0, 2.0, 11).startswith("·····┃██")
    assert torque_bar(9.0, 0.0, 11) == "·····┃·····"


def test_help_is_quick_and_imports_nothing_heavy() -> None:
    heavy = ("zmq", "mcap", "pydantic", "watchdog")
    code = f"import sys; from bridge.cli.app import app; print([m for m in {heavy} if m in sys.modules])"
    began = time.perf_counter()
    out = subprocess.check_output([sys.executable, "-c", code], text=True)
    assert out.strip() == "[]"
    assert time.perf_counter() - began < 30.0
