"""Events of the service itself."""

from bridge.log.catalogue.event import Event

SESSION_STARTED = Event(
    "session_started",
    "info",
    "The daemon started; with its versions, platform and settings.",
)
SESSION_ENDED = Event("session_ended", "info", "The daemon ended in order; the device is at zero torque.")
TIMING_GRANTED = Event(
    "timing_granted",
    "info",
    "What the system grants for punctual ticks.",
)
TICKS_SKIPPED = Event(
    "ticks_skipped",
    "warning",
    "The force path missed deadlines; the torque was held meanwhile.",
    "The machine is busy, was suspended, or another program hogs a core.",
    "Does the sim use all cores? Was the machine asleep? Is it on battery?",
    "Close what hogs the processor, or lower [service] tick_rate to 500 Hz.",
)
TORQUE_CALMED = Event("torque_calmed", "warning", "The user asked for calm: zero torque until resumed.")
TORQUE_RESUMED = Event("torque_resumed", "info", "Calm ended; the torque fades in.")
SUPERVISOR_STARTED = Event("supervisor_started", "info", "An independent process watches the force path.")
SUPERVISOR_LOST = Event(
    "supervisor_lost",
    "error",
    "The process that cuts the device when the daemon hangs is gone; a new one was started.",
    "Something ended it: a task killer, the out-of-memory killer, a user.",
    "Does a cleaning tool run on this machine?",
    "Nothing, if it happens once. Otherwise look in the system's own log for who ended it.",
)
DEVICE_CUT = Event(
    "device_cut",
    "error",
    "The supervisor took the force off the device because the force path had stopped.",
    "The daemon hung or was stopped for more than 100 ms; a machine that swaps or sleeps does that too.",
    "What happened on the machine at that moment? Was it suspended, did it swap?",
    "If it repeats: send the recording and this log.",
)
INTERNAL_ERROR = Event(
    "internal_error",
    "error",
    "A part of the daemon failed in a way nobody foresaw; the rest went on.",
    "A fault of ours.",
    "What were you doing just before?",
    "Send this log; the traceback in it says where.",
)
