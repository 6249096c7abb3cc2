"""What the daemon recorded, run again from the file alone: every command bit for bit."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from bridge.recording import read_recording
from bridge.recording.checking import check_recording
from tests.end_to_end.conftest import SETTINGS
from tests.end_to_end.stage import Stage, eventually
from tests.unit.recording.drive import bits, run_again

FULL = SETTINGS.replace("[shaping]", '[sinks.recorder]\nmode = "full"\n[shaping]')


def drive_hard(stage: Stage) -> None:
    """Sim gone and back, calm and resume, settings good and broken."""
    time.sleep(0.5)
    assert stage.draglink("calm").returncode == 0
    assert stage.draglink("resume").returncode == 0
    stage.write_settings(FULL.replace("30 %", "45 %").replace("200 ms", "300 ms"))
    eventually(lambda: stage.logged("settings_applied") != [], what="the settings are applied")
    stage.write_settings(FULL.replace("30 %", "a lot"))
    eventually(lambda: stage.logged("settings_refused") != [], what="the settings are refused")
    stage.kill("sim")
    time.sleep(0.4)
    stage.start_sim()
    eventually(lambda: stage.logged("frames_returned") != [], 20.0, what="frames return")
    time.sleep(0.5)


@pytest.mark.parametrize("end", [pytest.param("stop", marks=pytest.mark.slow), "kill"])
def test_a_hard_drive_runs_again_bit_for_bit(stage: Stage, end: str) -> None:
    stage.write_settings(FULL)
    stage.start_daemon()
    stage.start_sim()
    device = stage.look()
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque at the wheel")
    drive_hard(stage)
    if end == "kill":
        stage.kill("daemon")
    else:
        stage.end("daemon")
    (path,) = list((stage.folder / "home" / "recordings").glob("*.mcap"))
    eventually(lambda: _whole(path), 10.0, "the writer finishes the file")
    recording = read_recording(path)
    assert recording.dropped_blocks == 0
    assert recording.gaps() == []
    pairs = run_again(recording)
    different = [n for n, (recorded, computed) in enumerate(pairs) if bits(recorded) != bits(computed)]
    assert different == [], f"first at {different[0]}: {pairs[different[0]]}"
    assert max(abs(recorded.torque) for recorded, _ in pairs) > 0.3
    kinds = {row["kind"] for row in recording.inputs}
    assert kinds == {"parameters", "calm", "resume", "restart"}
    assert all(row.raw for row in recording.frames), "every frame with the bytes it came from"
    names = {row["event"] for row in recording.events}
    assert names >= {"settings_applied", "settings_refused", "torque_calmed", "frames_returned"}
    assert [row["text"].count("45 %") for row in recording.settings][-1] == 1


def _whole(path: Path) -> bool:
    return check_recording(path).whole
