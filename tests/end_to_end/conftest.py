"""The processes of the main job for the end to end tests."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.stage import Stage, eventually

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="POSIX signals and /dev/shm")

SETTINGS = """\
[source]
plugin = "shared_memory"
layout = "saltmarsh"
name = "{sim}"
[sinks.bench_wheel]
name = "{wheel}"
start = false
[shaping]
strength = "30 %"
[governor]
fade_in = "200 ms"
[bus]
state_port = 0
request_port = 0
[log]
console = false
repeat_window = "100 ms"
"""


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    """A bench wheel that runs; the rest is started by the test."""
    with Stage(tmp_path / "stage") as stage:
        stage.write_settings(SETTINGS)
        stage.start_wheel()
        yield stage


@pytest.fixture
def driving(stage: Stage) -> Stage:
    """Sim, daemon and wheel, with torque on the wheel."""
    stage.start_daemon()
    stage.start_sim()
    device = stage.look()
    eventually(lambda: device.read().owner, what="the daemon owns the wheel")
    eventually(lambda: abs(device.read().torque) > 0.3, 20.0, "torque at the wheel")
    return stage
