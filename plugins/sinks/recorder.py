"""Records everything that goes into the force path and comes out; see the project's recording format.

The last minute is always kept in memory; `draglink keep` writes it to a file. In mode "full" everything is
written from the start. The files are written, and old ones deleted, by a process of its own.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from bridge.contract import Duration, Host, Observer, PluginSettings, Size, Tick
from bridge.recording.feed import Feed
from bridge.recording.files import new_name
from bridge.recording.process import Options
from bridge.settings.places import recordings_folder

_NAMES: set[str] = set()
"""File names that this process has given out."""


class RecorderSettings(PluginSettings):
    """Settings of the recorder."""

    mode: Literal["last_minute", "full"] = "last_minute"
    """Either "last_minute" (only what is asked to be kept is written) or "full" (all from the start)."""
    folder: str = ""
    """Where recordings go; empty: the user's data folder."""
    keep_time: Annotated[Duration, Field(ge=5.0, le=600.0)] = 60.0
    """How much is kept in memory."""
    most_space: Annotated[Size, Field(ge=1e6, le=1e13)] = 2e9
    """Oldest recordings are deleted beyond this size, when a new one starts; one that reaches it ends."""
    longest_age: Annotated[Duration, Field(ge=3600.0)] = 30 * 86400.0
    """Recordings older than this are deleted, when a new one starts."""


class Recorder(Observer[RecorderSettings]):
    """Feeds the recorder's process."""

    Settings = RecorderSettings
    virtual: ClassVar[bool] = True

    def __init__(self, settings: RecorderSettings, host: Host) -> None:
        super().__init__(settings, host)
        self._feed: Feed | None = None
        self.path: Path | None = None
        """The file that was begun last, in mode "full"."""

    @property
    def folder(self) -> Path:
        """Where recordings go."""
        return Path(self.settings.folder).expanduser() if self.settings.folder else recordings_folder()

    def open(self) -> None:
        """Start the process and, in full mode, a file."""
        settings, wheel = self.settings, self.host.wheel
        options = Options(settings.keep_time, settings.most_space, settings.longest_age)
        facts = {"wheel": {"peak_torque": wheel.peak_torque, "rotation": wheel.rotation}}
        feed = Feed(settings.keep_time, self._tell, options, facts, self._next_file)
        path = self._next_file()
        if path is not None:
            feed.open(path)
        self._feed = feed

    def observe(self, tick: Tick) -> None:
        """Take note of a tick."""
        feed = self._feed
        if feed is not None:
            feed.tick(tick)

    def note(self, kind: str, time: float, content: dict[str, object]) -> None:
        """Take note of another input or an event.

        Beside the kinds of `Observer.note`: "settings" (file and text) and "about" (facts of the session).
        """
        feed = self._feed
        if feed is None:
            return
        if kind == "event":
            feed.note("events", {**content, "wall": content.get("time"), "time": time})
        elif kind == "settings":
            feed.note("settings", {**content, "time": time})
        elif kind == "about":
            feed.tell_about(content)
        else:
            feed.note("inputs", {"time": time, "kind": kind, "content": content})

    def keep(self) -> Path:
        """Write the last minute to a new file; return its path at once, before it is written.

        Raises:
            ValueError: the recorder does not run.
        """
        if self._feed is None or not self._feed.alive:
            raise ValueError("the recorder does not run")
        path = self._new_path()
        self._feed.keep(path)
        return path

    def close(self) -> None:
        """Finish the file."""
        feed, self._feed = self._feed, None
        if feed is not None:
            feed.close()

    def _tell(self, event: str, facts: dict[str, Any]) -> None:
        self.host.notice(event, **facts)

    def _next_file(self) -> Path | None:
        """Where everything is to be written, in full mode; also after the process had to start again."""
        if self.settings.mode == "full":
            self.path = self._new_path()
            return self.path
        return None

    def _new_path(self) -> Path:
        return self.folder / new_name(_NAMES, os.getpid())
