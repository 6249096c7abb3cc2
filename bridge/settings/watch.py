"""Sees that a settings file was saved, by whatever editor, and hands on what it now holds.

The *directory* is watched, since editors replace files; where the file is a link, the directory of its
target as well. Network shares get polled: they tell nobody of changes. A save that changes no byte is no
change. Loading happens in `SettingsWorker`'s process, the callback in this watcher's thread.

This module does not know what settings mean.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.polling import PollingObserver

from bridge.settings.loading import Loaded
from bridge.settings.worker import SettingsWorker

SETTLE = 0.04
"""An editor's last write is this long ago before the file is read, s."""
POLL = 0.1
"""Between two looks at a network share, s."""
RECHECK = 1.0
"""A look without any notice, s: a folder that was removed and made again sends none."""
_NETWORK = {
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "fuse.sshfs",
    "9p",
    "davfs",
    "afs",
    "fuse.gvfsd-fuse",
    "vboxsf",
}


def on_network(path: Path) -> bool:
    """Return whether a path lies on a file system that sends no notices (Linux; elsewhere by its name)."""
    if sys.platform == "win32":
        return str(path).startswith("\\\\")
    try:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return False
    best, kind = "", ""
    for line in mounts:
        _, mount, fs, *_ = line.split(" ")
        inside = str(path) == mount or str(path).startswith(mount.rstrip("/") + "/")
        if inside and len(mount) >= len(best):
            best, kind = mount, fs
    return kind in _NETWORK


class _Notices(FileSystemEventHandler):
    """Any notice from a watched directory wakes the watcher."""

    def __init__(self, wake: threading.Event) -> None:
        self._wake = wake

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Wake for anything but mere reading."""
        if event.event_type not in ("opened", "closed_no_write"):
            self._wake.set()


class SettingsWatch:
    """Watches one file from `start` to `stop`."""

    def __init__(
        self,
        path: Path,
        overrides: Mapping[str, Any],
        changed: Callable[[Loaded], None],
        trouble: Callable[[str], None],
        polling: bool | None = None,
    ) -> None:
        """`changed` gets every new content, good or bad; both callbacks run in the watcher's thread.

        Args:
            path: the settings file; it need not exist yet.
            overrides: see `load_settings`.
            changed: called once a change.
            trouble: called with a sentence when the folder cannot be watched.
            polling: `None` lets the kind of file system decide.
        """
        self.path = path
        self._overrides = overrides
        self._changed = changed
        self._trouble = trouble
        self._polling = on_network(path.resolve()) if polling is None else polling
        self._wake = threading.Event()
        self._stop_asked = threading.Event()
        self._seen = self._digest()
        self._worker = SettingsWorker()
        self._observer: Any = None
        self._thread = threading.Thread(target=self._run, name="draglink-settings", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._worker.start()
        self._watch()
        self._thread.start()

    def stop(self) -> None:
        """Stop watching; no callback comes after this."""
        self._stop_asked.set()
        self._wake.set()
        self._thread.join(5.0)
        self._unwatch()
        self._worker.close()

    def _folders(self) -> set[Path]:
        return {folder for folder in (self.path.parent, self.path.resolve().parent) if folder.is_dir()}

    def _watch(self) -> None:
        self._watched = self._folders()
        self._identity = self._identities()
        if not self._watched:
            return
        observer: Any = PollingObserver(timeout=POLL) if self._polling else Observer()
        try:
            for folder in self._watched:
                observer.schedule(_Notices(self._wake), str(folder), recursive=False)
            observer.start()
        except OSError as error:
            self._trouble(f"{', '.join(map(str, self._watched))}: {error.strerror or error}")
            return
        self._observer = observer

    def _unwatch(self) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(5.0)
            self._observer = None

    def _identities(self) -> set[tuple[str, int]]:
        found = set()
        for folder in self._watched:
            with contextlib.suppress(OSError):
                found.add((str(folder), os.stat(folder).st_ino))
        return found

    def _run(self) -> None:
        while not self._stop_asked.is_set():
            noticed = self._wake.wait(RECHECK)
            if self._stop_asked.is_set():
                return
            if noticed:
                self._settle()
            if self._folders() != self._watched or self._identities() != self._identity:
                self._unwatch()  # the folder was replaced, or a link points elsewhere now
                self._watch()
            digest = self._digest()
            if digest != self._seen and digest is not None:
                self._seen = digest
                self._changed(self._worker.load(self.path, self._overrides))

    def _settle(self) -> None:
        """Wait until no notice has come for `SETTLE`, but at most three times that."""
        for _ in range(3):
            self._wake.clear()
            if not self._wake.wait(SETTLE) or self._stop_asked.is_set():
                break
        self._wake.clear()

    def _digest(self) -> bytes | None:
        try:
            return hashlib.blake2b(self.path.read_bytes(), digest_size=16).digest()
        except OSError:
            return None
