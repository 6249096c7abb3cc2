"""What a plugin may ask of the daemon: clock, counters, events, data files, facts of the wheel."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from bridge.contract import WheelFacts
from bridge.hosting.isolation import Report
from bridge.settings.places import find_config


class PluginHost:
    """The daemon as one plugin sees it; implements `bridge.contract.Host`."""

    now = staticmethod(time.monotonic)

    def __init__(
        self,
        kind: str,
        name: str,
        wheel: Callable[[], WheelFacts],
        report: Report,
        near: Path | None = None,
    ) -> None:
        """`near` is the folder of the settings file: relative paths start there."""
        self.counters: dict[str, int] = {}
        """Cause -> times, as the plugin counted."""
        self._kind = kind
        self._name = name
        self._wheel = wheel
        self._report = report
        self._near = near

    @property
    def wheel(self) -> WheelFacts:
        """The user's wheel, as the settings now say."""
        return self._wheel()

    def count(self, cause: str, times: int = 1) -> None:
        """Count an event."""
        self.counters[cause] = self.counters.get(cause, 0) + times

    def notice(self, event: str, **facts: object) -> None:
        """Log an event of the catalogue."""
        self._report(event, kind=self._kind, plugin=self._name, **facts)

    def find_config(self, kind: str, name: str) -> Path:
        """Find a data file; raises FileNotFoundError with what there is."""
        return find_config(kind, name, self._near)
