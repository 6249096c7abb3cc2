"""From old settings to new ones: what has to be done. A start is a diff from nothing, a stop one to nothing.

Pure: nothing is done here. `bridge.service.daemon` carries the actions out, in the order given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bridge.force_path.parameters import Parameters


@dataclass(frozen=True)
class Wanted:
    """What the settings ask for, reduced to what the service acts on."""

    tick_rate: float
    """Hz"""
    wake_ahead: float
    """s"""
    parameters: Parameters
    source: tuple[str, Mapping[str, Any]] | None
    """Plugin name and its own settings."""
    sinks: Mapping[str, Mapping[str, Any]]
    """Plugin name -> its own settings, in the order of the file."""
    bus: tuple[str, str] | None
    """Endpoints of state and requests."""
    user_plugins: str
    """The user's plugin folder, or empty."""
    log: object
    """The log's own settings; compared, not looked into."""


@dataclass(frozen=True)
class SetUpLog:
    """Open or reopen the log."""

    log: object


@dataclass(frozen=True)
class IndexPlugins:
    """Look which plugins there are."""

    user_folder: str


@dataclass(frozen=True)
class Configure:
    """Give the force path new numbers."""

    parameters: Parameters


@dataclass(frozen=True)
class OpenSink:
    """Start a sink."""

    name: str
    table: Mapping[str, Any]


@dataclass(frozen=True)
class CloseSink:
    """Stop a sink; a device ends at zero torque."""

    name: str


@dataclass(frozen=True)
class OpenSource:
    """Start the source."""

    name: str
    table: Mapping[str, Any]


@dataclass(frozen=True)
class CloseSource:
    """Stop the source."""

    name: str


@dataclass(frozen=True)
class OpenBus:
    """Bind the bus."""

    state: str
    requests: str


@dataclass(frozen=True)
class CloseBus:
    """Release the bus."""


@dataclass(frozen=True)
class StartTicker:
    """Begin to tick."""

    rate: float
    ahead: float


@dataclass(frozen=True)
class StopTicker:
    """Stop ticking."""


Action = (
    SetUpLog
    | IndexPlugins
    | Configure
    | OpenSink
    | CloseSink
    | OpenSource
    | CloseSource
    | OpenBus
    | CloseBus
    | StartTicker
    | StopTicker
)


def diff(old: Wanted | None, new: Wanted | None) -> list[Action]:
    """Return what turns a service that runs as `old` wants into one as `new` wants.

    What must end comes before what must begin, so that a plugin whose settings changed is closed before it
    is opened again. `None` on either side: nothing runs.
    """
    return [*_endings(old, new), *_beginnings(old, new)]


def _endings(old: Wanted | None, new: Wanted | None) -> list[Action]:
    if old is None:
        return []
    found: list[Action] = []
    if new is None or (new.tick_rate, new.wake_ahead) != (old.tick_rate, old.wake_ahead):
        found.append(StopTicker())
    replugged = new is not None and new.user_plugins != old.user_plugins
    if old.source is not None and (new is None or replugged or new.source != old.source):
        found.append(CloseSource(old.source[0]))
    for name, table in old.sinks.items():
        if new is None or replugged or new.sinks.get(name) != table:
            found.append(CloseSink(name))
    if old.bus is not None and (new is None or new.bus != old.bus):
        found.append(CloseBus())
    return found


def _beginnings(old: Wanted | None, new: Wanted | None) -> list[Action]:
    if new is None:
        return []
    found: list[Action] = []
    if old is None or new.log != old.log:
        found.append(SetUpLog(new.log))
    replugged = old is None or new.user_plugins != old.user_plugins
    if replugged:
        found.append(IndexPlugins(new.user_plugins))
    if old is None or new.parameters != old.parameters:
        found.append(Configure(new.parameters))
    for name, table in new.sinks.items():
        if old is None or replugged or old.sinks.get(name) != table:
            found.append(OpenSink(name, table))
    if new.source is not None and (old is None or replugged or new.source != old.source):
        found.append(OpenSource(*new.source))
    if new.bus is not None and (old is None or new.bus != old.bus):
        found.append(OpenBus(*new.bus))
    if old is None or (new.tick_rate, new.wake_ahead) != (old.tick_rate, old.wake_ahead):
        found.append(StartTicker(new.tick_rate, new.wake_ahead))
    return found
