"""Plays the frames of a recording, as fast as they came, faster, or as fast as they are taken."""

from __future__ import annotations

from bisect import bisect_left
from itertools import chain
from pathlib import Path
from typing import Annotated

from pydantic import Field

from bridge.contract import NO_TYRE, Duration, Frame, Host, PluginSettings, Source, Tyre
from bridge.recording.reader import NotARecording, RecordedFrame, read_recording


class FileReplaySettings(PluginSettings):
    """Settings of the replay."""

    file: str
    """A recording."""
    speed: Annotated[float, Field(ge=0.0, le=1000.0)] = 1.0
    """1 = as recorded, 2 = twice as fast; 0 = a frame whenever one is asked for. At most a frame a tick."""
    start: Annotated[Duration, Field(ge=0.0)] = 0.0
    """Begin so long after the first frame."""
    repeat: bool = False
    """Begin again at the end."""


class FileReplay(Source[FileReplaySettings]):
    """Frames from a file; bit for bit those that were recorded, each of them once, in their order."""

    Settings = FileReplaySettings

    def __init__(self, settings: FileReplaySettings, host: Host) -> None:
        super().__init__(settings, host)
        self._frames: list[RecordedFrame] = []
        self._next = 0
        self._begin: float | None = None
        self._raw: bytes | None = None

    def open(self) -> None:
        """Read the frames of the file.

        Raises:
            ValueError: no such file, not a recording, or no frame in it after `start`.
        """
        path = Path(self.settings.file).expanduser()
        try:
            frames = read_recording(path, ("frames",)).frames
        except OSError as error:
            raise ValueError(f"{path} cannot be read: {error.strerror or error}") from None
        except NotARecording as error:
            raise ValueError(str(error)) from None
        begin = frames[0].arrival + self.settings.start if frames else 0.0
        self._frames = frames[bisect_left(frames, begin, key=lambda row: row.arrival) :]
        if not self._frames:
            raise ValueError(f"{path} has no frame after {self.settings.start} s")
        span = self._frames[-1].arrival - self._frames[0].arrival
        if span > 0.0:
            self.nominal_rate = (len(self._frames) - 1) / span * (self.settings.speed or 1.0)
        self.fields = _given(self._frames)
        self._next, self._begin, self._raw = 0, None, None

    def read(self) -> Frame | None:
        """See `Source.read`: the next frame, if it is due."""
        if self._next >= len(self._frames):
            if not self.settings.repeat or not self._frames:
                return None
            self._next, self._begin = 0, None
        row = self._frames[self._next]
        if self.settings.speed > 0.0:
            now = self.host.now()
            if self._begin is None:
                self._begin = now
            if row.arrival - self._frames[0].arrival > (now - self._begin) * self.settings.speed:
                return None
        self._next += 1
        self._raw = row.raw
        return row.frame

    def raw(self) -> bytes | None:
        """See `Source.raw`: the bytes that the sim gave, so that a replay recorded again keeps them."""
        return self._raw

    def close(self) -> None:
        """Forget the frames."""
        self._frames = []


def _given(rows: list[RecordedFrame]) -> frozenset[str]:
    """Names of the fields that any frame gives."""
    names: set[str] = set()
    for name in Frame._fields:
        if name != "tyres" and any(getattr(row.frame, name) is not None for row in rows):
            names.add(name)
    tyres = list(chain.from_iterable(row.frame.tyres or (NO_TYRE,) for row in rows))
    for name in Tyre._fields:
        if any(getattr(tyre, name) is not None for tyre in tyres):
            names.add(f"tyres.{name}")
    return frozenset(names)
