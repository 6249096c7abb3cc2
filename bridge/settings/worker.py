"""Loads settings in a process of its own, so that validation never holds up a tick.

Asked over its standard input, it answers on its standard output: four bytes of length, then a pickle.
Both ends are this program's own; nothing else ever writes there.
"""

from __future__ import annotations

import pickle
import struct
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from bridge.settings.loading import Loaded, load_settings

_LENGTH = struct.Struct("<I")


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

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def load(self, path: Path, overrides: Mapping[str, Any]) -> Loaded:
        """Load a file as `load_settings` does; blocks until the answer is there. Thread-safe."""
        with self._lock:
            for attempt in range(2):
                process = self._running()
                assert process.stdin is not None
                assert process.stdout is not None
                try:
                    _send(process.stdin, (str(path), dict(overrides)))
                    answer: Loaded = _receive(process.stdout)
                except (OSError, EOFError, pickle.UnpicklingError):
                    self._end()
                    if attempt:
                        raise
                else:
                    return answer
        raise AssertionError("both attempts either return or raise")

    def start(self) -> None:
        """Start the process now, so that the first load is quick."""
        with self._lock:
            self._running()

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._end()

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            self._process = subprocess.Popen(
                [sys.executable, "-m", "bridge.settings.worker"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                start_new_session=sys.platform != "win32",  # Ctrl-C is for the daemon alone
            )
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                stream.close()
        try:
            process.wait(1.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def main() -> None:
    """Answer until the daemon closes the pipe."""
    source, target = sys.stdin.buffer, sys.stdout.buffer
    while True:
        try:
            path, overrides = _receive(source)
        except EOFError:
            return
        _send(target, load_settings(Path(path), overrides))


if __name__ == "__main__":
    main()
