"""The plugins that run: starts and stops their runners, hears of their changes, tells the force path.

This module does not know the settings file; it gets plugin names with their tables.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from bridge.contract import PluginState, PluginStatus, WheelFacts
from bridge.hosting.host import PluginHost
from bridge.hosting.importing import make_settings
from bridge.hosting.index import Kind, PluginError, PluginIndex
from bridge.hosting.isolation import Report
from bridge.hosting.sink_runner import SinkRunner
from bridge.hosting.source_runner import SourceRunner
from bridge.service.ticking import TickLoop
from bridge.settings.loading import Loaded, missing_for_hardware, plugin_problems
from bridge.settings.models import Settings
from bridge.settings.toml_text import Problem


class Plugins:
    """Source and sinks of the session."""

    def __init__(
        self,
        ticks: TickLoop,
        wheel: Callable[[], WheelFacts],
        report: Report,
        running: Callable[[str, bool], None],
        near: Path | None,
    ) -> None:
        """Prepare.

        Args:
            ticks: gets the ports.
            wheel: the user's wheel, as the settings now say.
            report: thread-safe; see `Report`.
            running: called in the loop's thread whenever one begins to run: "source" or "sink", and
                whether the torque depends on it (a recorder's beginning does not touch it).
            near: folder of the settings file.
        """
        self._ticks = ticks
        self._wheel = wheel
        self._report = report
        self._running = running
        self._near = near
        self._loop = asyncio.get_running_loop()
        self.index = PluginIndex()
        self.source: SourceRunner | None = None
        self.sinks: dict[str, SinkRunner] = {}
        self.unusable: dict[str, PluginStatus] = {}
        """Configured plugins that cannot be used at all, by "kind name"."""
        self._hosts: dict[str, PluginHost] = {}

    def look_for(self, user_folder: str) -> None:
        """Index the shipped plugins and the user's.

        Raises:
            PluginError: the folder does not exist, or two plugins have one name.
        """
        self.index = PluginIndex(Path(user_folder).expanduser() if user_folder else None)

    def problems(self, loaded: Loaded) -> list[Problem]:
        """Return what the plugins themselves find wrong with their tables."""
        settings = loaded.settings
        assert settings is not None
        found: list[Problem] = []
        for kind, name, table, place in _tables(settings):
            try:
                cls = self.index.load(kind, name)
                make_settings(cls, dict(table))
                if kind == "sink" and not getattr(cls, "virtual", False):
                    found += missing_for_hardware(loaded, name)
            except ValidationError as error:
                model = getattr(cls, "Settings")  # noqa: B009 - the loader has checked that it is there
                found += plugin_problems(error, loaded.file, loaded.text, place, model)
            except PluginError:
                continue  # it disables only itself: opening it says so
        return found

    # -------------------------------------------------------------------------------- source

    def open_source(self, name: str, table: Mapping[str, Any]) -> None:
        """Start the source."""
        make = self._maker("source", name, table)
        if make is not None:
            self.source = SourceRunner(name, self._origin("source", name), make, self._report, self._changed)
            self._ticks.source = self.source
            self.source.start()

    async def close_source(self) -> None:
        """Stop the source."""
        runner, self.source = self.source, None
        self._ticks.source = None
        if runner is not None:
            await runner.stop()
            self._hosts.pop(f"source {runner.name}", None)
        self.unusable = {key: status for key, status in self.unusable.items() if status.kind != "source"}

    # -------------------------------------------------------------------------------- sinks

    def open_sink(self, name: str, table: Mapping[str, Any]) -> None:
        """Start a sink."""
        make = self._maker("sink", name, table)
        if make is not None:
            runner = SinkRunner(name, self._origin("sink", name), make, self._report, self._changed)
            self.sinks[name] = runner
            runner.start()

    async def close_sink(self, name: str) -> None:
        """Stop a sink; a device has had its zero command when this returns."""
        runner = self.sinks.pop(name, None)
        self.unusable.pop(f"sink {name}", None)
        self._share_out()
        if runner is not None and not await asyncio.to_thread(runner.stop):
            self._report("sink_blocked", plugin=name, seconds=2.0)
        self._hosts.pop(f"sink {name}", None)

    def _share_out(self) -> None:
        """Give the tick loop its ports: who takes commands, who observes, whose wheel closes the loop."""
        running = [sink for sink in self.sinks.values() if sink.status.state is PluginState.RUNNING]
        self._ticks.sinks = [sink for sink in running if not sink.observes]
        self._ticks.observers = [sink for sink in running if sink.observes]
        self._ticks.wheel_sink = next((sink for sink in running if sink.has_wheel), None)

    async def settled(self, limit: float = 1.0) -> None:
        """Wait until every plugin has been tried once, at most `limit` s: starting processes costs ticks."""
        end = self._loop.time() + limit
        while self._loop.time() < end:
            if all(status.state is not PluginState.AVAILABLE for status in self.statuses()):
                return
            await asyncio.sleep(0.01)

    def note(self, kind: str, now: float, content: dict[str, object]) -> None:
        """Tell the observers of an input of the force path, or of an event."""
        for sink in self.sinks.values():
            sink.note(kind, now, content)

    def cut_orders(self) -> list[dict[str, Any]]:
        """Return how the supervisor cuts the devices that run."""
        orders: list[dict[str, Any]] = []
        for sink in self.sinks.values():
            plugin = sink.plugin
            if plugin is not None and not sink.observes and not _harmless(plugin):
                orders.append(dict(plugin.cut_order() or {"cutter": "none", "sink": sink.name}))
        return orders

    def keep(self) -> str:
        """Ask the recorder to keep the last minute; return the file.

        Raises:
            ValueError: no recorder runs, or it could not.
        """
        for sink in self.sinks.values():
            keep = getattr(sink.plugin, "keep", None)
            if keep is not None:
                return str(keep())
        raise ValueError("no recorder runs; add [sinks.recorder] to the settings")

    def look(self, now: float) -> None:
        """Look after hanging writes; now and then."""
        for sink in self.sinks.values():
            sink.look(now)

    # -------------------------------------------------------------------------------- reports

    def statuses(self) -> list[PluginStatus]:
        """Return the state of everything that is configured."""
        source = [self.source.status] if self.source is not None else []
        return [*source, *(sink.status for sink in self.sinks.values()), *self.unusable.values()]

    def counters(self) -> dict[str, int]:
        """Return what plugins counted: "source udp: record_size" -> times."""
        return {
            f"{who}: {cause}": n for who, host in self._hosts.items() for cause, n in host.counters.items()
        }

    def state(self) -> dict[str, Any]:
        """Return the plugins' part of the state message."""
        runner = self.source
        plugin = runner.plugin if runner is not None else None
        shown = next((status for status in self.statuses() if status.kind == "source"), None)
        return {
            "source": {
                "name": shown.name if shown else "",
                "state": str(shown.state) if shown else "none",
                "reason": shown.reason if shown else "no source is configured",
                "nominal_hz": plugin.nominal_rate if plugin is not None else 0.0,
                "fields": sorted(plugin.fields) if plugin is not None else [],
            },
            "sinks": [
                {
                    "name": sink.status.name,
                    "state": str(sink.status.state),
                    "reason": sink.status.reason,
                    "virtual": bool(sink.plugin is not None and sink.plugin.virtual),
                    "writes": sink.writes,
                }
                for sink in self.sinks.values()
            ],
            "counters": self.counters(),
        }

    # -------------------------------------------------------------------------------- inside

    def _origin(self, kind: Kind, name: str) -> str:
        return self.index.find(kind, name).origin

    def _maker(self, kind: Kind, name: str, table: Mapping[str, Any]) -> Callable[[], Any] | None:
        """Return what constructs the plugin, or `None` after saying why it cannot be used."""
        key = f"{kind} {name}"
        try:
            cls = self.index.load(kind, name)
            settings = make_settings(cls, dict(table))
        except (PluginError, ValidationError) as error:
            reason = str(error)
            self.unusable[key] = PluginStatus(kind, name, PluginState.UNAVAILABLE, reason)
            self._report("plugin_unavailable", kind=kind, plugin=name, reason=reason)
            return None
        host = PluginHost(kind, name, self._wheel, self._report, self._near)
        self._hosts[key] = host
        return lambda: cls(settings, host)

    def _changed(self, status: PluginStatus) -> None:
        """From any thread."""
        try:
            self._loop.call_soon_threadsafe(self._on_change, status)
        except RuntimeError:  # the loop is closed: the session is over
            return

    def _on_change(self, status: PluginStatus) -> None:
        facts = {"plugin": status.name, "origin": status.origin}
        event = {PluginState.RUNNING: "opened", PluginState.WAITING: "awaited"}.get(status.state)
        if status.kind == "sink":
            self._share_out()
        if event is not None:
            if status.reason:
                facts["reason"] = status.reason
            self._report(f"{status.kind}_{event}", **facts)
        if status.state is PluginState.RUNNING:
            sink = self.sinks.get(status.name) if status.kind == "sink" else None
            plugin = sink.plugin if sink is not None else None
            drives = sink is None or plugin is None or not (sink.observes or _harmless(plugin))
            self._running(status.kind, drives)


def _harmless(plugin: Any) -> bool:
    """A sink without a wheel and without a way to cut it drives nothing that moves."""
    return bool(type(plugin).virtual) and plugin.cut_order() is None


def _tables(settings: Settings) -> list[tuple[Kind, str, Mapping[str, Any], tuple[str, ...]]]:
    found: list[tuple[Kind, str, Mapping[str, Any], tuple[str, ...]]] = [
        ("source", settings.source.plugin, settings.source.table(), ("source",))
    ]
    found += [("sink", name, table, ("sinks", name)) for name, table in settings.sinks.items()]
    return found
