"""What keeps one plugin's failure from the others: report once a cause, count after, back off, try again.

This module does not know what a plugin does.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from typing import Protocol

from bridge.contract import PluginState, PluginStatus

FIRST_DELAY = 0.1
LONGEST_DELAY = 10.0
GOOD_RUN = 10.0
"""After running this long, s, a failure counts as a first one again."""
WAIT_DELAY = 0.25
"""A plugin that waits for its sim or device is tried again after this, s."""


class Report(Protocol):
    """How hosting tells of events; names are those of the log's catalogue."""

    def __call__(self, event: str, /, **facts: object) -> None:
        """Report one event; thread-safe."""


class Backoff:
    """Capped exponential back-off."""

    def __init__(self) -> None:
        self._delay = FIRST_DELAY
        self._started = 0.0

    def started(self, now: float) -> None:
        """Note that the plugin runs since `now`, s."""
        self._started = now

    def failed(self, now: float) -> float:
        """Note a failure; return how long to wait before the next try, s."""
        if self._started and now - self._started >= GOOD_RUN:
            self._delay = FIRST_DELAY
        self._started = 0.0
        delay = self._delay
        self._delay = min(delay * 2.0, LONGEST_DELAY)
        return delay


class Causes:
    """Failures by cause: type, message and place."""

    def __init__(self, report: Report, kind: str, name: str) -> None:
        self._report = report
        self._kind = kind
        self._name = name
        self.counts: dict[str, int] = {}

    def note(self, doing: str, error: BaseException) -> str:
        """Count a failure and report it the first time; return it in words."""
        frames = traceback.extract_tb(error.__traceback__)
        place = f"{frames[-1].filename}, line {frames[-1].lineno}" if frames else ""
        cause = f"{type(error).__name__}: {error}"
        key = f"{doing}: {cause} ({place})"
        self.counts[key] = self.counts.get(key, 0) + 1
        if self.counts[key] == 1:
            self._report(
                "plugin_failed", kind=self._kind, plugin=self._name, doing=doing, error=cause, place=place
            )
        if len(self.counts) > 200:  # a message that changes every time must not grow without bound
            self.counts = {key: self.counts[key]}
        return cause


class StateHolder:
    """A plugin's status and who wants to know of its changes."""

    def __init__(self, kind: str, name: str, origin: str, changed: Callable[[PluginStatus], None]) -> None:
        self._changed = changed
        self.status = PluginStatus(kind, name, PluginState.AVAILABLE, "", 0, origin)

    def set(self, state: PluginState, reason: str = "", failed: bool = False) -> None:
        """Change the state; tell of it only if something changed."""
        old = self.status
        self.status = old._replace(state=state, reason=reason, failures=old.failures + failed)
        if (old.state, old.reason) != (state, reason):
            self._changed(self.status)
