"""The two figures a newcomer sees first: the demonstration runs and its numbers hold; and a replay of it."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.end_to_end.stage import ROOT, Stage, eventually

KEYS = {
    "source_rate_hz", "output_rate_hz", "frames", "frames_rejected", "commands", "lateness_us",
    "latency_us", "torque_nm", "ceiling_nm", "ceiling_violations", "slew_violations", "clipped_fraction",
    "model", "upsampling", "recording",
}  # fmt: skip


def demo(folder: Path, seconds: int) -> dict[str, object]:
    summary = folder / "out.json"
    command = [sys.executable, "-m", "bridge.cli", "demo", "--seconds", str(seconds), "--folder", str(folder)]
    done = subprocess.run(
        [*command, "--summary", str(summary)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "What happened" in done.stdout
    found: dict[str, object] = json.loads(summary.read_text(encoding="utf-8"))
    return found


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_twenty_seconds_of_saltmarsh(tmp_path: Path) -> None:
    found = demo(tmp_path, 20)
    assert set(found) >= KEYS
    assert found["ceiling_violations"] == found["slew_violations"] == found["frames_rejected"] == 0
    assert found["model"] == "tyre forces"
    assert 490 <= found["frames"] <= 510  # type: ignore[operator]  # a number
    assert found["recording_whole"]
    truth = found["against_truth"]
    assert isinstance(truth, dict)
    assert truth["error_fraction"] < 0.35
    assert 20.0 <= truth["delay_ms"] <= 100.0
    page = subprocess.run(
        [sys.executable, "-m", "bridge.cli", "explain", str(found["log"])],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "tyre forces" in page.stdout
    assert "ended in order" in page.stdout


def test_a_short_demo_its_recording_and_a_replay_of_it(tmp_path: Path, stage: Stage) -> None:
    found = demo(tmp_path / "demo", 6)
    assert found["slew_violations"] == found["ceiling_violations"] == 0
    checked = stage.draglink("check", str(found["recording"]))
    assert checked.returncode == 0, checked.stdout
    stage.settings_path.write_text(
        f'[sinks.bench_wheel]\nname = "{stage.wheel_name}"\nstart = false\n[governor]\nfade_in = "100 ms"\n'
        "[bus]\nstate_port = 0\nrequest_port = 0\n[log]\nconsole = false\n",
        encoding="utf-8",
    )
    options = ["--settings", str(stage.settings_path), "--sink", "as set", "--start", "4.5"]
    stage.spawn("daemon", "-m", "bridge.cli", "replay", str(found["recording"]), *options)
    eventually(lambda: abs(stage.look().read().torque) > 0.05, 15.0, "torque from the recording")
    live = stage.draglink("live", "--once")
    assert live.returncode == 0
    assert "file_replay" in live.stdout
    assert "[virtual]" in live.stdout
    kept = stage.draglink("keep")
    assert kept.returncode == 1
    assert "no recorder runs" in kept.stderr
    stage.processes["daemon"].send_signal(signal.SIGINT)
    assert stage.processes["daemon"].wait(10) == 0


def cuts(stage: Stage) -> int:
    """How many ticks were cut to zero so far."""
    state = json.loads(stage.draglink("live", "--once", "--json").stdout)
    return int(state["force"]["guards"].get("cut", 0))


def test_a_recorder_added_while_driving_leaves_the_torque_alone_and_keeps_the_last_minute(
    driving: Stage,
) -> None:
    before = cuts(driving)
    text = driving.settings_path.read_text(encoding="utf-8")
    fresh = driving.folder / "new.toml"
    fresh.write_text(text + "[sinks.recorder]\n", encoding="utf-8")
    fresh.replace(driving.settings_path)
    eventually(
        lambda: any(row["plugin"] == "recorder" for row in driving.logged("sink_opened")), 10.0, "a recorder"
    )
    time.sleep(0.5)
    assert cuts(driving) == before
    kept = driving.draglink("keep", "--json")
    assert kept.returncode == 0, kept.stderr
    path = Path(json.loads(kept.stdout)["path"])
    eventually(lambda: driving.logged("recording_kept") != [], what="the file is written")
    checked = driving.draglink("check", str(path))
    assert checked.returncode == 0, checked.stdout
