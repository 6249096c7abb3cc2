"""The bases of source and sink plugins, and what the host offers them.

This module does not know how plugins are found, loaded or scheduled (`bridge.hosting` does).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from enum import StrEnum
from pathlib import Path
from typing import ClassVar, Generic, NamedTuple, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict

from bridge.contract.command import Command
from bridge.contract.frame import Frame
from bridge.contract.wheel import WheelFacts, WheelState


class PluginSettings(BaseModel):
    """Base of a plugin's settings: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)


SettingsT = TypeVar("SettingsT", bound=PluginSettings)


class Host(Protocol):
    """What the daemon offers a plugin."""

    @property
    def wheel(self) -> WheelFacts:
        """The user's wheel."""

    def now(self) -> float:
        """Return the monotonic clock, s: the clock of `WheelState.time` and `Command.time`."""

    def count(self, cause: str, times: int = 1) -> None:
        """Count an event (a rejected record, a torn read, a retry); the service reports counters."""

    def notice(self, event: str, **facts: object) -> None:
        """Log an event of the catalogue (`bridge.log`), at most a few times an hour. Thread-safe."""

    def find_config(self, kind: str, name: str) -> Path:
        """Find a data file: `kind` is a folder of ``config/`` ("sims"), `name` a stem or a path.

        The user's own folder comes first, then the shipped one.

        Raises:
            FileNotFoundError: with the places searched and the names that exist.
        """


class PluginUnavailable(Exception):
    """Raised in ``open`` when the thing is not there *yet* (sim not started, wheel unplugged).

    The host waits and tries again with back-off, and says once what it waits for; it is not a fault.
    """


class Plugin(Generic[SettingsT]):
    """What sources and sinks share."""

    Settings: ClassVar[type[PluginSettings]] = PluginSettings
    """The model of this plugin's settings."""

    def __init__(self, settings: SettingsT, host: Host) -> None:
        self.settings = settings
        self.host = host

    def open(self) -> None:
        """Acquire what is needed; called before the first use and again after a failure. May raise.

        Runs in a worker thread: it may take seconds, but must not rely on the event loop.
        """

    def close(self) -> None:
        """Release everything; must be safe after a failed `open` and when called twice."""


class Source(Plugin[SettingsT], ABC):
    """A polled source: one method, ``read``."""

    fields: frozenset[str] = frozenset()
    """Which fields of `FRAME_FIELDS` its frames fill; may be set in ``open``."""
    nominal_rate: float = 0.0
    """Frames a second expected of the sim, Hz; 0 = unknown."""
    may_block: ClassVar[bool] = False
    """True: ``read`` may take longer than 0.2 ms; the host polls it in a thread of its own."""

    @abstractmethod
    def read(self) -> Frame | None:
        """Return a new frame, or ``None`` if there is none since the last call.

        Called once a tick (1 kHz). Must return within 0.2 ms unless `may_block`. May raise: the host
        isolates, reports and restarts the plugin.
        """

    def raw(self) -> bytes | None:
        """Return the bytes the last frame was decoded from, for the recording; ``None`` if there are none."""
        return None


class StreamingSource(Plugin[SettingsT], ABC):
    """A source that waits for its data: an asynchronous iterator of frames."""

    fields: frozenset[str] = frozenset()
    """See `Source.fields`."""
    nominal_rate: float = 0.0
    """See `Source.nominal_rate`."""

    @abstractmethod
    def frames(self) -> AsyncIterator[Frame]:
        """Yield frames as they arrive (write it as ``async def frames(self): ... yield frame``).

        Runs in the event loop. Ending or raising counts as a failure; the host restarts it with back-off.
        Cancelled at close.
        """

    def raw(self) -> bytes | None:
        """See `Source.raw`."""
        return None


class Sink(Plugin[SettingsT], ABC):
    """Takes torque commands: a device, usually."""

    virtual: ClassVar[bool] = False
    """True for anything that is not hardware; shown as such everywhere."""

    @abstractmethod
    def write(self, command: Command) -> None:
        """Deliver a command. Runs in the sink's own writer thread behind a newest-wins mailbox; may block.

        Only commands with ``due`` set arrive. May raise: isolated, reported, reopened with back-off.
        """

    def wheel(self) -> WheelState | None:
        """Return the newest state of the wheel, or ``None`` if there is none (yet).

        Called once a tick in the tick's thread: must return within 20 us and never block.
        """
        return None

    def cut_order(self) -> dict[str, object] | None:
        """Tell the supervisor how to take the force off this device when the daemon hangs.

        Plain data: ``cutter`` names one of `bridge.service.supervisor`'s ways ("bench_wheel", "evdev"), the
        rest is what that one needs. ``None``: the system ends the force with the process, and the supervisor
        ends a hung process.
        """
        return None


class Tick(NamedTuple):
    """All that went into one tick of the force path and the command that came out."""

    now: float
    """The time argument of the tick, s (the deadline, monotonic)."""
    started: float
    """When the tick really started, s (monotonic); ``started - now`` is its lateness."""
    frames: tuple[tuple[float, Frame, bytes | None], ...]
    """Frames handed to the force path before this tick: arrival (monotonic s), frame, raw bytes."""
    wheel: WheelState | None
    """The wheel state given to this tick."""
    command: Command
    """What came out."""
    delivered: tuple[int, float] | None = None
    """Sequence of the last command that the device took, and when its write returned (monotonic s)."""


class Observer(Sink[SettingsT], ABC):
    """A sink that sees every tick with its inputs (the recorder)."""

    def write(self, command: Command) -> None:
        """Ignore single commands: `observe` sees each of them with its inputs."""

    @abstractmethod
    def observe(self, tick: Tick) -> None:
        """Take note of a tick. Runs in the tick's thread: must return within 20 us and never block."""

    def note(self, kind: str, time: float, content: dict[str, object]) -> None:
        """Take note of any other input of the force path or of an event.

        ``kind`` is "parameters", "calm", "resume", "restart" (inputs of the force path, in their order
        between ticks), or "event" (a log event).
        """


class PluginState(StrEnum):
    """Where a plugin is in its life."""

    AVAILABLE = "available"
    UNAVAILABLE = "unavailable"
    WAITING = "waiting"
    RUNNING = "running"
    FAILED = "failed"


class PluginStatus(NamedTuple):
    """A plugin's state as shown to users."""

    kind: str
    """Either "source" or "sink"."""
    name: str
    state: PluginState
    reason: str = ""
    """Why it is unavailable, waiting or failed; plain words with what to do."""
    failures: int = 0
    """How often it failed since the start."""
    origin: str = ""
    """Where it comes from: "built-in" or the path of the user folder."""
