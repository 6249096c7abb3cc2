"""Loads settings in a process of its own, so that validation never holds up a tick.

Validation takes some milliseconds, all of them with the interpreter's lock held; what comes back costs the
daemon about 0.05 ms to unpack. Asked over its standard input, the process answers on its standard output:
four bytes of length, then a pickle. Both ends are this program's own; nothing else ever writes there.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import struct
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from bridge.settings.loading import Loaded, load_bytes
from bridge.settings.toml_text import Problem

PATIENCE = 10.0
"""A load may take this long, s; then the process is ended and the file refused."""
_LENGTH = struct.Struct("<I")
_NICER = 5
"""The process yields to the sim and to the tick."""


def _send(stream: IO[bytes], message: object) -> None:
    payload = pickle.dumps(message, protocol=5)
    stream.write(_LENGTH.pack(len(payload)) + payload)
    stream.flush()


def _receive(stream: IO[bytes]) -> Any:
    head = stream.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    return pickle.loads(stream.read(_LENGTH.unpack(head)[0]))


class SettingsWorker:
    """The daemon's side: one warm process, asked from a thread other than the tick's."""

    def __init__(self, patience: float = PATIENCE) -> None:
        self._patience = patience
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._closing = False

    def load(self, raw: bytes, path: Path, overrides: Mapping[str, Any]) -> Loaded:
        """Load a file's bytes as `load_settings` does; blocks until the answer is there. Thread-safe.

        Never raises: where the process fails twice or takes too long, that is the problem reported.
        """
        with self._lock:
            trouble = ""
            for _ in range(2):
                if self._closing:
                    break
                trouble = "the process that checks settings ended"
                late = threading.Event()
                try:
                    return self._ask(raw, path, overrides, late)
                except (OSError, EOFError, pickle.UnpicklingError):
                    self._end()
                if late.is_set():
                    trouble = f"checking took more than {self._patience:g} s"
                    break
            return Loaded(None, [Problem(str(path), 0, "", trouble, "save it again")], "", str(path))

    def start(self) -> None:
        """Start the process now, so that the first load is quick.

        Raises:
            OSError: the system starts no process.
        """
        with self._lock:
            self._running()

    def close(self) -> None:
        """End the process, also in the middle of a load."""
        self._closing = True
        if not self._lock.acquire(timeout=1.0):
            process = self._process
            if process is not None:
                process.kill()  # the load in the other thread sees the end of its pipe
            self._lock.acquire()
        try:
            self._end()
        finally:
            self._lock.release()

    def _ask(self, raw: bytes, path: Path, overrides: Mapping[str, Any], late: threading.Event) -> Loaded:
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None

        def give_up() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(self._patience, give_up)
        timer.daemon = True
        timer.start()
        try:
            _send(process.stdin, (raw, str(path), dict(overrides)))
            answer: Loaded = _receive(process.stdout)
        finally:
            timer.cancel()
            timer.join()
        return answer

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            self._process = _spawn()
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):  # what was still unsent has nobody to go to
                    stream.close()
        try:
            process.wait(1.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _spawn() -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "bridge.settings.worker"]
    errors = None if sys.stderr is not None else subprocess.DEVNULL  # pythonw has none to inherit
    if sys.platform == "win32":  # Ctrl-C is for the daemon alone; no console window appears
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, creationflags=flags
        )
    else:  # noqa: RET505 - mypy follows platform checks only through else
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, start_new_session=True
        )


def main() -> None:
    """Answer until the daemon closes the pipe."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            os.nice(_NICER)
    source, target = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # a stray print must not break the answers
    while True:
        try:
            raw, path, overrides = _receive(source)
        except EOFError:
            return
        _send(target, load_bytes(raw, Path(path), overrides))


if __name__ == "__main__":
    main()
