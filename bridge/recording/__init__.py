"""Recordings: MCAP files of everything that goes into the force path and comes out. See FORMAT.md."""

from bridge.recording.reader import Recording, read_recording

__all__ = ["Recording", "read_recording"]
