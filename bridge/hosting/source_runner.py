"""Keeps one source running: opens it, polls it, isolates its failures, opens it again.

This module does not know what is done with the frames.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from bridge.contract import Frame, PluginState, PluginStatus, PluginUnavailable, Source, StreamingSource
from bridge.hosting.isolation import WAIT_DELAY, Backoff, Causes, Report, StateHolder

Arrived = tuple[Frame, float, bytes | None]
AnySource = Source[Any] | StreamingSource[Any]
_KEPT = 64
"""Frames kept between two ticks; older ones are dropped, the newest win."""
_BLOCKING_PERIOD = 0.001
"""Pause between two reads of a source that may block, s."""


class SourceRunner:
    """One source, from its configuration to its frames."""

    def __init__(
        self,
        name: str,
        origin: str,
        make: Callable[[], AnySource],
        report: Report,
        changed: Callable[[PluginStatus], None],
    ) -> None:
        """`make` constructs the plugin (and may raise); `changed` hears of every change of state."""
        self.name = name
        self._make = make
        self._state = StateHolder("source", name, origin, changed)
        self._causes = Causes(report, "source", name)
        self._backoff = Backoff()
        self._arrived: deque[Arrived] = deque(maxlen=_KEPT)
        self._read: Callable[[], Frame | None] | None = None
        self._raw: Callable[[], bytes | None] = lambda: None
        self._plugin: AnySource | None = None
        self._broken: asyncio.Event = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self.openings = 0
        """How often it was opened: more than once means that it came back."""

    @property
    def status(self) -> PluginStatus:
        """Where it is in its life."""
        return self._state.status

    @property
    def plugin(self) -> AnySource | None:
        """The plugin while it runs."""
        return self._plugin

    def start(self) -> None:
        """Begin; must run in the event loop."""
        self._task = asyncio.get_running_loop().create_task(self._live(), name=f"source {self.name}")

    async def stop(self) -> None:
        """End; the plugin is closed when this returns."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    def poll(self, now: float) -> Sequence[Arrived]:
        """Return the frames since the last call: frame, arrival (monotonic s), raw bytes. Never raises."""
        read = self._read
        if read is not None:
            try:
                frame = read()
                if frame is None:
                    return ()
                return ((frame, time.monotonic(), self._raw()),)
            except KeyboardInterrupt:
                raise
            except BaseException as error:  # a plugin may raise anything, even SystemExit
                self._fail("read", error)
                return ()
        if self._arrived:
            frames = tuple(self._arrived)
            self._arrived.clear()
            return frames
        return ()

    def _fail(self, doing: str, error: BaseException) -> None:
        self._read = None
        reason = self._causes.note(doing, error)
        self._state.set(PluginState.FAILED, reason, failed=True)
        self._broken.set()

    async def _live(self) -> None:
        while True:
            plugin = await self._open()
            if plugin is None:
                continue
            self._plugin = plugin
            try:
                await self._serve(plugin)
            finally:
                self._read = None
                self._plugin = None
                await self._close(plugin)
            await asyncio.sleep(self._backoff.failed(time.monotonic()))

    async def _open(self) -> AnySource | None:
        """Make and open the plugin; `None` after a failure, already waited out."""
        plugin: AnySource | None = None
        try:
            plugin = self._make()
            await _in_thread(plugin.open)
        except PluginUnavailable as error:
            self._state.set(PluginState.WAITING, str(error))
            delay = WAIT_DELAY
        except (KeyboardInterrupt, asyncio.CancelledError):
            if plugin is not None:
                await self._close(plugin)
            raise
        except BaseException as error:  # isolation: whatever a plugin raises stays with it
            self._state.set(PluginState.FAILED, self._causes.note("open", error), failed=True)
            delay = self._backoff.failed(time.monotonic())
        else:
            return plugin
        if plugin is not None:
            await self._close(plugin)
        await asyncio.sleep(delay)
        return None

    async def _serve(self, plugin: AnySource) -> None:
        self._broken.clear()
        self._arrived.clear()
        self._backoff.started(time.monotonic())
        self._raw = plugin.raw
        self.openings += 1
        self._state.set(PluginState.RUNNING)
        if isinstance(plugin, StreamingSource):
            await self._stream(plugin)
        elif plugin.may_block:
            await self._poll_in_thread(plugin)
        else:
            self._read = plugin.read
            await self._broken.wait()

    async def _stream(self, plugin: StreamingSource[Any]) -> None:
        try:
            async for frame in plugin.frames():
                self._arrived.append((frame, time.monotonic(), plugin.raw()))
        except (KeyboardInterrupt, asyncio.CancelledError):
            raise
        except BaseException as error:  # isolation
            self._fail("frames", error)
        else:
            self._fail("frames", RuntimeError("the stream of frames ended"))

    async def _poll_in_thread(self, plugin: Source[Any]) -> None:
        loop = asyncio.get_running_loop()
        ended = threading.Event()

        def work() -> None:
            while not ended.is_set():
                try:
                    frame = plugin.read()
                except BaseException as error:  # isolation; this thread is the plugin's own
                    loop.call_soon_threadsafe(self._fail, "read", error)
                    return
                if frame is None:
                    ended.wait(_BLOCKING_PERIOD)
                else:
                    self._arrived.append((frame, time.monotonic(), plugin.raw()))

        thread = threading.Thread(target=work, name=f"draglink-source-{self.name}", daemon=True)
        thread.start()
        try:
            await self._broken.wait()
        finally:
            ended.set()
            await asyncio.to_thread(thread.join, 1.0)

    async def _close(self, plugin: AnySource) -> None:
        try:
            await _in_thread(plugin.close)
        except (KeyboardInterrupt, asyncio.CancelledError):
            raise
        except BaseException as error:  # isolation
            self._causes.note("close", error)


async def _in_thread(call: Callable[[], None]) -> None:
    """Run a blocking call in a thread; when cancelled, let the call end first, so that none overlaps."""
    running = asyncio.ensure_future(asyncio.to_thread(call))
    try:
        await asyncio.shield(running)
    except asyncio.CancelledError:
        await asyncio.wait({running})
        if not running.cancelled():
            running.exception()  # seen, so that nobody warns of it
        raise
