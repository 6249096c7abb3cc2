"""Sees that a settings file was saved, by whatever editor, and hands on what it now holds.

The *directory* is watched, since editors replace files; where the file is a link, the directory of its
target as well. Network shares tell nobody of changes, so there the file itself is read again and again. A
save that changes no byte is no change. Checking happens in `SettingsWorker`'s process, the callback in this
watcher's thread.

This module does not know what settings mean.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

from bridge.settings.loading import Loaded
from bridge.settings.places import on_network
from bridge.settings.toml_text import LARGEST_FILE
from bridge.settings.worker import SettingsWorker

SETTLE = 0.04
"""An editor's last write is this long ago before the file is read, s."""
POLL = 0.1
"""Between two reads of a file on a network share, s."""
RECHECK = 0.2
"""Between two glances (no read) without any notice, s: a folder that was replaced sends none."""
POLLING: Mapping[str, bool | None] = {"auto": None, "notices": False, "polling": True}
"""What the words of [service] watch mean for `SettingsWatch`."""
_READING = ("opened", "closed_no_write")

Identity = tuple[int, ...]


class _Notices(FileSystemEventHandler):
    """Any notice from a watched directory wakes the watcher."""

    def __init__(self, wake: Callable[[], None], folder_gone: Callable[[], None], folder: str) -> None:
        self._wake = wake
        self._folder_gone = folder_gone
        self._folder = folder

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Wake for anything but mere reading."""
        if event.event_type in ("deleted", "moved") and event.src_path == self._folder:
            self._folder_gone()
        if event.event_type not in _READING:
            self._wake()


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
        self.polling = on_network(path.resolve()) if polling is None else polling
        """Whether the file is read again and again."""
        self._wake = threading.Event()
        self._stop_asked = threading.Event()
        self._stale = threading.Event()
        raw = self._read()
        self._seen = _digest(raw) if raw is not None else b""
        self._glance = self._identity(path)
        self._watched: dict[Path, Identity] = {}
        self._worker = SettingsWorker()
        self._observer: Any = None
        self._thread = threading.Thread(target=self._run, name="draglink-settings", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        try:
            self._worker.start()
        except OSError as error:
            self._trouble(f"no process to check settings with: {error.strerror or error}")
        self._watch()
        self._thread.start()

    def stop(self) -> None:
        """Stop watching; no callback comes after this."""
        self._stop_asked.set()
        self._wake.set()
        self._worker.close()
        self._thread.join()
        self._unwatch()

    # -------------------------------------------------------------------------------- the folders

    def _folders(self) -> dict[Path, Identity]:
        """Return the folders to watch that exist, and which folders they are at this moment."""
        found: dict[Path, Identity] = {}
        for folder in (self.path.parent, Path(os.path.realpath(self.path)).parent):
            with contextlib.suppress(OSError):
                info = os.stat(folder)
                if stat.S_ISDIR(info.st_mode):
                    found[folder] = (info.st_dev, info.st_ino)
        return found

    def _watch(self) -> None:
        self._stale.clear()
        self._watched = self._folders()
        if not self._watched or self.polling:
            return
        observer: Any = Observer()
        try:
            for folder in self._watched:
                notices = _Notices(self._wake.set, self._stale.set, str(folder))
                observer.schedule(notices, str(folder), recursive=False)
            observer.start()
        except OSError as error:  # no more watches, or a folder that went away just now
            with contextlib.suppress(RuntimeError):  # some of its threads may not have started
                observer.stop()
                observer.join(1.0)
            self.polling = True
            self._trouble(f"{', '.join(map(str, self._watched))}: {error.strerror or error}")
            return
        self._observer = observer

    def _unwatch(self) -> None:
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            observer.join(5.0)

    # -------------------------------------------------------------------------------- the thread

    def _run(self) -> None:
        while True:
            noticed = self._wake.wait(POLL if self.polling else RECHECK)
            if self._stop_asked.is_set():
                return
            if noticed:
                self._settle()
            if self._stale.is_set() or self._folders() != self._watched:
                self._unwatch()  # the folder was replaced, or a link points elsewhere now
                self._watch()
            glance = self._identity(self.path)
            if noticed or self.polling or glance != self._glance:
                self._glance = glance
                self._look()

    def _settle(self) -> None:
        """Wait until no notice has come for `SETTLE`, but at most three times that."""
        for _ in range(3):
            self._wake.clear()
            if not self._wake.wait(SETTLE) or self._stop_asked.is_set():
                break
        self._wake.clear()

    def _look(self) -> None:
        """Read the file; hand on what is new."""
        raw = self._read()
        if raw is None or _digest(raw) == self._seen:
            return
        if self.polling or not raw.strip():  # half a save: no notice says that more is to come
            self._stop_asked.wait(SETTLE)
            if self._read() != raw:
                self._wake.set()
                return
        self._seen = _digest(raw)
        loaded = self._worker.load(raw, self.path, self._overrides)
        if self._stop_asked.is_set():
            return
        try:
            self._changed(loaded)
        except Exception as error:  # whoever listens: the next save has to be seen as well
            self._trouble(f"a change was not taken: {type(error).__name__}: {error}")

    def _read(self) -> bytes | None:
        """Return the file's bytes, one more than allowed at most; `None` where there is no file."""
        try:
            if not stat.S_ISREG(self.path.stat().st_mode):
                return None
            with self.path.open("rb") as file:
                return file.read(LARGEST_FILE + 1)
        except OSError:
            return None

    @staticmethod
    def _identity(path: Path) -> Identity:
        try:
            info = path.stat()
        except OSError:
            return ()
        return (info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns)


def _digest(raw: bytes) -> bytes:
    return hashlib.blake2b(raw, digest_size=16).digest()
