"""Tables of devices and plugins."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table

from bridge.hosting.importing import import_plugin
from bridge.hosting.index import PluginError, PluginIndex, bind_shipped


def device_rows() -> tuple[list[dict[str, Any]], str]:
    """Return the haptic devices of this machine, and why there are none if there are none."""
    bind_shipped()
    from plugins.sinks.haptic import list_devices  # noqa: PLC0415 - bound just above

    devices, reason = list_devices()
    return [device._asdict() for device in devices], reason


def plugin_rows() -> list[dict[str, str]]:
    """Return every plugin with whether it can be used; imports each, which `run` does not."""
    rows = []
    for entry in PluginIndex().entries():
        try:
            import_plugin(entry)
            state, reason = "available", ""
        except PluginError as error:
            state, reason = "unavailable", str(error)
        row = {
            "kind": entry.kind,
            "name": entry.name,
            "state": state,
            "summary": entry.summary,
            "reason": reason,
        }
        rows.append(row)
    return rows


def show_devices(devices: list[dict[str, Any]], reason: str, plugins: list[dict[str, str]]) -> None:
    """Print both lists."""
    console = Console()
    table = Table(title="Wheels and other haptic devices", title_justify="left")
    for column in ("no.", "name", "USB id", "serial", "axes", "abilities", "usable"):
        table.add_column(column, overflow="fold")
    for device in devices:
        table.add_row(
            str(device["number"]), device["name"], device["usb_id"], device["serial"],
            ", ".join(device["axes"]), ", ".join(device["abilities"]), device["reason"] or "yes",
        )  # fmt: skip
    console.print(table if devices else reason)
    table = Table(title="Plugins", title_justify="left")
    for column in ("kind", "name", "state", "what it does"):
        table.add_column(column, overflow="fold")
    for row in plugins:
        table.add_row(row["kind"], row["name"], row["state"], row["reason"] or row["summary"])
    console.print(table)
