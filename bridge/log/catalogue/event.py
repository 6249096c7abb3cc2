"""What the catalogue says about one event."""

from __future__ import annotations

from typing import NamedTuple


class Event(NamedTuple):
    """An event's name is an API: it never changes its meaning."""

    name: str
    """snake_case; a thing, then what happened to it."""
    level: str
    """One of "info", "warning", "error"."""
    meaning: str
    """What happened, in plain words."""
    cause: str = ""
    """The likely cause."""
    ask: str = ""
    """What to ask the user."""
    do: str = ""
    """What to do."""
