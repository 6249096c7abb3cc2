"""Events of recordings."""

from bridge.log.catalogue.event import Event

RECORDING_STARTED = Event("recording_started", "info", "A recording is being written.")
RECORDING_KEPT = Event("recording_kept", "info", "The last minute was written to a file.")
RECORDING_FAILED = Event(
    "recording_failed",
    "warning",
    "The recording ended; the drive goes on. What was written so far can be read.",
    "The disk is full, the folder cannot be written, the recording reached most_space, or its process was "
    "ended (then it starts again by itself, with a new file).",
    "What reason does it give, and how much space is left on that disk?",
    "Make space or name another [sinks.recorder] folder, then save the settings.",
)
RECORDING_DROPPED = Event(
    "recording_dropped",
    "warning",
    "Something is missing from the recording, and it says where: the disk was slower than the drive.",
    "A slow or busy disk.",
    "Is the recordings folder on a network share or a memory card?",
    "Record to a local disk.",
)
