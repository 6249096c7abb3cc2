"""Panel *Wheel*: devices."""

from __future__ import annotations

from typing import Annotated

import typer

from bridge.cli.common import show_json


def devices(as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False) -> None:
    """List the wheels of this machine and the plugins there are."""
    from bridge.cli.listing import device_rows, plugin_rows, show_devices  # noqa: PLC0415 - keeps --help quick

    found, reason = device_rows()
    if as_json:
        show_json({"devices": found, "reason": reason, "plugins": plugin_rows()})
    else:
        show_devices(found, reason, plugin_rows())


COMMANDS = (devices,)
