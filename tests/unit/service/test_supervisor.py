"""The supervisor's decisions, without any device; and its processes for real are in the end to end tests."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from bridge.service.heartbeat import Beat, Heartbeat, HeartbeatReader
from bridge.service.supervisor import Cutter, NoCutter, Supervisor, SupervisorProcess, make_cutter


class Counting(Cutter):
    """Counts its cuts."""

    def __init__(self, sure: bool = True, fails: bool = False) -> None:
        super().__init__({"cutter": "counting"})
        self.sure = sure
        self.cuts = 0
        self._fails = fails

    def cut(self) -> None:
        self.cuts += 1
        if self._fails:
            raise OSError(19, "gone")


@pytest.fixture
def killed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    pids: list[int] = []
    monkeypatch.setattr("bridge.service.supervisor.os.kill", lambda pid, _: pids.append(pid))
    return pids


def watch(supervisor: Supervisor, silences: list[float], armed: bool = True) -> list[dict[str, Any]]:
    """Look every 10 ms while the last beat grows older."""
    done: list[dict[str, Any]] = []
    for number, silence in enumerate(silences):
        now = 100.0 + number * 0.01
        done += supervisor.look(Beat(armed, int((now - silence) * 1e9), 4242), now)
    return done


def growing(to: float) -> list[float]:
    return [k * 0.01 for k in range(round(to * 100))]


def test_silence_is_cut_once_and_a_new_silence_again(killed: list[int]) -> None:
    supervisor, cutter = Supervisor(), Counting()
    supervisor.cutters = [cutter]
    assert watch(supervisor, growing(0.09)) == []
    (report,) = watch(supervisor, growing(0.5))
    assert report["did"] == "cut"
    assert 0.1 <= report["silence_s"] <= 0.12
    watch(supervisor, [0.001] * 5 + growing(0.3))
    assert cutter.cuts == 2
    assert killed == [], "what was cut surely needs no end of the daemon"


@pytest.mark.parametrize("cutter", [Counting(sure=False), Counting(fails=True), NoCutter({})])
def test_what_cannot_be_cut_surely_ends_the_daemon(cutter: Cutter, killed: list[int]) -> None:
    supervisor = Supervisor()
    supervisor.cutters = [cutter]
    done = watch(supervisor, growing(0.5))
    assert killed == [4242]
    assert done[-1]["did"] == "ended the daemon"
    assert done[-1]["silence_s"] <= 0.17


def test_nothing_is_done_while_disarmed_or_before_the_first_beat(killed: list[int]) -> None:
    supervisor, cutter = Supervisor(), Counting(sure=False)
    supervisor.cutters = [cutter]
    assert watch(supervisor, growing(1.0), armed=False) == []
    assert supervisor.look(Beat(True, 0, 1), 100.0) == []
    assert (cutter.cuts, killed) == (0, [])


def test_a_machine_that_slept_gives_the_daemon_its_time_anew(killed: list[int]) -> None:
    supervisor, cutter = Supervisor(), Counting()
    supervisor.cutters = [cutter]
    beat = int(100.0 * 1e9)
    supervisor.look(Beat(True, beat, 1), 100.01)
    assert supervisor.look(Beat(True, beat, 1), 160.0) == [], "both slept"
    assert supervisor.look(Beat(True, beat, 1), 160.04) == []
    for k in range(1, 8):
        supervisor.look(Beat(True, beat, 1), 160.04 + k * 0.01)
    assert cutter.cuts == 1


def test_cutters_by_name_and_devices_that_are_not_there(tmp_path: Path) -> None:
    gone = make_cutter({"cutter": "evdev", "path": str(tmp_path / "no")})
    with pytest.raises(OSError, match="could not be opened"):
        gone.cut()
    gone.close()
    pretend = tmp_path / "event0"
    pretend.write_bytes(b"")
    evdev = make_cutter({"cutter": "evdev", "path": str(pretend)})
    evdev.cut()
    evdev.close()
    assert pretend.read_bytes()[16:20] == b"\x15\x00\x60\x00", "EV_FF, FF_GAIN"
    wheel = make_cutter({"cutter": "bench_wheel", "name": "no_such_bench_wheel"})
    with pytest.raises(OSError, match="No such file"):
        wheel.cut()
    wheel.close()
    assert isinstance(make_cutter({"cutter": "unheard of"}), NoCutter)


def test_beats_cross_processes(tmp_path: Path) -> None:
    heart = Heartbeat(tmp_path / "run" / "heartbeat")
    reader = HeartbeatReader(heart.path)
    assert reader.read() == Beat(False, 0, os.getpid())
    heart.beat(123)
    heart.arm()
    assert reader.read() == Beat(True, 123, os.getpid())
    heart.disarm()
    assert not reader.read().armed
    reader.close()
    heart.close()


def test_the_process_ends_a_hung_daemon_and_writes_what_it_did(tmp_path: Path) -> None:
    hung = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(30)"])
    heart = Heartbeat(tmp_path / "heartbeat")
    report = tmp_path / "supervisor.jsonl"
    process = SupervisorProcess(heart.path, report)
    process.order([{"cutter": "none"}])
    process.start()
    import struct  # noqa: PLC0415 - only this test forges a pid

    struct.pack_into("<q", heart._map, 16, hung.pid)
    time.sleep(0.6)
    heart.beat(time.monotonic_ns())
    heart.arm()
    assert hung.wait(5.0) != 0
    process.stop()
    rows = [json.loads(line) for line in report.read_text(encoding="utf-8").splitlines()]
    assert rows[-1]["did"] == "ended the daemon"
    heart.close()
    assert not process.alive
