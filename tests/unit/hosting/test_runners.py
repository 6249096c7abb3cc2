"""A plugin that raises is isolated, reported once a cause, and tried again; the others go on."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest

from bridge.contract import (
    Command,
    Frame,
    Observer,
    PluginSettings,
    PluginState,
    PluginStatus,
    PluginUnavailable,
    Sink,
    Source,
    StreamingSource,
    Tick,
    WheelState,
)
from bridge.hosting.isolation import FIRST_DELAY, LONGEST_DELAY, Backoff
from bridge.hosting.sink_runner import SinkRunner
from bridge.hosting.source_runner import SourceRunner
from bridge.testing import TestHost


class Told:
    """Collects what runners report."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, object]]] = []
        self.states: list[PluginStatus] = []

    def report(self, event: str, /, **facts: object) -> None:
        self.events.append((event, facts))

    def changed(self, status: PluginStatus) -> None:
        self.states.append(status)


async def until(condition: Callable[[], bool], timeout: float = 5.0) -> None:
    end = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < end, "it did not happen"
        await asyncio.sleep(0.005)


class Troubled(Source[PluginSettings]):
    """Fails where the test wants it to."""

    wrong: str = ""
    opened = closed = 0

    def open(self) -> None:
        type(self).opened += 1
        if type(self).wrong == "open":
            raise OSError("no way in")
        if type(self).wrong == "wait":
            raise PluginUnavailable("the sim is not there")

    def read(self) -> Frame | None:
        if type(self).wrong == "read":
            raise SystemExit("a plugin may raise anything")
        return Frame(time.monotonic())

    def close(self) -> None:
        type(self).closed += 1
        if type(self).wrong == "close":
            raise ValueError("stuck")


@pytest.fixture(autouse=True)
def _calm() -> None:
    Troubled.wrong, Troubled.opened, Troubled.closed = "", 0, 0


def source_runner(cls: type[Any], told: Told) -> SourceRunner:
    return SourceRunner("x", "here", lambda: cls(PluginSettings(), TestHost()), told.report, told.changed)


@pytest.mark.parametrize("wrong", ["open", "read", "wait"])
async def test_a_troubled_source_is_isolated_and_comes_back(wrong: str) -> None:
    told = Told()
    runner = source_runner(Troubled, told)
    Troubled.wrong = wrong
    runner.start()
    await until(lambda: (runner.poll(0.0), Troubled.opened >= 3)[1])
    failures = [facts for event, facts in told.events if event == "plugin_failed"]
    assert len(failures) == (0 if wrong == "wait" else 1), "reported once a cause"
    assert (
        runner.status.state is (PluginState.WAITING if wrong == "wait" else PluginState.FAILED)
        or wrong == "read"
    )
    Troubled.wrong = ""
    await until(lambda: bool(runner.poll(0.0)))
    assert runner.status.state is PluginState.RUNNING
    Troubled.wrong = "close"
    await runner.stop()
    assert Troubled.closed > 0
    assert runner.poll(0.0) == ()


class Sticky(Source[PluginSettings]):
    """Opens and closes slowly, and fails at once."""

    def open(self) -> None:
        time.sleep(0.02)

    def read(self) -> Frame | None:
        raise OSError("no")

    def close(self) -> None:
        time.sleep(0.02)


@pytest.mark.parametrize("after", [0.0, 0.01, 0.03, 0.05, 0.07])
async def test_a_source_can_be_stopped_at_any_moment_of_its_life(after: float) -> None:
    runner = source_runner(Sticky, Told())
    runner.start()
    end = time.monotonic() + after
    while time.monotonic() < end:
        runner.poll(0.0)
        await asyncio.sleep(0.001)
    await asyncio.wait_for(runner.stop(), 3.0)


class Stream(StreamingSource[PluginSettings]):
    """Three frames, then the end."""

    async def frames(self) -> AsyncIterator[Frame]:
        for n in range(3):
            yield Frame(float(n))
            await asyncio.sleep(0.001)


async def test_a_stream_that_ends_is_started_again() -> None:
    told = Told()
    runner = source_runner(Stream, told)
    runner.start()
    times: list[float] = []

    def enough() -> bool:
        times.extend(frame.time for frame, _, _ in runner.poll(0.0))
        return len(times) >= 6

    await until(enough)
    assert times[:6] == [0.0, 1.0, 2.0, 0.0, 1.0, 2.0]
    assert [event for event, _ in told.events] == ["plugin_failed"]
    await runner.stop()


class Slow(Source[PluginSettings]):
    """Takes its time, and says so."""

    may_block = True

    def read(self) -> Frame | None:
        time.sleep(0.02)
        return Frame(time.monotonic())


async def test_a_source_that_may_block_never_holds_up_a_poll() -> None:
    runner = source_runner(Slow, Told())
    runner.start()
    longest = count = 0.0
    end = time.monotonic() + 0.3
    while time.monotonic() < end:
        began = time.perf_counter()
        count += len(runner.poll(0.0))
        longest = max(longest, time.perf_counter() - began)
        await asyncio.sleep(0.001)
    await runner.stop()
    assert count > 3
    assert longest < 0.015


class Motor(Sink[PluginSettings]):
    """Writes down what it is told."""

    def __init__(self, settings: PluginSettings, host: Any) -> None:
        super().__init__(settings, host)
        self.written: list[Command] = []
        self.threads: set[int] = set()
        self.gate = threading.Event()
        self.gate.set()
        self.wrong = ""

    def open(self) -> None:
        self.threads.add(threading.get_ident())

    def write(self, command: Command) -> None:
        self.threads.add(threading.get_ident())
        self.gate.wait(5.0)
        if self.wrong == "write":
            self.wrong = ""
            raise OSError("unplugged")
        self.written.append(command)

    def wheel(self) -> WheelState | None:
        if self.wrong == "wheel":
            self.wrong = ""
            raise RuntimeError("no sensor")
        return WheelState(0.0, 0.25)

    def close(self) -> None:
        self.threads.add(threading.get_ident())


def sink_runner(told: Told, cls: type[Any] = Motor) -> tuple[SinkRunner, Any]:
    motor = cls(PluginSettings(), TestHost())
    return SinkRunner("m", "here", lambda: motor, told.report, told.changed), motor


async def test_the_newest_command_wins_and_the_last_one_is_zero() -> None:
    runner, motor = sink_runner(Told())
    runner.start()
    await until(lambda: runner.status.state is PluginState.RUNNING)
    motor.gate.clear()
    for n in range(50):
        runner.offer(Command(0.0, n, float(n)))
        await asyncio.sleep(0.001)
    runner.offer(Command(0.0, 98, 98.0, due=False))
    motor.gate.set()
    await until(lambda: runner.delivered is not None and runner.delivered[0] == 49)
    assert len(motor.written) < 10, "what was superseded is not written"
    assert runner.stop()
    assert motor.written[-1].torque == 0.0
    assert 98 not in [command.sequence for command in motor.written]
    assert len(motor.threads) == 1, "open, write and close are on one thread"


@pytest.mark.parametrize("wrong", ["write", "wheel"])
async def test_a_sink_that_fails_is_opened_again(wrong: str) -> None:
    told = Told()
    runner, motor = sink_runner(told)
    runner.start()
    await until(lambda: runner.status.state is PluginState.RUNNING)
    assert runner.wheel() == WheelState(0.0, 0.25)
    motor.wrong = wrong
    runner.wheel()
    runner.offer(Command(0.0, 1, 1.0))
    await until(lambda: runner.openings == 2)
    await until(lambda: runner.status.state is PluginState.RUNNING)
    assert runner.status.failures == 1
    assert [event for event, _ in told.events] == ["plugin_failed"]
    runner.reopen()
    await until(lambda: runner.openings == 3)
    runner.stop()
    assert runner.wheel() is None


async def test_a_write_that_hangs_is_told_and_does_not_hold_up_the_tick() -> None:
    told = Told()
    runner, motor = sink_runner(told)
    runner.start()
    await until(lambda: runner.status.state is PluginState.RUNNING)
    motor.gate.clear()
    runner.offer(Command(0.0, 1, 1.0))
    await asyncio.sleep(0.15)
    began = time.perf_counter()
    runner.offer(Command(0.0, 2, 2.0))
    assert time.perf_counter() - began < 0.02
    runner.look(time.monotonic())
    runner.look(time.monotonic())
    assert [event for event, _ in told.events] == ["sink_blocked"]
    motor.gate.set()
    assert runner.stop()


class Watcher(Observer[PluginSettings]):
    """Fails on the second tick it sees."""

    def __init__(self, settings: PluginSettings, host: Any) -> None:
        super().__init__(settings, host)
        self.ticks = 0
        self.notes: list[str] = []

    def observe(self, tick: Tick) -> None:
        self.ticks += 1
        if self.ticks == 2:
            raise ValueError("once")

    def note(self, kind: str, time: float, content: dict[str, object]) -> None:
        self.notes.append(kind)
        if kind == "bad":
            raise ValueError("twice")


async def test_an_observer_that_fails_comes_back_too() -> None:
    runner, watcher = sink_runner(Told(), Watcher)
    runner.start()
    await until(lambda: runner.observes)
    tick = Tick(0.0, 0.0, (), None, Command(0.0, 0, 0.0))
    runner.observe(tick)
    runner.observe(tick)
    await until(lambda: runner.openings == 2 and runner.observes)
    runner.note("good", 0.0, {})
    runner.note("bad", 0.0, {})
    await until(lambda: runner.openings == 3 and runner.observes)
    runner.observe(tick)
    assert watcher.ticks == 3
    assert watcher.notes == ["good", "bad"]
    runner.stop()


def test_back_off_doubles_up_to_a_cap_and_forgives() -> None:
    backoff = Backoff()
    delays = [backoff.failed(float(n)) for n in range(12)]
    assert delays[:3] == [FIRST_DELAY, 2 * FIRST_DELAY, 4 * FIRST_DELAY]
    assert delays[-1] == LONGEST_DELAY
    backoff.started(100.0)
    assert backoff.failed(111.0) == FIRST_DELAY
