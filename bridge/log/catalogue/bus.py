"""Events of the bus."""

from bridge.log.catalogue.event import Event

BUS_OPENED = Event("bus_opened", "info", "State is published and requests are answered.")
BUS_FAILED = Event(
    "bus_failed",
    "error",
    "The bus cannot be opened; 'draglink live' and 'calm' do not work, the rest does.",
    "Another program has the port.",
    "Does an older draglink still run?",
    "Choose other ports in [bus], or 0 for any free one.",
)
REQUEST_REFUSED = Event(
    "request_refused",
    "warning",
    "A request on the bus made no sense and was refused.",
    "A program of another version, or not ours at all.",
    "What else talks to this port?",
    "Nothing, if it happens once.",
)
KEEP_ASKED = Event("keep_asked", "info", "Somebody asked to keep the last minute.")
