"""What every plugin must do, as functions a plugin author calls from their own tests.

    from bridge.testing import check_source

    def test_my_source(tmp_path):
        check_source(MySource, MySettings(path=str(tmp_path / "data")))

Each function raises AssertionError with the MUST sentence that was broken (see DEVELOPERS.md).
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import threading
import time
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from bridge.contract import (
    FRAME_FIELDS,
    Command,
    Frame,
    Observer,
    PluginSettings,
    PluginUnavailable,
    Sink,
    Source,
    StreamingSource,
    Tick,
    Tyre,
    WheelFacts,
    WheelState,
)
from bridge.settings.places import find_config

_EXTREMES = (0.0, 1e-9, -1e-9, 1.0, -1.0, 1e6, -1e6, math.inf, -math.inf, math.nan)
_GENEROUS = 0.05
"""A call on the tick's thread may take this long in a test, s; the limit in service is 0.2 ms."""


class TestHost:
    """A host for tests: counts, remembers notices, finds data files as the daemon does."""

    __test__ = False  # not a test class, whatever pytest thinks of its name

    def __init__(self, peak_torque: float = 8.0, rotation: float = 9.42477796076938) -> None:
        self.wheel = WheelFacts(peak_torque, rotation)
        self.counts: dict[str, int] = {}
        self.notices: list[tuple[str, dict[str, object]]] = []

    def now(self) -> float:
        """Return the monotonic clock, s."""
        return time.monotonic()

    def count(self, cause: str, times: int = 1) -> None:
        """Count."""
        self.counts[cause] = self.counts.get(cause, 0) + times

    def notice(self, event: str, **facts: object) -> None:
        """Remember."""
        self.notices.append((event, facts))

    def find_config(self, kind: str, name: str) -> Path:
        """Find as the daemon does."""
        return find_config(kind, name)


def check_settings(cls: type) -> None:
    """A plugin's settings MUST be a frozen PluginSettings that refuses unknown keys, every key documented."""
    model = getattr(cls, "Settings", None)
    assert isinstance(model, type), f"{cls.__name__}.Settings MUST be a class"
    assert issubclass(model, PluginSettings), f"{cls.__name__}.Settings MUST derive from PluginSettings"
    assert model.model_config.get("frozen"), "settings MUST be frozen"
    assert model.model_config.get("extra") == "forbid", "settings MUST refuse unknown keys"
    assert cls.__doc__, f"{cls.__name__} MUST have a docstring"
    try:
        model.model_validate({"no_such_key_in_any_plugin": 1})
    except ValidationError as error:
        kinds = {detail["type"] for detail in error.errors()}
        assert "extra_forbidden" in kinds, "settings MUST refuse unknown keys"
    else:
        raise AssertionError("settings MUST refuse unknown keys")


def check_source(cls: type[Source[Any]], settings: PluginSettings, reads: int = 50) -> list[Frame]:
    """Check a polled source whose data is there (or not yet); return the frames it gave."""
    check_settings(cls)
    threads = set(threading.enumerate())
    source = cls(settings, TestHost())
    source.close()  # close MUST be safe before open
    frames: list[Frame] = []
    for _ in range(2):  # a source MUST be able to open again after close
        try:
            source.open()
        except PluginUnavailable:
            source.close()
            break
        _check_fields(source.fields)
        for _ in range(reads):
            began = time.perf_counter()
            frame = source.read()
            spent = time.perf_counter() - began
            assert cls.may_block or spent < _GENEROUS, "read MUST return at once or declare may_block"
            if frame is not None:
                check_frame(frame, source.fields)
                raw = source.raw()
                assert raw is None or isinstance(raw, bytes), "raw MUST be bytes or None"
                frames.append(frame)
            time.sleep(0.0005)
        source.close()
        source.close()  # close MUST be safe twice
    _check_threads(threads)
    return frames


async def check_streaming_source(
    cls: type[StreamingSource[Any]], settings: PluginSettings, seconds: float = 0.2
) -> list[Frame]:
    """Check a streaming source for a while; return the frames it gave."""
    check_settings(cls)
    threads = set(threading.enumerate())
    source = cls(settings, TestHost())
    source.close()
    frames: list[Frame] = []

    async def collect() -> None:
        async for frame in source.frames():
            check_frame(frame, source.fields)
            frames.append(frame)

    source.open()
    task = asyncio.create_task(collect())
    await asyncio.sleep(seconds)
    if task.done():
        await task  # a failure of its own comes out here
    task.cancel()  # frames MUST end cleanly when cancelled
    with contextlib.suppress(asyncio.CancelledError):
        await task
    _check_fields(source.fields)
    source.close()
    source.close()
    _check_threads(threads)
    return frames


def check_sink(cls: type[Sink[Any]], settings: PluginSettings) -> None:
    """Check a sink: takes any command, tells its wheel quickly, opens again, leaves nothing behind."""
    check_settings(cls)
    threads = set(threading.enumerate())
    host = TestHost()
    sink = cls(settings, host)
    sink.close()
    for _ in range(2):
        try:
            sink.open()
        except PluginUnavailable:
            sink.close()
            break
        for sequence, torque in enumerate(_EXTREMES):
            command = Command(host.now(), sequence, torque)
            if isinstance(sink, Observer):
                sink.observe(Tick(command.time, command.time, (), WheelState(0.0, 0.0), command))
            else:
                sink.write(command)  # write MUST take any number, also what the governor never sends
        for _ in range(20):
            began = time.perf_counter()
            state = sink.wheel()
            assert time.perf_counter() - began < _GENEROUS, "wheel MUST never block"
            assert state is None or isinstance(state, WheelState), "wheel MUST return a WheelState or None"
            assert state is None or math.isfinite(state.angle), "an angle MUST be finite"
        order = sink.cut_order()
        assert order is None or isinstance(order.get("cutter"), str), "cut_order MUST name a cutter"
        sink.write(Command(host.now(), len(_EXTREMES), 0.0))
        sink.close()
        sink.close()
    _check_threads(threads)


def check_frame(frame: Frame, declared: frozenset[str]) -> None:
    """A frame MUST be a Frame, fill declared fields only, and give what is unknown as None."""
    assert isinstance(frame, Frame), f"a source MUST give Frame or None, not {type(frame).__name__}"
    assert isinstance(frame.time, float), "a frame MUST have a time"
    given = {name for name, value in frame._asdict().items() if value is not None and name != "tyres"}
    for tyre in frame.tyres or ():
        assert isinstance(tyre, Tyre), "tyres MUST be Tyre records"
        given |= {f"tyres.{name}" for name, value in tyre._asdict().items() if value is not None}
    undeclared = given - declared - {"time", "driving", "index"}
    assert not undeclared, f"a source MUST declare what it fills; not declared: {sorted(undeclared)}"


def _check_fields(fields: frozenset[str]) -> None:
    unknown = set(fields) - FRAME_FIELDS
    assert not unknown, f"a source MUST declare names of FRAME_FIELDS; unknown: {sorted(unknown)}"


def _check_threads(before: set[threading.Thread]) -> None:
    end = time.monotonic() + 5.0
    while time.monotonic() < end:
        left = [thread for thread in threading.enumerate() if thread not in before and thread.is_alive()]
        if not left:
            return
        time.sleep(0.01)
    raise AssertionError(f"a plugin MUST end its threads in close; left: {[thread.name for thread in left]}")
