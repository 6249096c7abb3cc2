"""Keeps one sink running: a thread of its own opens it, writes to it and closes it.

The tick hands commands over through a newest-wins mailbox and never waits. A sink's whole life (open, write,
close) is on one thread, since some device libraries demand that. ``tools/bench_mailbox.py`` compares ways to
wake a thread: a raw lock costs the tick least.

This module does not know what the sink drives.
"""

from __future__ import annotations

import _thread
import threading
import time
from collections.abc import Callable
from typing import Any

from bridge.contract import (
    Command,
    Observer,
    PluginState,
    PluginStatus,
    PluginUnavailable,
    Sink,
    Tick,
    WheelState,
)
from bridge.hosting.isolation import WAIT_DELAY, Backoff, Causes, Report, StateHolder

BLOCKED_AFTER = 0.1
"""A write that takes longer than this, s, is reported."""
JOIN_LIMIT = 2.0
"""The longest a stop waits for a device call that hangs, s."""


class SinkRunner:
    """One sink, from its configuration to its last, zero, command."""

    def __init__(
        self,
        name: str,
        origin: str,
        make: Callable[[], Sink[Any]],
        report: Report,
        changed: Callable[[PluginStatus], None],
    ) -> None:
        """`make` constructs the plugin (and may raise); `changed` hears of every change, from any thread."""
        self.name = name
        self.delivered: tuple[int, float] | None = None
        """Sequence of the last command whose write returned, and when (monotonic s)."""
        self.openings = 0
        """How often it was opened: more than once means that it came back."""
        self.writes = 0
        self._make = make
        self._report = report
        self._state = StateHolder("sink", name, origin, changed)
        self._causes = Causes(report, "sink", name)
        self._backoff = Backoff()
        self._box: Command | None = None
        self._wake = _thread.allocate_lock()
        self._wake.acquire()
        self._stopping = threading.Event()
        self._broken = False
        self._writing_since = 0.0
        self._blocked_told = False
        self._plugin: Sink[Any] | None = None
        self._wheel: Callable[[], WheelState | None] | None = None
        self._observer: Observer[Any] | None = None
        self._thread = threading.Thread(target=self._live, name=f"draglink-sink-{name}", daemon=True)

    @property
    def status(self) -> PluginStatus:
        """Where it is in its life."""
        return self._state.status

    @property
    def plugin(self) -> Sink[Any] | None:
        """The plugin while it runs."""
        return self._plugin

    @property
    def observes(self) -> bool:
        """Whether it takes note of ticks instead of commands."""
        return self._observer is not None

    @property
    def has_wheel(self) -> bool:
        """Whether it tells where a wheel is."""
        return self._wheel is not None

    def reopen(self) -> None:
        """Close the device and open it again (after the supervisor cut it)."""
        self._broken = True
        self._signal()

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> bool:
        """End with a zero command; return whether the plugin was closed within `JOIN_LIMIT`. May block."""
        self._stopping.set()
        self._signal()
        self._thread.join(JOIN_LIMIT)
        return not self._thread.is_alive()

    def offer(self, command: Command) -> None:
        """Hand a command over if the device is due; replaces one that was not written yet. Never raises."""
        if command.due and self._plugin is not None:
            self._box = command
            self._signal()

    def wheel(self) -> WheelState | None:
        """Return the newest state of the wheel, `None` while there is none. Never raises."""
        wheel = self._wheel
        if wheel is None:
            return None
        try:
            return wheel()
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may raise anything
            self._break("wheel", error)
            return None

    def observe(self, tick: Tick) -> None:
        """Show a tick to an observer. Never raises."""
        observer = self._observer
        if observer is not None:
            try:
                observer.observe(tick)
            except KeyboardInterrupt:
                raise
            except BaseException as error:  # a plugin may raise anything
                self._break("observe", error)

    def note(self, kind: str, now: float, content: dict[str, object]) -> None:
        """Tell an observer of another input or of an event. Never raises."""
        observer = self._observer
        if observer is not None:
            try:
                observer.note(kind, now, content)
            except KeyboardInterrupt:
                raise
            except BaseException as error:  # a plugin may raise anything
                self._break("note", error)

    def look(self, now: float) -> None:
        """Report a write that hangs; call it now and then (monotonic s)."""
        since = self._writing_since
        if since and now - since > BLOCKED_AFTER and not self._blocked_told:
            self._blocked_told = True
            self._report("sink_blocked", plugin=self.name, seconds=round(now - since, 3))

    def _signal(self) -> None:
        try:
            self._wake.release()
        except RuntimeError:  # it is awake already
            return

    def _break(self, doing: str, error: BaseException) -> None:
        self._wheel = None
        self._observer = None
        self._state.set(PluginState.FAILED, self._causes.note(doing, error), failed=True)
        self._broken = True
        self._signal()

    # ------------------------------------------------------------------------ the sink's own thread

    def _live(self) -> None:
        while not self._stopping.is_set():
            plugin, delay = self._open()
            if plugin is not None:
                self._serve(plugin)
                self._close(plugin)
                delay = self._backoff.failed(time.monotonic())
            self._stopping.wait(delay)

    def _open(self) -> tuple[Sink[Any] | None, float]:
        plugin: Sink[Any] | None = None
        try:
            plugin = self._make()
            plugin.open()
        except PluginUnavailable as error:
            self._state.set(PluginState.WAITING, str(error))
            delay = WAIT_DELAY
        except BaseException as error:  # isolation: whatever a plugin raises stays with it
            self._state.set(PluginState.FAILED, self._causes.note("open", error), failed=True)
            delay = self._backoff.failed(time.monotonic())
        else:
            return plugin, 0.0
        if plugin is not None:
            self._close(plugin)
        return None, delay

    def _serve(self, plugin: Sink[Any]) -> None:
        self._box = None
        self._broken = False
        self._backoff.started(time.monotonic())
        self.openings += 1
        self._plugin = plugin
        if isinstance(plugin, Observer):
            self._observer = plugin
        if type(plugin).wheel is not Sink.wheel:
            self._wheel = plugin.wheel
        self._state.set(PluginState.RUNNING)
        try:
            while not (self._stopping.is_set() or self._broken):
                self._wake.acquire()
                command = self._take()
                if command is not None and not self._write(plugin, command):
                    return
            if not isinstance(plugin, Observer):
                sequence = self.delivered[0] + 1 if self.delivered is not None else 0
                self._write(plugin, Command(time.monotonic(), sequence, 0.0))
        finally:
            self._plugin = None
            self._wheel = None
            self._observer = None

    def _take(self) -> Command | None:
        command, self._box = self._box, None
        return command

    def _write(self, plugin: Sink[Any], command: Command) -> bool:
        self._writing_since = time.monotonic()
        try:
            plugin.write(command)
        except BaseException as error:  # isolation; this thread is the plugin's own
            self._break("write", error)
            return False
        finally:
            self._writing_since = 0.0
        self._blocked_told = False
        self.delivered = (command.sequence, time.monotonic())
        self.writes += 1
        return True

    def _close(self, plugin: Sink[Any]) -> None:
        try:
            plugin.close()
        except BaseException as error:  # isolation
            self._causes.note("close", error)
