"""Every event there is: what it means, why it likely happened, what to ask, what to do."""

from bridge.log.catalogue import bus, force, recording, service, settings, sink, source
from bridge.log.catalogue.event import Event

CATALOGUE: dict[str, Event] = {
    value.name: value
    for module in (service, settings, source, sink, force, recording, bus)
    for value in vars(module).values()
    if isinstance(value, Event)
}
"""Name -> event."""

__all__ = ["CATALOGUE", "Event"]
