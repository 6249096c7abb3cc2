"""Settings that apply while driving, files that are broken, plugins that are dropped in; over UDP."""

from __future__ import annotations

import itertools
import re
import socket
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from plugins.sinks.bench_wheel.client import BenchWheelClient
from tests.end_to_end.stage import ROOT, Stage, eventually

LAYOUT = """\
name = "steady"
size = 20
nominal_rate = "50 Hz"
[fields]
time = {{ offset = 0, type = "f64" }}
steering_torque = {{ offset = 8, type = "f64" }}
index = {{ offset = 16, type = "u32" }}
"""
SETTINGS = """\
[source]
plugin = "udp"
layout = "steady.toml"
port = {port}
[sinks.bench_wheel]
name = "{wheel}"
start = false
[shaping]
strength = "20 %"
saturation_knee = 1
[governor]
fade_in = "200 ms"
slew = "50 N m/s"
[bus]
state_port = 0
request_port = 0
[log]
console = false
repeat_window = "100 ms"
"""
SLEW = 50.0


class Sender:
    """An invented sim that sends a steady torque fifty times a second."""

    def __init__(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.torque = 5.0
        self.paused = False
        self.arms: BenchWheelClient | None = None
        """Hold the rim of the wheel straight, so that the torque on it stays what it is."""
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._send, name="sender")

    def _send(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            n = 0
            while not self._end.wait(0.02):
                n += 1
                if self.arms is not None:
                    self.arms.hands(0.0, 60.0, 2.0)
                if not self.paused:
                    out.sendto(struct.pack("<ddI", n * 0.02, self.torque, n), ("127.0.0.1", self.port))

    def __enter__(self) -> Sender:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        if self.arms is not None:
            self.arms.close()


@pytest.fixture
def sender() -> Iterator[Sender]:
    with Sender() as sender:
        yield sender


def settings(stage: Stage, sender: Sender, text: str = SETTINGS) -> str:
    return text.replace("{port}", str(sender.port)).replace("{wheel}", stage.wheel_name)


@pytest.fixture
def steady(stage: Stage, sender: Sender) -> Stage:
    """A daemon that turns a steady 5 N m at the sim's rim into a steady 0.8 N m at the wheel."""
    (stage.folder / "steady.toml").write_text(LAYOUT.format(), encoding="utf-8")
    save(stage, settings(stage, sender))
    sender.arms = BenchWheelClient(stage.wheel_name)
    stage.start_daemon()
    device = stage.look()
    eventually(lambda: abs(device.read().torque - 0.8) < 0.01, 10.0, "the steady torque")
    return stage


def save(stage: Stage, text: str) -> None:
    fresh = stage.folder / "settings.new"
    fresh.write_text(text, encoding="utf-8")
    fresh.replace(stage.settings_path)


def steps(stage: Stage) -> list[float]:
    """Changes of the motor's torque from one level to the next, N m."""
    history = stage.history()
    return [abs(b[1] - a[1]) for a, b in itertools.pairwise(history)]


def reaches(stage: Stage, torque: float) -> None:
    eventually(lambda: abs(stage.look().read().torque - torque) < 0.01, 2.0, "the new torque")


def more_than(stage: Stage, count: int) -> None:
    eventually(lambda: len(stage.logged("settings_refused")) > count, 5.0, "a report")


def test_a_saved_setting_reaches_the_wheel_within_0_3_s_and_without_a_step(
    steady: Stage, sender: Sender
) -> None:
    for strength, torque in ((30, 1.2), (15, 0.6), (40, 1.6)):
        before = steady.look().read().torque
        text = settings(steady, sender).replace("20 %", f"{strength} %")
        renamed = time.monotonic()
        save(steady, text)
        eventually(lambda: abs(steady.look().read().torque - before) > 0.005, 2.0, "a change")  # noqa: B023 - at once
        change = next(w for w, t in steady.history() if w > renamed and abs(t - before) > 1e-4)
        assert change - renamed <= 0.3
        reaches(steady, torque)
    # The writer may skip ticks on a busy machine: a step at the device covers at most a few of them.
    assert max(steps(steady)) <= SLEW * 0.005 + 8.0 / 32767
    assert [row["changed"] for row in steady.logged("settings_applied")][-1]


BROKEN = [
    ("[shaping]\nstrength = 2\n", "shaping.strength", 2),
    ("[shaping]\nstrength = '20 kg'\n", "shaping.strength", 2),
    ("[shaping]\nstrenght = 0.2\n", "shaping.strenght", 2),
    ("\n\n[governor]\nslew = 'fast'\n", "governor.slew", 4),
    ("[wheel]\npeak_torque = 0\n", "wheel.peak_torque", 2),
    ("[wheel]\nrotation = true\n", "wheel.rotation", 2),
    ("[bus]\nhost = '192.0.2.1'\n", "bus.host", 2),
    ("[nonsense]\n", "nonsense", 1),
    ("[shaping\n", "", 1),
    (
        "[source]\nplugin = 'udp'\nlayout = 'saltmarsh'\nport = 1\n[sinks.bench_wheel]\ninertia = -1\n",
        "sinks.bench_wheel.inertia",
        6,
    ),
]


def test_thirty_broken_files_in_a_row_change_nothing_and_each_is_reported(
    steady: Stage, sender: Sender
) -> None:
    torque = steady.look().read().torque
    for number in range(30):
        text, key, line = BROKEN[number % len(BROKEN)]
        count = len(steady.logged("settings_refused"))
        save(steady, f"{text}# {number}\n")
        more_than(steady, count)
        row = steady.logged("settings_refused")[-1]
        assert (row["file"], row["key"], row["line"]) == (str(steady.settings_path), key, line), row
        assert row["allowed"]
    assert steady.look().read().torque == pytest.approx(torque, abs=0.02)
    assert not steady.logged("settings_applied")
    save(steady, settings(steady, sender).replace("20 %", "10 %"))
    eventually(lambda: abs(steady.look().read().torque - 0.4) < 0.01, 3.0, "a good file counts again")


def test_any_bytes_over_udp_are_counted_and_the_torque_fades_without_good_frames(
    steady: Stage, sender: Sender
) -> None:
    sender.paused = True
    began = time.monotonic()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for n in range(2000):
            garbage = (
                struct.pack("<ddI", float("nan"), float("inf"), n) if n % 3 else bytes([n % 256]) * (n % 60)
            )
            out.sendto(garbage, ("127.0.0.1", sender.port))
    device = steady.look()
    eventually(lambda: device.read().torque == 0.0, 2.0, "zero torque")
    assert steady.zero_since() - began <= 0.25
    assert steady.processes["daemon"].poll() is None
    sender.paused = False
    eventually(lambda: abs(device.read().torque - 0.8) < 0.01, 5.0, "the torque is back")
    eventually(lambda: steady.logged("record_rejected") != [], what="rejects are told")
    assert not steady.logged("internal_error")


def example(kind: str) -> str:
    """The example of the README."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"```python {kind}\n(.*?)```", text, re.DOTALL)
    assert found
    code = found.group(1)
    assert code.count("\n") <= 40
    return code


def test_a_source_and_a_sink_dropped_into_the_users_folder_drive(stage: Stage) -> None:
    plugins, data, out = stage.folder / "mine", stage.folder / "sim.txt", stage.folder / "torque.txt"
    for kind in ("source", "sink"):
        (plugins / f"{kind}s").mkdir(parents=True)
        (plugins / f"{kind}s" / f"my_{kind}.py").write_text(example(kind), encoding="utf-8")
    save(
        stage,
        f"""\
[service]
user_plugins = "{plugins}"
[source]
plugin = "my_source"
file = "{data}"
[sinks.bench_wheel]
name = "{stage.wheel_name}"
start = false
[sinks.my_sink]
file = "{out}"
[governor]
fade_in = "200 ms"
[bus]
state_port = 0
request_port = 0
[log]
console = false
""",
    )
    stage.start_daemon()
    eventually(lambda: stage.logged("source_awaited") != [], what="it waits for the file")
    with data.open("w", encoding="ascii", buffering=1) as file:
        for n in range(100):
            file.write(f"{n / 25:.3f} 100.0 0.5 20.0\n")
            time.sleep(0.04)
            if n > 30 and stage.look().read().torque > 0.1:
                break
    assert stage.look().read().torque > 0.1, "a right turn pulls to the left"
    assert stage.logged("frames_started")[0]["model"] == "body motion"
    rows = [line.split() for line in out.read_text(encoding="ascii").splitlines()]
    assert max(float(torque) for _, torque in rows) > 0.1


def test_check_examines_what_the_readme_shows(tmp_path: Path, stage: Stage) -> None:
    for kind in ("source", "sink"):
        path = tmp_path / f"my_{kind}.py"
        path.write_text(example(kind), encoding="utf-8")
        found = stage.draglink("check", str(path))
        assert found.returncode == 0, found.stdout + found.stderr
        assert f"a {kind} plugin" in found.stdout
