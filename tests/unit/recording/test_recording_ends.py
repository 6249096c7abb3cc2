"""However a recording ends, the file is readable, at most the last second is lost, and the drive goes on."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from bridge.recording import link as link_module
from bridge.recording import read_recording
from bridge.recording.chunks import MAGIC
from bridge.recording.feed import Feed
from bridge.recording.process import Options
from tests.unit.recording.drive import drained, plain_tick, record

resource = pytest.importorskip("resource", reason="limits and signals of POSIX")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX")

FEEDER = """
import sys, time
from pathlib import Path
from bridge.contract import Command, Tick
from bridge.recording.feed import Feed
feed = Feed(60.0, lambda *_: None)
feed.open(Path(sys.argv[1]))
begin = time.monotonic()
print(feed.pid, flush=True)
n = 0
while True:
    now = begin + n / 1000
    while time.monotonic() < now:
        time.sleep(0.0005)
    feed.tick(Tick(now, now, (), None, Command(now, n, 0.5)))
    if n % 1000 == 0:
        print(n, flush=True)
    n += 1
"""
Told = list[tuple[str, dict[str, Any]]]


def finished(path: Path) -> bool:
    return path.exists() and path.read_bytes()[-8:] == MAGIC and path.stat().st_size > 100


def at_work(path: Path) -> None:
    """Wait until the writer has begun this file."""
    end = time.monotonic() + 10.0
    while not (path.exists() and path.stat().st_size) and time.monotonic() < end:
        time.sleep(0.01)


def killed(tmp_path: Path, victim: str, after: float) -> None:
    """Drive in another process, kill -9 somebody after `after` s of ticks, and look at the file."""
    path = tmp_path / f"{victim}-{after:.3f}.mcap"
    feeder = subprocess.Popen([sys.executable, "-c", FEEDER, str(path)], stdout=subprocess.PIPE, text=True)
    assert feeder.stdout is not None
    writer = int(feeder.stdout.readline())
    feeder.stdout.readline()  # the first tick
    began = time.monotonic()
    time.sleep(after)
    os.kill(feeder.pid if victim == "daemon" else writer, signal.SIGKILL)
    driven = time.monotonic() - began
    feeder.kill()
    feeder.communicate()
    end = time.monotonic() + 10.0
    while victim == "daemon" and time.monotonic() < end and not finished(path):
        time.sleep(0.02)
    found = read_recording(path)
    assert found.ticks["sequence"].tolist() == list(range(len(found.ticks["sequence"])))
    assert found.drops == []
    slack = 0.25  # a feeder that the machine held up is late itself
    assert found.ticks["now"][-1] - found.ticks["now"][0] >= driven - 1.0 - slack
    assert bool(found.lost) == (victim == "writer"), "the writer finishes its file when the daemon is gone"


@pytest.mark.parametrize("victim", ["daemon", "writer"])
def test_a_kill_loses_at_most_the_last_second(tmp_path: Path, victim: str) -> None:
    killed(tmp_path, victim, 1.4)


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("victim", ["daemon", "writer"])
def test_thirty_kills_at_random_moments(tmp_path: Path, victim: str) -> None:
    pick = random.Random(victim)
    for _ in range(30):
        killed(tmp_path, victim, pick.uniform(1.1, 3.0))


def test_only_the_end_of_the_daemon_ends_the_writer(tmp_path: Path) -> None:
    """A service manager sends SIGTERM to every process of a service: the file is finished all the same."""
    path = tmp_path / "a.mcap"
    feed = record(path, 0.5)
    at_work(path)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        os.kill(feed.pid, number)
    time.sleep(0.1)
    begin = time.monotonic()
    for n in range(500, 1000):
        feed.tick(plain_tick(begin, n))
    feed.close()
    found = read_recording(path)
    assert found.whole
    assert found.ticks["sequence"].tolist() == list(range(1000))


def test_a_writer_that_died_is_started_again_with_what_was_in_force(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "_FIRST_PAUSE", 0.2)
    told: Told = []
    paths = [tmp_path / "second.mcap"]
    feed = Feed(60.0, lambda event, facts: told.append((event, facts)), again=lambda: paths[-1])
    feed.open(tmp_path / "first.mcap")
    feed.note("inputs", {"time": time.monotonic(), "kind": "parameters", "content": {"a": 1}})
    feed.note("settings", {"time": time.monotonic(), "file": "s.toml", "text": "x"})
    first = feed.pid
    begin = time.monotonic()
    n = 0
    while time.monotonic() < begin + 8.0 and not (n > 1500 and feed.pid != first):
        feed.tick(plain_tick(begin, n))
        n += 1
        if n == 500:
            at_work(tmp_path / "first.mcap")
            time.sleep(0.3)
            os.kill(first, signal.SIGKILL)
        time.sleep(0.001)
    drained(feed)
    assert feed.alive
    for _ in range(300):
        feed.tick(plain_tick(begin, n))
        n += 1
    feed.close()
    assert [event for event, _ in told] == ["recording_started", "recording_failed", "recording_started"]
    assert "process ended (-9)" in told[1][1]["reason"]
    second = read_recording(paths[0])
    assert second.whole
    assert second.ticks["sequence"][-1] == n - 1
    assert [(row["kind"], row["content"]) for row in second.inputs] == [("parameters", {"a": 1})]
    assert second.settings[0]["text"] == "x"
    assert read_recording(tmp_path / "first.mcap").ticks["sequence"][0] == 0
    assert feed.lost >= 1


def test_a_writer_that_hangs_does_not_hold_up_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "_GRACE", 0.3)
    feed = record(tmp_path / "a.mcap", 0.5)
    drained(feed)
    os.kill(feed.pid, signal.SIGSTOP)
    for n in range(30_000):
        feed.tick(plain_tick(0.0, n))
    began = time.monotonic()
    feed.close()
    assert time.monotonic() - began < 20.0
    assert not feed.alive


# ---------------------------------------------------------------------------------- disk


def failed_whole(path: Path, told: Told, reason: str) -> None:
    """One event with the reason; what was written is readable message by message."""
    failures = [facts for event, facts in told if event == "recording_failed"]
    assert [facts["path"] for facts in failures] == [str(path)]
    assert reason in failures[0]["reason"].lower()
    found = read_recording(path)
    count = len(found.ticks["sequence"])
    assert found.ticks["sequence"].tolist() == list(range(count))
    assert count > 0
    assert all("not finished" in words for words in found.lost)


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="limits of another process need Linux")
def test_a_file_that_may_not_grow_ends_and_the_last_minute_does_not(tmp_path: Path) -> None:
    told: Told = []
    path = tmp_path / "a.mcap"
    feed = record(path, 0.0, lambda event, facts: told.append((event, facts)))
    drained(feed)
    resource.prlimit(feed.pid, resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
    begin = time.monotonic()
    for n in range(6000):
        if n % 1000 == 0:
            drained(feed)
        feed.tick(plain_tick(begin, n))
    drained(feed)
    resource.prlimit(feed.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    kept = tmp_path / "kept.mcap"
    feed.keep(kept)
    feed.close()
    failed_whole(path, told, "too large")
    assert path.stat().st_size <= 60_000
    assert read_recording(kept).ticks["sequence"].tolist() == list(range(6000))


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounting needs root")
def test_a_disk_that_is_full(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = shutil.which("mount")
    command = [str(mount), "-t", "tmpfs", "-o", "size=64k", "draglink-test", str(disk)]
    if mount is None or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("a small disk cannot be mounted here")
    try:
        told: Told = []
        path = disk / "a.mcap"
        feed = record(path, 6.0, lambda event, facts: told.append((event, facts)))
        feed.close()
        failed_whole(path, told, "no space left")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_recording_that_reaches_its_space_is_finished(tmp_path: Path) -> None:
    told: Told = []
    path = tmp_path / "a.mcap"
    options = Options(most_space=50_000.0)
    record(path, 5.0, lambda event, facts: told.append((event, facts)), options).close()
    found = read_recording(path)
    assert found.whole
    assert 1000 < len(found.ticks["now"]) < 5000
    assert "most_space" in told[-1][1]["reason"]


def test_a_folder_that_cannot_be_written_is_told_once(tmp_path: Path) -> None:
    told: Told = []
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    feed = record(blocked / "a.mcap", 0.2, lambda event, facts: told.append((event, facts)))
    feed.keep(blocked / "b.mcap")
    feed.close()
    assert [event for event, _ in told] == ["recording_failed"] * 2
    assert all(facts["reason"] for _, facts in told)
