"""Orderly stop on SIGINT, SIGTERM, SIGHUP, Ctrl-C, Ctrl-Break and the closing of a console."""

from __future__ import annotations

import asyncio
import ctypes
import signal
import sys
from collections.abc import Callable

if sys.platform == "win32":
    _Handler = ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)

STOP_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopRequests:
    """Turns the system's ways to say *stop* into one callback in the event loop."""

    def __init__(self, stop: Callable[[str], None]) -> None:
        """`stop` gets the name of what asked; it runs in the loop's thread, once per request."""
        self._stop = stop
        self._previous: dict[int, object] = {}
        self._console: object | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    def install(self) -> None:
        """Listen; must run in the main thread with a running loop."""
        self._loop = asyncio.get_running_loop()
        for name in STOP_SIGNALS:
            number = getattr(signal, name, None)
            if number is None:
                continue
            try:
                self._loop.add_signal_handler(number, self._stop, name)
            except NotImplementedError:  # Windows: a plain handler, which asks the loop
                self._previous[number] = signal.signal(number, self._from_signal)
        if sys.platform == "win32":
            self._install_console_handler()

    def remove(self) -> None:
        """Give the signals back."""
        for name in STOP_SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and self._loop is not None and number not in self._previous:
                self._loop.remove_signal_handler(number)
        for number, handler in self._previous.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # signal.signal's own return value
        self._previous.clear()
        if sys.platform == "win32" and self._console is not None:
            ctypes.WinDLL("kernel32").SetConsoleCtrlHandler(self._console, False)
            self._console = None

    def _from_signal(self, number: int, _: object) -> None:
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._stop, signal.Signals(number).name)

    if sys.platform == "win32":

        def _install_console_handler(self) -> None:
            """Hold the handler until we are done: Windows ends the process 5 s after it, at the latest."""
            close, logoff, shutdown = 2, 5, 6

            def handler(event: int) -> int:
                if event in (close, logoff, shutdown) and self._loop is not None:
                    self._loop.call_soon_threadsafe(self._stop, "console closed")
                    ctypes.WinDLL("kernel32").Sleep(4000)
                    return 1
                return 0

            self._console = _Handler(handler)
            ctypes.WinDLL("kernel32").SetConsoleCtrlHandler(self._console, True)
