"""Gives a recording back as the force path saw it: every tick with all that went in before it, in order.

    for inputs, tick in in_order(recording):
        for row in inputs: ...              # configure, calm, resume, restart
        for arrival, frame, _ in tick.frames: path.frame(frame, arrival)
        assert path.step(tick.now, tick.wheel) == tick.command

This module does not run the force path.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar, get_type_hints

from bridge.contract import Command, Tick, WheelState
from bridge.force_path.parameters import Parameters
from bridge.recording.reader import RecordedFrame, Recording

RecordT = TypeVar("RecordT")


def in_order(recording: Recording) -> Iterator[tuple[list[dict[str, Any]], Tick]]:
    """Yield (inputs before the tick, the tick with its frames), every number bit for bit as it was.

    An input whose `before` is earlier than the first tick was in force when the file began; so was one of
    kind "parameters" whose `configured` is false. Frames whose tick is lost are given with the next tick.
    """
    inputs = deque(recording.inputs)
    frames = deque(recording.frames)
    columns = recording.ticks
    for sequence, *rest in zip(*columns.values(), strict=True):
        first: list[dict[str, Any]] = []
        while inputs and inputs[0]["before"] <= sequence:
            first.append(inputs.popleft())
        arrived: list[RecordedFrame] = []
        while frames and frames[0].before <= sequence:
            arrived.append(frames.popleft())
        yield first, _tick(sequence, rest, arrived)


def _tick(sequence: int, columns: list[Any], arrived: list[RecordedFrame]) -> Tick:
    now, started, torque, guards, due, known, measured, angle, velocity, delivered, delivered_at = columns
    return Tick(
        now,
        started,
        tuple((row.arrival, row.frame, row.raw) for row in arrived),
        WheelState(measured, angle, velocity if known & 2 else None) if known & 1 else None,
        Command(now, sequence, torque, bool(due), guards),
        (delivered, delivered_at) if delivered >= 0 else None,
    )


def parameters_from_map(content: Mapping[str, Any]) -> Parameters:
    """Return the parameters of an input of kind "parameters"; unknown fields are ignored.

    Raises:
        ValueError: a field that this version needs is missing.
    """
    return _record(Parameters, content)


def _record(kind: type[RecordT], content: Mapping[str, Any]) -> RecordT:
    hints = get_type_hints(kind)
    found = {}
    for field in fields(kind):  # type: ignore[arg-type]  # called with dataclasses only
        if field.name not in content:
            raise ValueError(f"{kind.__name__} has no {field.name} in this recording")
        value, hint = content[field.name], hints[field.name]
        nested = isinstance(hint, type) and is_dataclass(hint)
        found[field.name] = _record(hint, value) if nested else _tuples(value)
    return kind(**found)


def _tuples(value: Any) -> Any:
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
