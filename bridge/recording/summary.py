"""Figures of a drive, computed from its recording alone: nothing here trusts the daemon's own counters."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from typing import Any

from bridge.contract import Guard
from bridge.recording.reader import Recording

_FREE = int(Guard.CUT)
_LONGEST_STEP = 0.005


def percentiles(values: Sequence[float]) -> dict[str, float]:
    """Return p50, p99 and p99.9 of some numbers (0 for none)."""
    ordered = sorted(values)
    if not ordered:
        return {"p50": 0.0, "p99": 0.0, "p999": 0.0}
    last = len(ordered) - 1
    return {
        name: round(ordered[min(last, int(share * len(ordered)))], 1)
        for name, share in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999))
    }


def summarise(recording: Recording, published: Callable[[bytes], float] | None = None) -> dict[str, Any]:
    """Return the figures of a drive.

    Args:
        recording: a recording with at least one tick.
        published: returns the machine's clock (monotonic s) at which the sim published a record, from the
            record's bytes; without it there is no latency.
    """
    ticks = recording.ticks
    now, torque = ticks["now"], ticks["torque"]
    begin, end = _driving_window(recording)
    inside = range(bisect_left(now, begin), bisect_left(now, end))
    ceilings = _ceilings(recording)
    span = now[inside[-1]] - now[inside[0]] if len(inside) > 1 else 0.0
    arrivals = [row.arrival for row in recording.frames]
    frame_span = arrivals[-1] - arrivals[0] if len(arrivals) > 1 else 0.0
    window = [torque[i] for i in inside]
    return {
        "seconds": round(span, 3),
        "source_rate_hz": round((len(arrivals) - 1) / frame_span, 3) if frame_span else 0.0,
        "output_rate_hz": round((len(inside) - 1) / span, 2) if span else 0.0,
        "frames": len(recording.frames),
        "commands": len(now),
        "lateness_us": percentiles([(ticks["started"][i] - now[i]) * 1e6 for i in inside]),
        "latency_us": percentiles(_latencies(recording, published) if published else []),
        "torque_nm": {
            "rms": round((sum(t * t for t in window) / len(window)) ** 0.5, 4) if window else 0.0,
            "peak": round(max(map(abs, window)), 4) if window else 0.0,
        },
        "ceiling_nm": ceilings[-1][1] if ceilings else 0.0,
        "ceiling_violations": _ceiling_violations(ticks["sequence"], torque, ceilings),
        "slew_violations": _slew_violations(recording),
        "guards": _guards(recording),
    }


def _driving_window(recording: Recording) -> tuple[float, float]:
    """From the first frame to the last; without frames, all ticks."""
    if recording.frames:
        return recording.frames[0].arrival, recording.frames[-1].arrival
    now = recording.ticks["now"]
    return (now[0], now[-1] + 1.0) if now else (0.0, 0.0)


def _parameters(recording: Recording) -> list[tuple[int, dict[str, Any]]]:
    return [(row["before"], row["content"]) for row in recording.inputs if row["kind"] == "parameters"]


def _ceilings(recording: Recording) -> list[tuple[int, float]]:
    """Return (from which tick, N m): the lower of ceiling and peak."""
    return [
        (before, min(content["governor"]["ceiling"], content["wheel"]["peak_torque"]))
        for before, content in _parameters(recording)
    ]


def _at(steps: Sequence[tuple[int, float]], sequence: int, otherwise: float) -> float:
    value = otherwise
    for before, step in steps:
        if before > sequence:
            break
        value = step
    return value


def _ceiling_violations(
    sequence: Sequence[int], torque: Sequence[float], ceilings: list[tuple[int, float]]
) -> int:
    pairs = zip(sequence, torque, strict=True)
    return sum(abs(value) > _at(ceilings, number, float("inf")) for number, value in pairs)


def _slew_violations(recording: Recording) -> int:
    """Count steps beyond the slew ceiling that are neither a cut nor a shrinking under a lowered ceiling."""
    slews = [(before, content["governor"]["slew"]) for before, content in _parameters(recording)]
    ticks = recording.ticks
    found = 0
    for i in range(1, len(ticks["now"])):
        if ticks["sequence"][i] != ticks["sequence"][i - 1] + 1:
            continue  # a block is missing here
        before, after = ticks["torque"][i - 1], ticks["torque"][i]
        elapsed = min(max(ticks["now"][i] - ticks["now"][i - 1], 0.0), _LONGEST_STEP)
        allowed = _at(slews, ticks["sequence"][i], float("inf")) * elapsed + 1e-9
        shrinks = (
            before * after >= 0.0 and abs(after) <= abs(before) and ticks["guards"][i] & int(Guard.CEILING)
        )
        if abs(after - before) > allowed and not shrinks and not ticks["guards"][i] & _FREE:
            found += 1
    return found


def _latencies(recording: Recording, published: Callable[[bytes], float]) -> list[float]:
    """From the record's publication to the end of the write that first carried it, us."""
    ticks = recording.ticks
    taken: list[tuple[int, float]] = []
    for sequence, when in zip(ticks["delivered"], ticks["delivered_time"], strict=True):
        if sequence >= 0 and (not taken or sequence > taken[-1][0]):
            taken.append((sequence, when))
    found = []
    for row in recording.frames:
        place = bisect_left(taken, (row.before, 0.0))
        if row.raw is not None and place < len(taken):
            found.append((taken[place][1] - published(row.raw)) * 1e6)
    return found


def _guards(recording: Recording) -> dict[str, int]:
    counts: dict[str, int] = {}
    for bits in recording.ticks["guards"]:
        for guard in Guard:
            if guard and bits & guard:
                name = str(guard.name).lower()
                counts[name] = counts.get(name, 0) + 1
    return counts
