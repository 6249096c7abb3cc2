"""Reads a record that another process is writing, and never accepts half of one.

In this order, by what the layout names: a sequence lock (odd while writing, the same before and after); a
frame counter (the same before and after, and the same bytes twice); else the same bytes twice. Measured
against a writer that never pauses, 7 reads in 10 are torn without this. Only the lock is proof: a writer that
the system freezes in the middle of a record, without a lock, cannot be told from one that has finished.

This module does not know where the bytes come from.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from bridge.layout.model import Layout, Place

TRIES = 4
"""Reads before giving up until the next tick."""


class StableReader:
    """Takes stable, *new* records from a function that copies the bytes."""

    def __init__(self, layout: Layout, copy: Callable[[], bytes]) -> None:
        """`copy` returns the record's bytes as they are now (possibly torn); it may raise."""
        self._copy = copy
        self._last = b""
        self._last_mark: int | None = None
        self.torn = 0
        """Reads that were thrown away."""
        self.short = 0
        """Reads that gave fewer bytes than the record has."""
        self._size = layout.size
        counter = layout.fields.get("index")
        self._lock = _reader(layout, layout.lock)
        self._counter = _reader(layout, counter) if counter is not None else None

    def forget(self) -> None:
        """Treat the next record as new (after a sim restarted)."""
        self._last = b""
        self._last_mark = None

    def read(self) -> bytes | None:
        """Return a stable record that differs from the last one, or `None`."""
        if self._lock is not None:
            return self._by_lock(self._lock)
        if self._counter is not None:
            return self._by_counter(self._counter)
        return self._by_comparing()

    def _whole(self) -> bytes | None:
        record = self._copy()
        if len(record) < self._size:
            self.short += 1
            return None
        return record

    def _by_lock(self, lock: Callable[[bytes], int]) -> bytes | None:
        for _ in range(TRIES):
            record = self._whole()
            if record is None:
                return None
            mark = lock(record)
            if mark == self._last_mark:
                return None
            # The copy is not atomic: the lock must be even and not have moved, and no byte with it.
            if not mark & 1 and self._copy() == record:
                self._last_mark = mark
                return record
            self.torn += 1
        return None

    def _by_counter(self, counter: Callable[[bytes], int]) -> bytes | None:
        for _ in range(TRIES):
            record = self._whole()
            if record is None:
                return None
            mark = counter(record)
            if mark == self._last_mark:
                return None
            if self._copy() == record:
                self._last_mark = mark
                return record
            self.torn += 1
        return None

    def _by_comparing(self) -> bytes | None:
        for _ in range(TRIES):
            record = self._whole()
            if record is None or record == self._last:
                return None
            if self._copy() == record:
                self._last = record
                return record
            self.torn += 1
        return None


def _reader(layout: Layout, place: Place | None) -> Callable[[bytes], int] | None:
    if place is None:
        return None
    order = "<" if (place.byte_order or layout.byte_order) == "little" else ">"
    unpack, offset = struct.Struct(order + place.code).unpack_from, place.offset

    def value(record: bytes) -> int:
        return int(unpack(record, offset)[0])

    return value
