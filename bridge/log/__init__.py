"""The log: a catalogue of events, where they are written, and what a log means to a support person."""

from bridge.log.catalogue import CATALOGUE, Event
from bridge.log.setup import Log

__all__ = ["CATALOGUE", "Event", "Log"]
