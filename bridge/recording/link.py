"""The way to the recorder's process: a bounded queue, one thread that feeds the pipe, one that listens.

When the process ends by itself it is started again, with growing pauses. This module does not know what the
messages mean.
"""

from __future__ import annotations

import contextlib
import json
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import bridge
from bridge.recording.process import Options

_LENGTH = struct.Struct("<I")
_FIRST_PAUSE, _LONGEST_PAUSE = 1.0, 60.0
_GRACE = 5.0
"""What is left may take so long to reach the process, s; its file as long again."""

Tell = Callable[[str, dict[str, Any]], None]


class Link:
    """One recorder process after another."""

    def __init__(self, options: Options, tell: Tell, again: Callable[[], Iterable[bytes]]) -> None:
        """Start the process.

        Args:
            options: for the process.
            tell: called from a thread with what the process reports: event name, facts.
            again: called from a thread: the messages that a process started later needs first.

        Raises:
            OSError: the process cannot be started.
        """
        self.lost = 0
        """Messages that found no process."""
        self._options = options
        self._tell = tell
        self._again = again
        self._queue: SimpleQueue[bytes | None] = SimpleQueue()
        self._pause = _FIRST_PAUSE
        self._not_before = 0.0
        self._broken = False
        self._process, self._listener = self._start()
        self._feeder = threading.Thread(target=self._move, name="draglink-recorder-feed", daemon=True)
        self._feeder.start()

    @property
    def waiting(self) -> int:
        """Messages that wait for the process."""
        return self._queue.qsize()

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return not self._broken and self._process.poll() is None

    @property
    def pid(self) -> int:
        """The process."""
        return self._process.pid

    def put(self, payload: bytes) -> None:
        """Hand over a message; never waits. Who calls looks at `waiting` first."""
        self._queue.put(payload)

    def close(self) -> None:
        """Hand over what waits, then wait until the file is finished."""
        self._queue.put(None)
        self._feeder.join(_GRACE)
        if self._feeder.is_alive():  # the pipe is full and nobody reads
            self._process.kill()
            self._feeder.join(_GRACE)
        self._bury(_GRACE)

    # ------------------------------------------------------------------------ in threads of its own

    def _start(self) -> tuple[subprocess.Popen[bytes], threading.Thread]:
        detached: dict[str, Any] = {"start_new_session": True}  # Ctrl-C is for the daemon alone
        if sys.platform == "win32":
            detached = {
                "creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW,
            }
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge.recording.process", json.dumps(self._options)],
            cwd=Path(bridge.__file__).resolve().parents[1],  # where -m looks first
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            **detached,
        )
        listener = threading.Thread(
            target=self._listen, args=(process,), name="draglink-recorder-reports", daemon=True
        )
        listener.start()
        return process, listener

    def _move(self) -> None:
        while (payload := self._queue.get()) is not None:
            if self._broken and not self._restart():
                self.lost += 1
            elif not self._write(payload):
                self.lost += 1
                self._broken = True
                self._not_before = time.monotonic() + self._pause
                self._pause = min(2.0 * self._pause, _LONGEST_PAUSE)
                self._tell("recording_failed", {"reason": f"the recorder's process ended{self._cause()}"})

    def _write(self, payload: bytes) -> bool:
        pipe = self._process.stdin
        assert pipe is not None
        view = memoryview(_LENGTH.pack(len(payload)) + payload)
        try:
            while view:
                view = view[pipe.write(view) or 0 :]
        except (OSError, ValueError):  # ValueError: closed meanwhile
            return False
        return True

    def _restart(self) -> bool:
        if time.monotonic() < self._not_before:
            return False
        self._not_before = time.monotonic() + self._pause
        self._bury(0.0)
        try:
            self._process, self._listener = self._start()
        except OSError as error:
            self._tell("recording_failed", {"reason": str(error)})
            return False
        self._broken = not all(self._write(payload) for payload in self._again())
        return not self._broken

    def _cause(self) -> str:
        with contextlib.suppress(subprocess.TimeoutExpired):
            return f" ({self._process.wait(0.2)})"
        return ""

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            with contextlib.suppress(ValueError, KeyError, AttributeError):
                facts = json.loads(line)
                self._tell(str(facts.pop("event")), facts)

    def _bury(self, patience: float) -> None:
        """Close the pipe, give the process `patience` s to finish its file, and clear away what is left."""
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(OSError):
            process.stdin.close()
        try:
            process.wait(patience)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._listener.join(_GRACE)
        process.stdout.close()
