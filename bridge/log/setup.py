"""Where events go: JSON lines in a rotating file, readable lines on the console.

Whoever emits only puts a record into a bounded queue; one thread writes. Events that repeat within a window
are counted and summed up, not repeated. This module does not know what the events mean (the catalogue does).
"""

from __future__ import annotations

import logging
import logging.handlers
import queue
import sys
import threading
import time
from collections.abc import Callable, MutableMapping
from pathlib import Path
from typing import Any

import orjson
import structlog

from bridge.log.catalogue import CATALOGUE, Event

_QUEUE = 2000
"""Records that wait to be written; more are dropped and counted."""
FILE_NAME = "draglink.jsonl"


class _Repeats:
    """Counts events with the same name and the same telling facts."""

    def __init__(self, window: float) -> None:
        self._window = window
        self._seen: dict[tuple[str, str], tuple[float, int, dict[str, Any]]] = {}

    def first(self, now: float, name: str, facts: dict[str, Any]) -> bool:
        """Return whether this one is to be written; else it is only counted."""
        key = (name, str(facts.get("cause") or facts.get("plugin") or facts.get("guard") or ""))
        held = self._seen.get(key)
        if held is not None and now - held[0] < self._window:
            self._seen[key] = (held[0], held[1] + 1, facts)
            return False
        self._seen[key] = (now, 0, facts)
        return True

    def due(self, now: float, everything: bool = False) -> list[tuple[str, int, dict[str, Any]]]:
        """Return (name, times, last facts) of what was held back long enough, and forget it."""
        found = []
        for key, (since, times, facts) in list(self._seen.items()):
            if everything or now - since >= self._window:
                del self._seen[key]
                if times:
                    found.append((key[0], times, facts))
        return found


class Log:
    """The session's log; thread-safe; `emit` never blocks and never raises."""

    def __init__(self, folder: Path | None, console: bool, level: str = "info", **limits: float) -> None:
        """Open the log.

        Args:
            folder: where the file goes; `None`: no file.
            console: whether readable lines go to standard error (if there is one).
            level: least level that is written.
            limits: `file_size` (bytes), `files`, `repeat_window` (s).
        """
        self.path = folder / FILE_NAME if folder is not None else None
        self.trouble = ""
        """Why there is no file, if there is none though one was asked for."""
        self.dropped = 0
        self.listeners: list[Callable[[str, dict[str, Any]], None]] = []
        """Called with every event written (name, facts), in the emitter's thread."""
        self._level = getattr(logging, level.upper())
        self._repeats = _Repeats(limits.get("repeat_window", 10.0))
        self._lock = threading.Lock()
        self._queue: queue.Queue[tuple[str, dict[str, Any]] | None] = queue.Queue(_QUEUE)
        self._writers = self._open(console, int(limits.get("file_size", 2e6)), int(limits.get("files", 5)))
        self._thread = threading.Thread(target=self._write, name="draglink-log", daemon=True)
        self._thread.start()

    def _open(self, console: bool, size: int, files: int) -> list[Any]:
        writers: list[Any] = []
        shared = [structlog.processors.add_log_level]
        if self.path is not None:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._file = logging.handlers.RotatingFileHandler(
                    self.path, "a", size, files, encoding="utf-8"
                )
                writers.append(
                    structlog.wrap_logger(
                        _FileLogger(self._file),
                        [*shared, _json],
                        wrapper_class=structlog.make_filtering_bound_logger(self._level),
                        cache_logger_on_first_use=True,
                    )
                )
            except OSError as error:
                self.trouble = f"no log file at {self.path}: {error.strerror or error}"
        if console and sys.stderr is not None:
            pretty = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), pad_event_to=22)
            writers.append(
                structlog.wrap_logger(
                    structlog.PrintLogger(sys.stderr),
                    [*shared, _clock, pretty],
                    wrapper_class=structlog.make_filtering_bound_logger(self._level),
                    cache_logger_on_first_use=True,
                )
            )
        return writers

    def emit(self, event: Event | str, **facts: Any) -> None:
        """Write an event of the catalogue; repeated ones are counted."""
        name = event.name if isinstance(event, Event) else event
        with self._lock:
            first = self._repeats.first(time.monotonic(), name, facts)
        if first:
            self._put(name, facts)

    def flush_repeats(self) -> None:
        """Write what was held back for long enough; call it about once a second."""
        with self._lock:
            due = self._repeats.due(time.monotonic())
        for name, times, facts in due:
            self._put(name, {**facts, "repeated": times})

    def close(self) -> None:
        """Write everything that waits and close the file."""
        with self._lock:
            due = self._repeats.due(time.monotonic(), everything=True)
        for name, times, facts in due:
            self._put(name, {**facts, "repeated": times})
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join(5.0)
        if self.path is not None and not self.trouble:
            self._file.close()

    def _put(self, name: str, facts: dict[str, Any]) -> None:
        record = {"time": time.time(), **facts}
        for listener in self.listeners:
            listener(name, record)
        try:
            self._queue.put_nowait((name, record))
        except queue.Full:
            self.dropped += 1

    def _write(self) -> None:
        while (item := self._queue.get()) is not None:
            name, record = item
            event = CATALOGUE.get(name)
            level = event.level if event is not None else "error"
            for writer in self._writers:
                try:
                    getattr(writer, level)(name, **record)
                except Exception as error:  # a full disk or a closed terminal must not end the log
                    self.trouble = f"{type(error).__name__}: {error}"


class _FileLogger:
    """Takes finished lines for the rotating file."""

    def __init__(self, handler: logging.handlers.RotatingFileHandler) -> None:
        self._handler = handler

    def msg(self, line: str) -> None:
        """Write one line."""
        self._handler.emit(logging.LogRecord("draglink", logging.INFO, "", 0, line, None, None))

    debug = info = warning = error = msg


def _json(_: Any, __: str, event: MutableMapping[str, Any]) -> str:
    return orjson.dumps(event, default=str).decode()


def _clock(_: Any, __: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    stamp = event.pop("time", None)
    if stamp is not None:
        event["timestamp"] = time.strftime("%H:%M:%S", time.localtime(stamp))
    return event
