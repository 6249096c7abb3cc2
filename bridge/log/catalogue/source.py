"""Events of sources and of the frames they bring."""

from bridge.log.catalogue.event import Event

SOURCE_OPENED = Event("source_opened", "info", "The source runs; frames can come.")
SOURCE_AWAITED = Event(
    "source_awaited",
    "info",
    "The sim is not there yet; the daemon waits for it.",
    "The sim is not running, or exports under another name.",
    "Is the sim running? Is it the patched build that exports its physics?",
    "Start the sim. If it runs, compare [source] name with what the sim exports.",
)
SOURCE_REPLACED = Event(
    "source_replaced",
    "info",
    "The sim made its shared memory anew (it restarted); the daemon follows.",
)
SOURCE_EXPOSED = Event(
    "source_exposed",
    "warning",
    "The UDP source listens beyond this machine.",
    "[source] host is not a loopback address.",
    "Does the sim run on another machine?",
    "If it runs on this one, remove [source] host. If not, name it in [source] allowed_senders.",
)
PLUGIN_FAILED = Event(
    "plugin_failed",
    "error",
    "A plugin raised an error; it was isolated and will be opened again. Reported once per cause.",
    "A fault in the plugin, or a thing it relies on went away.",
    "Is it a plugin of your own? Did a device or a file vanish?",
    "The place names file and line. 'draglink check PATH' examines a plugin.",
)
PLUGIN_UNAVAILABLE = Event(
    "plugin_unavailable",
    "error",
    "A configured plugin cannot be used at all; everything else runs.",
    "A package is missing, the file has an error, or its settings are wrong.",
    "Was it installed or changed recently?",
    "The reason says what to do, a pip line included where a package is missing.",
)
FRAMES_STARTED = Event("frames_started", "info", "Frames arrive; with the torque model they allow.")
FRAMES_STALLED = Event(
    "frames_stalled",
    "warning",
    "No good frame for longer than the stall time; the torque faded to zero.",
    "The sim paused, loads, crashed, or hangs.",
    "Was the sim in a menu, or did it freeze?",
    "If it happens while driving: the recording shows the spacing of frames.",
)
FRAMES_RETURNED = Event("frames_returned", "info", "Good frames again; the torque fades in.")
FRAME_REJECTED = Event(
    "frame_rejected",
    "warning",
    "A frame held values that no car can have, or out of order in time; it was not used.",
    "A wrong layout (offset, type, version), torn reads, or a sim that writes nonsense in its menus.",
    "Which version of the sim is it? Was the layout made for it?",
    "Look at the cause: not_finite and out_of_range point to the layout, time_* to the transport.",
)
RECORD_REJECTED = Event(
    "record_rejected",
    "warning",
    "Bytes from the sim are not the record that the layout describes.",
    "A layout for another version, or another program sends to this port.",
    "Which version of the sim is it?",
    "Compare the layout's size and constant bytes with what the sim exports.",
)
READS_TORN = Event(
    "reads_torn",
    "warning",
    "Records were being written while they were read; those reads were discarded.",
    "Normal now and then. Often: the layout names no sequence lock or counter.",
    "",
    "Name the sequence lock or the frame counter in the layout.",
)
MODEL_CHOSEN = Event(
    "model_chosen",
    "info",
    "The torque model that the frames allow; with what a better one would need.",
)
