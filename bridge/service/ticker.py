"""A tick on absolute deadlines from kernel timers; late ticks are skipped, never queued.

Measured on a noisy two-core machine (``tools/bench_timing.py``): a timer read in the event loop comes 30 to
60 us late, most of it the wake-up. So the timer is armed a little *ahead* of the deadline and the rest is
waited out on the clock; the wait is bounded and costs at most ``ahead / period`` of one core.

This module does not know what is done in a tick.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import sys
import threading
import time
from collections.abc import Callable
from typing import Protocol

NANO = 1_000_000_000
TickCallback = Callable[[int, int, int], None]
"""Called with (deadline ns, start ns, ticks skipped before this one), both on the monotonic clock."""


class _Timer(Protocol):
    """Something that calls back in the event loop at ``first + n * period`` (ns, monotonic clock)."""

    def start(
        self, loop: asyncio.AbstractEventLoop, first: int, period: int, fire: Callable[[], None]
    ) -> None:
        """Arm the timer; `fire` runs in the loop's thread, at least once after each expiry."""

    def stop(self) -> None:
        """Disarm and release; may be called twice."""


class Ticker:
    """Calls back at a fixed rate on absolute deadlines in the event loop's thread."""

    def __init__(self, rate: float, callback: TickCallback, ahead: float = 60e-6) -> None:
        """Prepare a ticker.

        Args:
            rate: ticks a second, Hz.
            callback: runs in the loop's thread; see `TickCallback`. It must not raise.
            ahead: how long before the deadline the timer wakes, s; 0 waits for the timer alone.
        """
        self.period = round(NANO / rate)
        self._callback = callback
        self._ahead = min(round(ahead * NANO), self.period // 4)
        self._timer: _Timer | None = None
        self._next = 0

    def start(self) -> None:
        """Start ticking in the running event loop; the first deadline is one period from now."""
        loop = asyncio.get_running_loop()
        self._next = time.monotonic_ns() + self.period
        self._timer = kernel_timer()
        self._timer.start(loop, self._next - self._ahead, self.period, self._fire)

    def stop(self) -> None:
        """Stop; no callback runs after this returns."""
        if self._timer is not None:
            self._timer.stop()
            self._timer = None

    def _fire(self) -> None:
        if self._timer is None:
            return
        clock = time.monotonic_ns
        now = clock()
        deadline = self._next
        if now < deadline - self._ahead:
            return  # a second wake-up for a deadline that was already served
        skipped = 0
        if now - deadline >= self.period:
            skipped = (now - deadline) // self.period
            deadline += skipped * self.period
        self._next = deadline + self.period
        while now < deadline:
            now = clock()
        self._callback(deadline, now, skipped)


def kernel_timer() -> _Timer:
    """Return the best timer of this system: timerfd, a waitable timer, else a sleeping thread."""
    if sys.platform == "linux":
        return _TimerFd()
    elif sys.platform == "win32":  # noqa: RET505 - mypy follows platform checks only through elif
        return _WaitableTimer()
    else:
        return _SleepingThread()


class _TimerSpec(ctypes.Structure):
    """``struct itimerspec`` of timerfd_settime(2): interval and first expiry, each s and ns."""

    _fields_ = (
        ("interval_s", ctypes.c_long),
        ("interval_ns", ctypes.c_long),
        ("value_s", ctypes.c_long),
        ("value_ns", ctypes.c_long),
    )


class _TimerFd:
    """timerfd(2) by ctypes: Python has it in `os` only from 3.13 on."""

    _CLOCK_MONOTONIC = 1
    _CLOEXEC_NONBLOCK = 0o2000000 | 0o4000
    _ABSTIME = 1

    def __init__(self) -> None:
        self._fd = -1
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(
        self, loop: asyncio.AbstractEventLoop, first: int, period: int, fire: Callable[[], None]
    ) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._fd = libc.timerfd_create(self._CLOCK_MONOTONIC, self._CLOEXEC_NONBLOCK)
        if self._fd < 0:
            raise OSError(ctypes.get_errno(), "timerfd_create")
        spec = _TimerSpec(period // NANO, period % NANO, first // NANO, first % NANO)
        if libc.timerfd_settime(self._fd, self._ABSTIME, ctypes.byref(spec), None) < 0:
            raise OSError(ctypes.get_errno(), "timerfd_settime")
        fd, read = self._fd, os.read

        def ready() -> None:
            try:
                read(fd, 8)
            except BlockingIOError:
                return
            fire()

        self._loop = loop
        loop.add_reader(fd, ready)

    def stop(self) -> None:
        if self._loop is not None:
            self._loop.remove_reader(self._fd)
            self._loop = None
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class _ThreadTimer:
    """Waits in a thread and wakes the loop; one wake-up is in flight at most."""

    def __init__(self) -> None:
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._pending = False

    def start(
        self, loop: asyncio.AbstractEventLoop, first: int, period: int, fire: Callable[[], None]
    ) -> None:
        def in_loop() -> None:
            self._pending = False
            fire()

        def wait() -> None:
            due = first
            while not self._stopping.is_set():
                self._wait_until(due)
                if not self._pending and not self._stopping.is_set():
                    self._pending = True
                    try:
                        loop.call_soon_threadsafe(in_loop)
                    except RuntimeError:  # the loop was closed while we waited
                        return
                behind = time.monotonic_ns() - due
                due += period * max(1, -(-behind // period))

        self._thread = threading.Thread(target=wait, name="draglink-timer", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(1.0)
            self._thread = None

    def _wait_until(self, due: int) -> None:
        raise AssertionError("a subclass waits")


class _SleepingThread(_ThreadTimer):
    """Where there is nothing better (macOS): an absolute sleep in a thread."""

    def _wait_until(self, due: int) -> None:
        remaining = due - time.monotonic_ns()
        if remaining > 0:
            time.sleep(remaining / NANO)


if sys.platform == "win32":

    class _WaitableTimer(_ThreadTimer):
        """CREATE_WAITABLE_TIMER_HIGH_RESOLUTION (Windows 10 1803 and later), one shot per deadline."""

        _HIGH_RESOLUTION = 0x2
        _ALL_ACCESS = 0x1F0003

        def __init__(self) -> None:
            super().__init__()
            self._kernel = ctypes.WinDLL("kernel32", use_last_error=True)
            create = self._kernel.CreateWaitableTimerExW
            create.restype = ctypes.c_void_p
            handle = create(None, None, self._HIGH_RESOLUTION, self._ALL_ACCESS)
            if not handle:  # an older Windows: the ordinary timer, good to about 1 ms
                handle = create(None, None, 0, self._ALL_ACCESS)
            if not handle:
                raise ctypes.WinError(ctypes.get_last_error())
            self._handle = ctypes.c_void_p(handle)

        def _wait_until(self, due: int) -> None:
            remaining = due - time.monotonic_ns()
            if remaining <= 0:
                return
            relative = ctypes.c_longlong(-(remaining // 100))  # negative: relative, in 100 ns
            if self._kernel.SetWaitableTimer(self._handle, ctypes.byref(relative), 0, None, None, False):
                self._kernel.WaitForSingleObject(self._handle, 1000)

        def stop(self) -> None:
            super().stop()
            if self._handle.value:
                self._kernel.CloseHandle(self._handle)
                self._handle = ctypes.c_void_p(None)
