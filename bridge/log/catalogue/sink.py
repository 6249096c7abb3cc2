"""Events of sinks and devices."""

from bridge.log.catalogue.event import Event

SINK_OPENED = Event("sink_opened", "info", "The sink takes commands.")
SINK_AWAITED = Event(
    "sink_awaited",
    "info",
    "The device is not there yet; the daemon waits for it.",
    "It is unplugged, switched off, or named differently in the settings.",
    "Is the wheel powered and plugged in? What does 'draglink devices' list?",
    "Plug it in, or pick it anew from 'draglink devices'.",
)
SINK_BLOCKED = Event(
    "sink_blocked",
    "warning",
    "A write to the device has not returned for more than 100 ms; ticks go on.",
    "The device or its USB port is overloaded, or its driver hangs.",
    "Is it on a hub? Does another program use it?",
    "Plug it into the machine itself; lower [wheel] update_rate.",
)
DEVICE_CHOSEN = Event("device_chosen", "info", "The device that is driven, and how it was picked.")
DEVICE_LOST = Event(
    "device_lost",
    "warning",
    "The device vanished; the daemon waits for it to come back.",
    "Unplugged, switched off, or the port reset.",
    "Did the cable move? Did the wheel restart itself?",
    "Check cable, power and port; the torque fades in when it is back.",
)
