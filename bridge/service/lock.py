"""One instance at a time: a locked file that holds the pid of the one that runs.

The operating system drops the lock when the process ends, however it ends; a stale file never blocks.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import IO

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

_LOCKED_BYTE = 4096
"""Where the Windows lock sits: beyond the text, so that others can still read the pid."""


class AlreadyRunning(Exception):
    """Another instance holds the lock."""

    def __init__(self, pid: int | None, path: Path) -> None:
        who = f"pid {pid}" if pid else "its pid is not readable"
        super().__init__(
            f"draglink runs already ({who}). Stop that one first: 'kill {pid or 'PID'}', "
            f"or close its window; 'draglink live' shows it. The lock is {path}."
        )
        self.pid = pid


class InstanceLock:
    """Holds the lock from `acquire` to `release`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: IO[str] | None = None

    def acquire(self) -> None:
        """Take the lock and write our pid.

        Raises:
            AlreadyRunning: another process holds it; with its pid.
            OSError: the folder cannot be written.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        file = self.path.open("a+", encoding="ascii")
        try:
            _lock(file)
        except OSError:
            file.seek(0)
            text = file.read(32).strip()
            file.close()
            raise AlreadyRunning(int(text) if text.isdigit() else None, self.path) from None
        file.seek(0)
        file.truncate()
        file.write(f"{os.getpid()}\n")
        file.flush()
        self._file = file

    def release(self) -> None:
        """Give the lock back; may be called twice."""
        if self._file is not None:
            with contextlib.suppress(OSError, ValueError):
                self._file.seek(0)
                self._file.truncate()
            self._file.close()  # closing drops the lock
            self._file = None


def _lock(file: IO[str]) -> None:
    if sys.platform == "win32":
        file.seek(_LOCKED_BYTE)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
