"""Plays the frames of a recording, as fast as they came, faster, or as fast as they are taken."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from bridge.contract import Duration, Frame, Host, PluginSettings, Source
from bridge.recording.reader import NotARecording, RecordedFrame, read_recording


class FileReplaySettings(PluginSettings):
    """Settings of the replay."""

    file: str
    """A recording."""
    speed: Annotated[float, Field(ge=0.0, le=1000.0)] = 1.0
    """1 = as recorded, 2 = twice as fast; 0 = a frame whenever one is asked for."""
    start: Annotated[Duration, Field(ge=0.0)] = 0.0
    """Begin so long after the first frame."""
    repeat: bool = False
    """Begin again at the end."""


class FileReplay(Source[FileReplaySettings]):
    """Frames from a file; bit for bit those that were recorded."""

    Settings = FileReplaySettings

    def __init__(self, settings: FileReplaySettings, host: Host) -> None:
        super().__init__(settings, host)
        self._frames: list[RecordedFrame] = []
        self._next = 0
        self._begin: float | None = None
        self._raw: bytes | None = None

    def open(self) -> None:
        """Read the file.

        Raises:
            ValueError: no such file, not a recording, or no frame in it after `start`.
        """
        path = Path(self.settings.file).expanduser()
        try:
            recording = read_recording(path)
        except (OSError, NotARecording) as error:
            raise ValueError(str(error)) from None
        frames = recording.frames
        first = frames[0].arrival if frames else 0.0
        self._frames = [row for row in frames if row.arrival - first >= self.settings.start]
        if not self._frames:
            raise ValueError(f"{path} has no frame after {self.settings.start} s")
        span = self._frames[-1].arrival - self._frames[0].arrival
        if span > 0.0:
            self.nominal_rate = (len(self._frames) - 1) / span * (self.settings.speed or 1.0)
        self.fields = frozenset(_given(self._frames[0].frame))
        self._next, self._begin = 0, None

    def read(self) -> Frame | None:
        """See `Source.read`: the newest frame that is due."""
        now = self.host.now()
        if self._next >= len(self._frames):
            if not self.settings.repeat:
                return None
            self._next, self._begin = 0, None
        if self._begin is None:
            self._begin = now
        row = self._frames[self._next]
        if self.settings.speed > 0.0:
            first = self._frames[0].arrival
            if row.arrival - first > (now - self._begin) * self.settings.speed:
                return None
        self._next += 1
        self._raw = row.raw
        return row.frame

    def raw(self) -> bytes | None:
        """See `Source.raw`."""
        return self._raw

    def close(self) -> None:
        """Forget the frames."""
        self._frames = []


def _given(frame: Frame) -> set[str]:
    names = {name for name, value in frame._asdict().items() if value is not None and name != "tyres"}
    if frame.tyres is not None:
        names |= {
            f"tyres.{name}" for name, value in frame.tyres.front_left._asdict().items() if value is not None
        }
    return names
