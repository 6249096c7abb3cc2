"""The daemon: one session from start to stop, on one road of actions.

`diff` says what has to be done, this module does it. It owns the event loop's objects; what happens in a
tick is in `ticking`, which plugins run in `plugins`, what the counters tell in `watching`.
"""

from __future__ import annotations

import asyncio
import dataclasses
import sys
import time
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import zmq

from bridge.bus.server import Bus, BusRefused
from bridge.contract import WheelFacts
from bridge.force_path.chain import ForcePath
from bridge.hosting.index import PluginError
from bridge.log import Log
from bridge.log.catalogue import bus as bus_events
from bridge.log.catalogue import service as events
from bridge.service import actions
from bridge.service.heartbeat import Heartbeat
from bridge.service.lock import InstanceLock
from bridge.service.plugins import Plugins
from bridge.service.realtime import ask_for_punctuality
from bridge.service.reporting import Reporter
from bridge.service.session import session_facts, wanted
from bridge.service.stop import StopRequests
from bridge.service.supervisor import SupervisorProcess
from bridge.service.ticker import Ticker
from bridge.service.ticking import TickLoop
from bridge.service.watching import Watching
from bridge.settings import places
from bridge.settings.describing import changes, json_safe, told
from bridge.settings.loading import Loaded
from bridge.settings.models import Settings
from bridge.settings.toml_text import Problem
from bridge.settings.watch import POLLING, SettingsWatch


class CannotStart(Exception):
    """The daemon cannot start; the message says why and what to do."""


class Daemon:
    """One session."""

    def __init__(self, loaded: Loaded, path: Path | None, overrides: Mapping[str, Any]) -> None:
        """Prepare a session with good settings; `path` is watched, `overrides` lie over it."""
        if loaded.settings is None:
            raise CannotStart("\n".join(map(str, loaded.problems)))
        self._loaded = loaded
        self._settings: Settings = loaded.settings
        self._path = path
        self._overrides = dict(overrides)
        self._problems: list[str] = []
        self._version = 0
        self._calm = False
        self._log: Log | None = None
        self._bus: Bus | None = None
        self._ticker: Ticker | None = None
        self._watch: SettingsWatch | None = None
        self._wanted: actions.Wanted | None = None

    def run(self) -> None:
        """Run until asked to stop.

        Raises:
            CannotStart: a plugin's settings are wrong or a folder is missing.
            AlreadyRunning: another instance runs.
        """
        selector = asyncio.SelectorEventLoop if sys.platform == "win32" else None  # pyzmq needs it there
        with asyncio.Runner(loop_factory=selector) as runner:
            runner.run(self._session())

    # -------------------------------------------------------------------------------- session

    async def _session(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(self._unforeseen)
        self._stopping = asyncio.Event()
        self._turn = asyncio.Lock()
        runtime = places.runtime_folder()
        lock = InstanceLock(runtime / "lock")
        lock.acquire()
        stop = StopRequests(self._ask_to_stop)
        try:
            stop.install()
            self._build(runtime)
            await self._start_watching_settings()
            await self._carry_out(wanted(self._settings))
            await self._stopping.wait()
        finally:
            await self._end()
            stop.remove()
            lock.release()

    def _build(self, runtime: Path) -> None:
        want = wanted(self._settings)
        self._path_of_force = ForcePath(want.parameters)
        self._ticks = TickLoop(self._path_of_force)
        near = self._path.parent if self._path is not None else None
        self._plugins = Plugins(self._ticks, self._wheel_facts, self._report, self._on_running, near)
        try:
            self._plugins.look_for(want.user_plugins)
        except PluginError as error:
            raise CannotStart(str(error)) from None
        problems = self._plugins.problems(self._loaded)
        if problems:
            raise CannotStart("\n".join(map(str, problems)))
        self._heart = Heartbeat(runtime / "heartbeat")
        self._ticks.heart = self._heart
        self._supervisor = SupervisorProcess(runtime / "heartbeat", runtime / "supervisor.jsonl")
        self._reporter = Reporter(self._ticks, self._session_state)
        self._watching = Watching(self._ticks, self._plugins, self._report, runtime / "supervisor.jsonl")
        self._watching.on_cut = self._after_cut

    async def _end(self) -> None:
        """Stop everything; the device is at zero torque after this."""
        if self._watch is not None:
            await asyncio.to_thread(self._watch.stop)
        if hasattr(self, "_heart"):
            self._heart.disarm()
            await self._carry_out(None)
            self._supervisor.stop()
            self._heart.close()
        if self._log is not None:
            self._log.emit(events.SESSION_ENDED, ticks=self._ticks.lateness.count)
            await asyncio.to_thread(self._log.close)

    def _unforeseen(self, _: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Log what nobody caught. A tick that raises does not beat: the supervisor cuts the device."""
        error = context.get("exception")
        words = f"{type(error).__name__}: {error}" if error is not None else str(context.get("message"))
        lines = traceback.format_exception(error) if isinstance(error, BaseException) else []
        self._report("internal_error", cause=words, traceback="".join(lines[-4:]))

    def _ask_to_stop(self, _: str) -> None:
        self._stopping.set()

    # -------------------------------------------------------------------------------- actions

    async def _carry_out(self, new: actions.Wanted | None) -> None:
        async with self._turn:
            for action in actions.diff(self._wanted, new):
                await self._do(action)
            self._wanted = new

    async def _do(self, action: actions.Action) -> None:  # noqa: C901 - one case an action
        match action:
            case actions.SetUpLog():
                await self._set_up_log()
            case actions.IndexPlugins(user_folder):
                self._plugins.look_for(user_folder)
            case actions.Configure(parameters):
                now = time.monotonic()
                self._path_of_force.configure(parameters, now)
                self._plugins.note("parameters", now, dataclasses.asdict(parameters))
            case actions.OpenSink(name, table):
                self._plugins.open_sink(name, table)
            case actions.CloseSink(name):
                await self._plugins.close_sink(name)
            case actions.OpenSource(name, table):
                self._plugins.open_source(name, table)
            case actions.CloseSource():
                await self._plugins.close_source()
            case actions.OpenBus():
                self._open_bus()
            case actions.CloseBus():
                if self._bus is not None:
                    self._bus.close()
                    self._bus = None
            case actions.StartTicker(rate, ahead):
                await self._plugins.settled()
                self._start_ticker(rate, ahead)
            case actions.StopTicker():
                self._stop_ticker()

    async def _set_up_log(self) -> None:
        if self._log is not None:
            await asyncio.to_thread(self._log.close)
        log = self._settings.log
        limits = {"file_size": log.file_size, "files": log.files, "repeat_window": log.repeat_window}
        self._log = Log(places.log_folder(), log.console, log.level, **limits)
        self._log.listeners.append(self._note_event)
        self._log.emit(events.SESSION_STARTED, **session_facts(self._settings, self._path))
        granted = ask_for_punctuality(self._settings.service.priority)
        self._log.emit(events.TIMING_GRANTED, granted=", ".join(granted) or "nothing special")

    def _open_bus(self) -> None:
        bus = self._settings.bus
        try:
            self._bus = Bus(bus.host, bus.state_port, bus.request_port, places.runtime_folder())
        except (zmq.ZMQError, BusRefused, OSError) as error:
            self._report("bus_failed", reason=str(error), ports=f"{bus.state_port}, {bus.request_port}")
        else:
            self._report("bus_opened", **self._bus.endpoints)

    def _start_ticker(self, rate: float, ahead: float) -> None:
        ticks = self._ticks
        ticks.every(1.0 / self._settings.service.state_rate, self._publish)
        ticks.every(0.01, self._poll_bus)
        ticks.every(0.05, self._watching.often)
        ticks.every(0.1, self._plugins.look)
        ticks.every(1.0, self._watching.seldom)
        ticks.every(1.0, self._reporter.refresh_percentiles)
        ticks.every(1.0, self._every_second)
        self._supervisor.start()
        self._report("supervisor_started")
        ticks.begin()
        self._ticker = Ticker(rate, ticks.tick, ahead)
        self._ticker.start()
        self._heart.beat(time.monotonic_ns())
        self._heart.arm()

    def _stop_ticker(self) -> None:
        self._heart.disarm()
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None
        self._ticks.forget_jobs()
        self._ticks.end()

    # -------------------------------------------------------------------------------- settings

    async def _start_watching_settings(self) -> None:
        if self._path is None:
            return

        def changed(loaded: Loaded) -> None:
            self._loop.call_soon_threadsafe(self._on_settings, loaded)

        def trouble(reason: str) -> None:
            self._report("settings_unwatched", reason=reason)

        polling = POLLING[self._settings.service.watch]
        self._watch = SettingsWatch(self._path, self._overrides, changed, trouble, polling)
        await asyncio.to_thread(self._watch.start)

    def _on_settings(self, loaded: Loaded) -> None:
        problems = loaded.problems or self._plugins.problems(loaded)
        if problems or loaded.settings is None:
            self._refuse(problems)
            return
        different = changes(self._settings, loaded.settings)
        self._loaded, self._settings, self._problems = loaded, loaded.settings, []
        self._version += 1
        self._report("settings_applied", version=self._version, changed=told(different))
        self._plugins.note("settings", time.monotonic(), {"file": loaded.file, "text": loaded.text})
        self._background = asyncio.create_task(self._apply(wanted(loaded.settings)))

    async def _apply(self, new: actions.Wanted) -> None:
        try:
            await self._carry_out(new)
        except PluginError as error:
            self._report("plugin_unavailable", reason=str(error))

    def _refuse(self, problems: list[Problem]) -> None:
        self._problems = [str(problem) for problem in problems]
        for problem in problems:
            self._report("settings_refused", cause=str(problem), **problem._asdict())

    # -------------------------------------------------------------------------------- jobs of the tick

    def _publish(self, now: float) -> None:
        if self._bus is not None:
            self._bus.publish(self._reporter.state(now))

    def _poll_bus(self, _: float) -> None:
        if self._bus is not None:
            self._bus.poll(self._answer)

    def _every_second(self, _: float) -> None:
        if self._log is not None:
            self._log.flush_repeats()
        if not self._supervisor.alive:
            self._report("supervisor_lost")
            self._supervisor.start()

    def _answer(self, request: str, _: dict[str, Any]) -> dict[str, Any]:
        now = time.monotonic()
        if request == "calm":
            self._calm = True
            self._path_of_force.calm(now)
            self._plugins.note("calm", now, {})
            self._report("torque_calmed")
        elif request == "resume":
            self._calm = False
            self._path_of_force.resume(now)
            self._plugins.note("resume", now, {})
            self._report("torque_resumed")
        elif request == "keep":
            self._report(bus_events.KEEP_ASKED.name)
            return {"path": self._plugins.keep()}
        elif request == "settings":
            return {"settings": json_safe(self._settings), "path": str(self._path or "")}
        else:
            return {"state": self._reporter.state(now)}
        return {}

    # -------------------------------------------------------------------------------- reports

    def _wheel_facts(self) -> WheelFacts:
        wheel = self._settings.wheel
        return WheelFacts(wheel.peak_torque, wheel.rotation)

    def _on_running(self, kind: str, drives: bool) -> None:
        """A plugin began to run, for the first time or again: if the torque depends on it, begin at zero."""
        now = time.monotonic()
        if drives:
            self._path_of_force.restart(now, kind)
            self._plugins.note("restart", now, {"reason": kind})
        self._supervisor.order(self._plugins.cut_orders())
        if kind == "sink":  # a recorder that opened just now has to know what the force path runs on
            self._plugins.note("parameters", now, dataclasses.asdict(self._path_of_force.parameters))
            content: dict[str, object] = {"file": self._loaded.file, "text": self._loaded.text}
            self._plugins.note("settings", now, content)

    def _after_cut(self) -> None:
        """The supervisor cut the device: open it anew, so that gain and effect are ours again."""
        for sink in self._plugins.sinks.values():
            if sink.has_wheel:
                sink.reopen()

    def _report(self, event: object, /, **facts: object) -> None:
        if self._log is not None:
            self._log.emit(event, **facts)  # type: ignore[arg-type]  # an Event or its name

    def _note_event(self, name: str, facts: dict[str, Any]) -> None:
        """Give the observers what is logged; from any thread."""
        record: dict[str, object] = {"event": name, **facts}
        try:
            self._loop.call_soon_threadsafe(self._plugins.note, "event", time.monotonic(), record)
        except RuntimeError:  # the loop is closed already
            return

    def _session_state(self) -> dict[str, Any]:
        """Return the parts of the state that only the daemon knows; see `bridge.bus.state`."""
        return {
            **self._plugins.state(),
            "settings": {
                "path": str(self._path or ""),
                "problems": self._problems,
                "version": self._version,
            },
            "calm": self._calm,
        }
