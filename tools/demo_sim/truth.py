"""The truth file: what Saltmarsh computed at 1 kHz, so that others can be compared with it.

Rows of 48 bytes, little endian, no header: f64 machine's clock (monotonic s), f64 sim clock (s), u32 frame
counter, f32 road-wheel angle (rad), f32 torque at the rim (N m), f32 speed (m/s), f32 lateral acceleration
(m/s2), u8 state, u8 surface of the front left and right tyre, 5 bytes nothing. ISO 8855 signs. A row's clock
is when that millisecond of physics *happened*: one frame before the frame that carries it was published.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, NamedTuple

ROW = struct.Struct("<ddIffffBBB5x")


class Row(NamedTuple):
    """One millisecond of truth."""

    time: float
    clock: float
    frame: int
    steer: float
    torque: float
    speed: float
    ay: float
    state: int
    left: int
    right: int


class TruthWriter:
    """Collects rows and writes them a frame at a time."""

    def __init__(self, path: Path) -> None:
        self._file: BinaryIO = path.open("wb")

    def write(self, rows: Sequence[Row]) -> None:
        """Append rows."""
        self._file.write(b"".join(ROW.pack(*row) for row in rows))

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def read(path: Path) -> list[Row]:
    """Return all whole rows of a truth file."""
    data = path.read_bytes()
    whole = len(data) - len(data) % ROW.size
    return [Row._make(values) for values in ROW.iter_unpack(data[:whole])]


class Comparison(NamedTuple):
    """How a torque followed the truth."""

    delay: float
    """s, by the best match of shifted signals."""
    error: float
    """RMS of the difference over RMS of the truth, without any shift."""
    error_shifted: float
    """The same once the delay is taken out."""
    samples: int


def compare(truth: Sequence[tuple[float, float]], other: Sequence[tuple[float, float]]) -> Comparison:
    """Compare two torques given as rising (time s, N m); only where both exist.

    The delay is searched in steps of 2 ms up to 0.2 s.
    """
    times = [t for t, _ in truth]
    values = [v for _, v in truth]
    picked = other[:: max(1, len(other) // 4000)]

    def error(shift: float) -> tuple[float, int]:
        total = power = 0.0
        count = 0
        for time, torque in picked:
            place = bisect_right(times, time - shift) - 1
            if place < 0 or time - shift > times[-1] or time - shift - times[place] > 0.05:
                continue
            total += (torque - values[place]) ** 2
            power += values[place] ** 2
            count += 1
        return ((total / power) ** 0.5 if power else 0.0), count

    plain, count = error(0.0)
    if not count:
        return Comparison(0.0, 0.0, 0.0, 0)
    best = min((error(0.002 * step)[0], 0.002 * step) for step in range(101))
    return Comparison(best[1], plain, best[0], count)
