"""The last minute, in memory, with what was in force before it.

This module does not know files.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from math import isfinite
from typing import NamedTuple

MOST_BYTES = 64_000_000


class Item(NamedTuple):
    """One message."""

    now: float
    """Monotonic s."""
    channel: str
    payload: bytes
    state: str
    """What this message puts in force ("parameters", "settings", "calm"); empty: nothing."""


class Ring:
    """Bounded in time and in bytes. What falls out but is still in force is remembered."""

    def __init__(self, seconds: float, most_bytes: int = MOST_BYTES) -> None:
        self._seconds = seconds
        self._most_bytes = most_bytes
        self._items: deque[Item] = deque()
        self._in_force: dict[str, Item] = {}
        self._newest = 0.0
        self.bytes = 0
        """Bytes of payload that are kept."""

    def add(self, item: Item) -> None:
        """Keep a message; let go of what is too old or too much."""
        if not isfinite(item.now):  # else nothing would ever be older than it
            item = item._replace(now=self._newest)
        self._newest = item.now
        self._items.append(item)
        self.bytes += len(item.payload)
        while self._items and (
            abs(item.now - self._items[0].now) > self._seconds or self.bytes > self._most_bytes
        ):
            gone = self._items.popleft()
            self.bytes -= len(gone.payload)
            if gone.state:
                self._in_force[gone.state] = gone

    def everything(self) -> Iterator[Item]:
        """Return what was in force when the ring begins, then all of it in order."""
        yield from self._in_force.values()
        yield from self._items

    def in_force(self) -> list[Item]:
        """Return what is in force now."""
        newest = dict(self._in_force)
        newest.update({item.state: item for item in self._items if item.state})
        return list(newest.values())
