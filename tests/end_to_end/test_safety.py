"""What the device does when something dies; measured at the device, by its own clock and record."""

from __future__ import annotations

import os
import signal
import time

import pytest

from tests.end_to_end.stage import Stage, eventually

LIMIT = 0.2
"""Torque is zero within this time of the fault, s."""
SLACK = 0.02
"""A tick and the device's own delay on a busy machine."""


def kill_the_sim(stage: Stage) -> float:
    """Kill -9 the sim; return how long the torque lasted, s."""
    began = time.monotonic()
    stage.kill("sim")
    device = stage.look()
    eventually(lambda: device.read().torque == 0.0, 3.0, "zero torque")
    time.sleep(0.1)
    return stage.zero_since() - began


def test_the_sim_is_killed_and_returns(driving: Stage) -> None:
    assert kill_the_sim(driving) <= LIMIT + SLACK
    driving.start_sim()
    device = driving.look()
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque again")
    history = driving.history()
    begin = max(i for i, (_, torque) in enumerate(history) if torque == 0.0)
    first = [abs(torque) for when, torque in history[begin:] if when <= history[begin][0] + 0.02]
    assert max(first) < 0.3, "it must fade in, not jump"
    eventually(lambda: driving.logged("frames_returned") != [], what="the log says so")


def test_the_daemon_is_killed(driving: Stage) -> None:
    began = time.monotonic()
    driving.kill("daemon")
    device = driving.look()
    eventually(lambda: device.read().torque == 0.0, 3.0, "zero torque")
    assert driving.zero_since() - began <= LIMIT
    assert not device.read().owner


def stop_the_daemon(stage: Stage) -> float:
    """SIGSTOP the daemon; return how long the torque lasted, s."""
    device = stage.look()
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque")
    began = time.monotonic()
    os.kill(stage.processes["daemon"].pid, signal.SIGSTOP)
    eventually(lambda: device.read().torque == 0.0, 3.0, "zero torque")
    time.sleep(0.1)
    return stage.zero_since() - began


def test_the_daemon_hangs_and_goes_on(driving: Stage) -> None:
    assert stop_the_daemon(driving) <= LIMIT
    assert driving.look().read().owner, "the daemon itself is still there"
    os.kill(driving.processes["daemon"].pid, signal.SIGCONT)
    device = driving.look()
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque again")
    eventually(lambda: driving.logged("device_cut") != [], what="the log tells of the cut")


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_twenty_times_each(driving: Stage) -> None:
    for _ in range(20):
        assert stop_the_daemon(driving) <= LIMIT
        os.kill(driving.processes["daemon"].pid, signal.SIGCONT)
        device = driving.look()
        eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque again")  # noqa: B023 - used at once
    for _ in range(20):
        assert kill_the_sim(driving) <= LIMIT + SLACK
        driving.start_sim()
        eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque again")


def test_an_orderly_stop_ends_at_zero(driving: Stage) -> None:
    assert driving.end("daemon") == 0
    assert driving.look().read().torque == 0.0
    assert driving.logged("session_ended")
    assert not (driving.folder / "home" / "run" / "bus.json").exists()


def test_calm_is_zero_at_once_until_resumed(driving: Stage) -> None:
    assert driving.draglink("calm").returncode == 0
    device = driving.look()
    eventually(lambda: device.read().torque == 0.0, 0.5, "zero torque")
    time.sleep(0.3)
    assert device.read().torque == 0.0
    assert driving.draglink("resume").returncode == 0
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque again")


def test_a_second_instance_is_refused_with_the_pid_of_the_first(driving: Stage) -> None:
    second = driving.draglink("run", "--settings", str(driving.settings_path))
    assert second.returncode == 4
    assert str(driving.processes["daemon"].pid) in second.stderr
    assert abs(driving.look().read().torque) >= 0.0
    assert driving.processes["daemon"].poll() is None


def test_without_settings_it_runs_with_the_virtual_wheel(stage: Stage) -> None:
    stage.spawn("daemon", "-m", "bridge.cli", "run")
    eventually(lambda: stage.logged("source_awaited") != [], 20.0, "the daemon runs")
    assert "draglink settings --write" in stage.output("daemon")
    eventually(lambda: stage.logged("sink_opened") != [], 10.0, "the virtual wheel")
    assert stage.end("daemon") == 0
