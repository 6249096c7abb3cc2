"""Percentiles of durations without keeping them: a histogram of microseconds.

Exact to 1 us below `LIMIT_US`; constant memory, constant time per sample.
"""

from __future__ import annotations

from typing import TypedDict

LIMIT_US = 20_000


class Percentiles(TypedDict):
    """Microseconds."""

    p50: float
    p99: float
    p999: float


class Histogram:
    """Counts durations by whole microseconds."""

    __slots__ = ("_counts", "count", "worst")

    def __init__(self) -> None:
        self._counts = [0] * (LIMIT_US + 1)
        self.count = 0
        self.worst = 0
        """The longest seen, us."""

    def add_ns(self, duration: int) -> None:
        """Add a duration in ns; negative counts as 0, beyond the limit as the limit."""
        us = duration // 1000
        self.worst = max(self.worst, us)
        self._counts[0 if us < 0 else min(LIMIT_US, us)] += 1
        self.count += 1

    def percentiles(self) -> Percentiles:
        """Return p50, p99 and p99.9 in us (0 while empty); costs one pass over the histogram."""
        wanted = [0.5 * self.count, 0.99 * self.count, 0.999 * self.count]
        found: list[float] = []
        seen = 0
        for us, n in enumerate(self._counts):
            seen += n
            while len(found) < 3 and seen >= wanted[len(found)] and seen:
                found.append(float(us))
            if len(found) == 3:
                break
        found += [0.0] * (3 - len(found))
        return {"p50": found[0], "p99": found[1], "p999": found[2]}
