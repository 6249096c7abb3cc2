"""Takes commands and drops them: to try a source without any wheel."""

from __future__ import annotations

from typing import ClassVar

from bridge.contract import Command, Host, PluginSettings, Sink


class NullSettings(PluginSettings):
    """It has none."""


class Null(Sink[NullSettings]):
    """Counts what it is given."""

    Settings = NullSettings
    virtual: ClassVar[bool] = True

    def __init__(self, settings: NullSettings, host: Host) -> None:
        super().__init__(settings, host)
        self.count = 0
        self.last: Command | None = None

    def write(self, command: Command) -> None:
        """Count a command."""
        self.count += 1
        self.last = command
