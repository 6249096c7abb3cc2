"""What the operating system can do for punctual ticks without any privilege, and the garbage collector.

Every step is best effort: what fails is reported and the daemon runs on.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import sys

_PR_SET_TIMERSLACK = 29
_RT_PRIORITY = 5
"""Low among real-time priorities: audio and the kernel's own threads come first."""
_NICE = -11


def ask_for_punctuality(priority: bool) -> list[str]:
    """Ask for punctual ticks; return what was granted.

    Linux: short timer slack; with `priority` also round-robin scheduling for the calling thread where the
    user may (RLIMIT_RTPRIO, or root), else a better nice value where the user may. Threads and processes
    started later do not inherit the first; a nice value they do. Windows: no power throttling, high priority
    class.
    """
    if sys.platform == "linux":
        return _linux(priority)
    elif sys.platform == "win32":  # noqa: RET505 - mypy follows platform checks only through elif
        return _windows()
    else:
        return []


def _linux(priority: bool) -> list[str]:
    libc = ctypes.CDLL(None, use_errno=True)
    granted = ["timer slack 1 ns"] if libc.prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0) == 0 else []
    if priority:
        try:
            policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
            os.sched_setscheduler(0, policy, os.sched_param(_RT_PRIORITY))
            granted.append("round-robin scheduling")
        except OSError:
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, 0, _NICE)
                granted.append(f"nice {_NICE}")
    return granted


if sys.platform == "win32":

    class _PowerThrottling(ctypes.Structure):
        """PROCESS_POWER_THROTTLING_STATE of SetProcessInformation."""

        _fields_ = (("version", ctypes.c_ulong), ("control", ctypes.c_ulong), ("state", ctypes.c_ulong))

    def _windows() -> list[str]:
        kernel = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel.GetCurrentProcess.restype = ctypes.c_void_p
        process = ctypes.c_void_p(kernel.GetCurrentProcess())
        granted = []
        execution_speed, ignore_timer_resolution, power_throttling = 0x1, 0x4, 4
        state = _PowerThrottling(1, execution_speed | ignore_timer_resolution, 0)
        size = ctypes.sizeof(state)
        if kernel.SetProcessInformation(process, power_throttling, ctypes.byref(state), size):
            granted.append("no power throttling")
        high_priority = 0x80
        if kernel.SetPriorityClass(process, high_priority):
            granted.append("high priority class")
        return granted


class CollectorSchedule:
    """Runs the garbage collector right after a tick instead of wherever an allocation triggers it.

    What exists at `begin` is frozen (never scanned again), so a young collection takes some ten
    microseconds and falls into the idle part of the tick.
    """

    def __init__(self, young_every: int = 100, old_every: int = 5_000) -> None:
        """Schedule by ticks: `young_every` and `old_every`."""
        self._young = young_every
        self._old = old_every

    def begin(self) -> None:
        """Take over from the automatic collector."""
        gc.collect()
        gc.freeze()
        gc.disable()

    def after_tick(self, sequence: int) -> None:
        """Collect if it is time; `sequence` counts ticks."""
        if sequence % self._young == 0:
            gc.collect(1 if sequence % self._old == 0 else 0)

    def end(self) -> None:
        """Give it back to the automatic collector."""
        gc.unfreeze()
        gc.enable()
