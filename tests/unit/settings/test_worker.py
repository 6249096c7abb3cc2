"""The process that checks settings: it may die, hang or be slow; the daemon only hears of a problem."""

from __future__ import annotations

import io
import os
import pickle
import signal
import struct
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.settings import worker
from bridge.settings.worker import SettingsWorker

PATH = Path("mine.toml")
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals")


@pytest.fixture
def checking() -> Iterator[SettingsWorker]:
    made = SettingsWorker(patience=0.5)
    made.start()
    yield made
    made.close()


def pid(checking: SettingsWorker) -> int:
    process = checking._process
    assert process is not None
    return process.pid


def test_it_answers_as_loading_does(checking: SettingsWorker) -> None:
    checking._patience = 10.0
    good = checking.load(b"[feel]\nkerb = 2\n", PATH, {"feel.road": 0.0})
    assert good.settings is not None
    assert (good.settings.feel.kerb, good.settings.feel.road) == (2.0, 0.0)
    bad = checking.load(b"\n[feel]\nkerb = 9\n", PATH, {})
    assert [(p.file, p.line, p.key) for p in bad.problems] == [("mine.toml", 3, "feel.kerb")]


def test_what_the_user_wrote_is_still_known_after_the_way_back(checking: SettingsWorker) -> None:
    checking._patience = 10.0
    loaded = checking.load(b"[wheel]\npeak_torque = 8\n", PATH, {})
    assert loaded.settings is not None
    assert loaded.settings.wheel.model_fields_set == {"peak_torque"}


@posix
def test_one_that_was_killed_is_started_again(checking: SettingsWorker) -> None:
    checking._patience = 10.0
    first = pid(checking)
    os.kill(first, signal.SIGKILL)
    assert checking.load(b"", PATH, {}).settings is not None
    assert pid(checking) != first


@posix
def test_one_that_hangs_is_ended_and_the_file_refused(checking: SettingsWorker) -> None:
    os.kill(pid(checking), signal.SIGSTOP)
    (problem,) = checking.load(b"", PATH, {}).problems
    assert "more than 0.5 s" in problem.found
    checking._patience = 10.0
    assert checking.load(b"", PATH, {}).settings is not None


@posix
def test_closing_does_not_wait_for_a_load_that_hangs(checking: SettingsWorker) -> None:
    checking._patience = 60.0
    os.kill(pid(checking), signal.SIGSTOP)
    thread = threading.Thread(target=checking.load, args=(b"", PATH, {}))
    thread.start()
    time.sleep(0.1)
    checking.close()
    thread.join(5.0)
    assert not thread.is_alive()


def test_a_process_that_cannot_be_started_is_a_problem(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/no such python")
    checking = SettingsWorker()
    assert "ended" in checking.load(b"", PATH, {}).problems[0].found
    checking.close()


def test_the_processs_own_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process, so that coverage sees it."""
    payload = pickle.dumps((b"[feel]\nkerb = 2\n", "x", {}))
    asked = io.TextIOWrapper(io.BytesIO(struct.pack("<I", len(payload)) + payload))
    answered = io.TextIOWrapper(io.BytesIO())
    monkeypatch.setattr(sys, "stdin", asked)
    monkeypatch.setattr(sys, "stdout", answered)
    monkeypatch.setattr(worker, "_NICER", 0)
    before = signal.getsignal(signal.SIGINT)
    try:
        worker.main()
    finally:
        signal.signal(signal.SIGINT, before)
    raw = answered.buffer
    assert isinstance(raw, io.BytesIO)
    loaded = pickle.loads(raw.getvalue()[4:])
    assert loaded.settings.feel.kerb == 2.0
