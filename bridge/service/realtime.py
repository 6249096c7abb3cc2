"""What the operating system can do for punctual ticks without any privilege, and the garbage collector.

Every step is best effort: what fails is reported and the daemon runs on.
"""

from __future__ import annotations

import ctypes
import gc
import sys

_PR_SET_TIMERSLACK = 29


def ask_for_punctuality() -> list[str]:
    """Ask for short timer slack (Linux) or no power throttling (Windows); return what was granted."""
    if sys.platform == "linux":
        return _linux()
    elif sys.platform == "win32":  # noqa: RET505 - mypy follows platform checks only through elif
        return _windows()
    else:
        return []


def _linux() -> list[str]:
    libc = ctypes.CDLL(None, use_errno=True)
    return ["timer slack 1 ns"] if libc.prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0) == 0 else []


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
