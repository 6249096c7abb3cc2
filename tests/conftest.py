"""What every test shares: a place of its own for files, and a check that nothing is left behind."""

from __future__ import annotations

import gc
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.hosting.index import bind_shipped

bind_shipped()


def _children() -> set[int]:
    """Pids of our direct children, zombies included (Linux only)."""
    if sys.platform != "linux":
        return set()
    found: set[int] = set()
    for task in Path("/proc/self/task").iterdir():
        try:
            found |= {int(pid) for pid in (task / "children").read_text().split()}
        except OSError:
            continue
    return found


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Settings, logs, recordings and locks of a test stay in its own folder."""
    folder = tmp_path / "home"
    monkeypatch.setenv("DRAGLINK_HOME", str(folder))
    return folder


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    """Fail a test that leaves a thread or a child process behind (sockets warn by themselves)."""
    threads = set(threading.enumerate())
    children = _children()
    yield
    gc.collect()
    deadline = time.monotonic() + 3.0
    while time.monotonic() < deadline:
        left = [thread for thread in threading.enumerate() if thread not in threads and thread.is_alive()]
        orphans = _children() - children
        if not left and not orphans:
            return
        time.sleep(0.02)
    pytest.fail(f"left behind: threads {[thread.name for thread in left]}, processes {sorted(orphans)}")
