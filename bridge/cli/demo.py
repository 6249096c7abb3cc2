"""The demonstration: the main job with an invented sim and a virtual wheel, each in its own process.

sim -> shared memory -> daemon -> virtual wheel, whose angle goes back into the sim; a recording is kept.
Every figure shown is computed from the recording and from the sim's own 1 kHz truth.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from bridge.bus import BusClient, NoDaemon
from bridge.cli import exit_codes
from bridge.cli.demo_summary import figures, show
from bridge.cli.live import torque_bar
from bridge.hosting.index import shipped_folder
from bridge.settings import places

_START_LIMIT = 15.0
_SETTINGS = """\
# Settings of the demonstration. Change a number and save while it runs: it applies at once.
[source]
plugin = "shared_memory"
layout = "saltmarsh"
name = "{sim}"

[service]
priority = {priority}

[wheel]
peak_torque = "8 N m"
rotation = "540 deg"

[shaping]
strength = "{strength}"

[sinks.bench_wheel]
name = "{wheel}"
start = false

[sinks.recorder]
mode = "full"

[bus]
state_port = 0
request_port = 0

[log]
console = false
"""


def sim_module() -> tuple[str, Path | None]:
    """Return the module of the demonstration's sim and the folder to run it in."""
    if importlib.util.find_spec("bridge._demo_sim") is not None:
        return "bridge._demo_sim", None
    return "tools.demo_sim", Path(__file__).resolve().parents[2]


class _Stage:
    """The three processes."""

    def __init__(self, folder: Path, seconds: float, strength: str) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.truth = folder / "truth.bin"
        tag = f"{os.getpid()}_{int(time.time()) % 100_000}"
        self._names = {"sim": f"saltmarsh_{tag}", "wheel": f"bench_wheel_{tag}"}
        self._environment = {**os.environ, "DRAGLINK_HOME": str(self.home)}
        self._seconds = seconds
        self.settings = folder / "settings.toml"
        priority = "false" if os.environ.get("DRAGLINK_DEMO_PRIORITY") == "no" else "true"  # for measurements
        text = _SETTINGS.format(strength=strength, priority=priority, **self._names)
        self.settings.write_text(text, encoding="utf-8")
        self.processes: dict[str, subprocess.Popen[Any]] = {}

    def start(self) -> None:
        """Start wheel, daemon and sim, in this order; wait for each."""
        device = shipped_folder() / "sinks" / "bench_wheel" / "device.py"
        self._spawn("wheel", [str(device), "--name", self._names["wheel"], "--linger", "20"])
        self._spawn("daemon", ["-m", "bridge.cli", "run", "--settings", str(self.settings)])
        self.bus = self._wait_for_daemon()
        module, folder = sim_module()
        command = ["-m", module, "--seconds", str(self._seconds), "--name", self._names["sim"]]
        self._spawn("sim", [*command, "--wheel", self._names["wheel"], "--truth", str(self.truth)], folder)

    def _spawn(self, name: str, command: list[str], folder: Path | None = None) -> None:
        flags: dict[str, Any] = (
            {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
        )
        with (self.folder / f"{name}.out").open("wb") as out:
            self.processes[name] = subprocess.Popen(
                [sys.executable, *command], stdout=out, stderr=out, stdin=subprocess.DEVNULL,
                env=self._environment, cwd=folder, **flags,
            )  # fmt: skip

    def _wait_for_daemon(self) -> BusClient:
        end = time.monotonic() + _START_LIMIT
        while time.monotonic() < end and self.processes["daemon"].poll() is None:
            try:
                bus = BusClient(self.home / "run", 0.5)
            except NoDaemon:
                time.sleep(0.02)
                continue
            if bus.next_state() is not None:
                return bus
            bus.close()
        raise RuntimeError(f"the daemon did not start:\n{self.output('daemon')}")

    def output(self, name: str) -> str:
        """Return what a process printed."""
        return (self.folder / f"{name}.out").read_text(encoding="utf-8", errors="replace")

    def stop(self) -> None:
        """End all of them in order: the daemon first, so that its recording is finished."""
        if hasattr(self, "bus"):
            self.bus.close()
        for name in ("daemon", "sim", "wheel"):
            process = self.processes.get(name)
            if process is None:
                continue
            if process.poll() is None:
                process.send_signal(getattr(signal, "CTRL_BREAK_EVENT", signal.SIGTERM))
            try:
                process.wait(15.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def run_demo(seconds: float, summary: Path | None, folder: Path | None, strength: str) -> int:
    """Run the demonstration; return the exit code."""
    console = Console()
    place = folder or Path(tempfile.mkdtemp(prefix="draglink-demo-"))
    place.mkdir(parents=True, exist_ok=True)
    console.print(
        "[bold]Saltmarsh[/bold] (an invented 25 Hz sim) drives the [bold]Bench Wheel[/bold] (virtual)."
    )
    console.print(f"Settings you may change while it runs: {place / 'settings.toml'}", soft_wrap=True)
    stage = _Stage(place, seconds, strength)
    try:
        stage.start()
        _watch(console, stage, seconds)
    except RuntimeError as error:
        console.print(str(error), style="red")
        return exit_codes.PROBLEM
    finally:
        stage.stop()
    recording = _newest_recording(stage.home)
    if recording is None:
        console.print("The daemon left no recording:", stage.output("daemon"), style="red")
        return exit_codes.PROBLEM
    found = figures(_kept(recording, folder), stage.truth, sim_module()[0])
    found["log"] = str(stage.home / "log" / "draglink.jsonl")
    show(console, found)
    if summary is not None:
        summary.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
        console.print(f"The same figures for programs: {summary}")
    bad = found["ceiling_violations"] or found["slew_violations"] or not found["frames"]
    return exit_codes.PROBLEM if bad else exit_codes.OK


def _watch(console: Console, stage: _Stage, seconds: float) -> None:
    """Show progress and the torque until the sim ends."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(30),
        TextColumn("{task.fields[torque]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, refresh_per_second=4) as progress:
        task = progress.add_task("driving", total=seconds, torque="")
        began = time.monotonic()
        while stage.processes["sim"].poll() is None:
            state: dict[str, Any] | None = stage.bus.next_state()
            elapsed = min(time.monotonic() - began, seconds)
            if state is not None:
                force = state["force"]
                bar = torque_bar(force["torque_nm"], force["ceiling_nm"], 21)
                progress.update(task, completed=elapsed, torque=f"{bar} {force['torque_nm']:+5.2f} N m")
            if stage.processes["daemon"].poll() is not None:
                raise RuntimeError(f"the daemon ended early:\n{stage.output('daemon')}")
            if time.monotonic() - began > seconds + 30.0:
                raise RuntimeError(f"the sim did not end:\n{stage.output('sim')}")
            time.sleep(0.2)
        progress.update(task, completed=seconds)


def _newest_recording(home: Path) -> Path | None:
    files = sorted((home / "recordings").glob("*.mcap"), key=lambda file: file.stat().st_mtime)
    return files[-1] if files else None


def _kept(recording: Path, folder: Path | None) -> Path:
    """Without a folder of the user's, move the recording to their recordings: it outlives the demo."""
    if folder is not None:
        return recording
    target = places.recordings_folder() / recording.name.replace("draglink-", "demo-")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        return Path(shutil.move(recording, target))
    except OSError:
        return recording
