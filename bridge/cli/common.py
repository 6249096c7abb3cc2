"""What several commands need."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from bridge.cli import exit_codes

if TYPE_CHECKING:
    from bridge.bus import BusClient


def fail(text: str, code: int = exit_codes.PROBLEM) -> NoReturn:
    """Say what is wrong and end with a code."""
    print(text, file=sys.stderr)
    raise typer.Exit(code)


def show_json(data: Any) -> None:
    """Print data for programs."""
    print(json.dumps(data, indent=2, ensure_ascii=False, default=str))


def client(timeout: float = 1.0) -> BusClient:
    """Return a connection to the running daemon, or end with `NO_DAEMON`."""
    from bridge.bus import BusClient, NoDaemon  # noqa: PLC0415 - keeps --help quick
    from bridge.settings import places  # noqa: PLC0415 - as above

    try:
        return BusClient(places.runtime_folder(), timeout)
    except NoDaemon as error:
        fail(str(error), exit_codes.NO_DAEMON)


def ask(request: str) -> dict[str, Any]:
    """Ask the running daemon one thing, or end with what went wrong."""
    from bridge.bus import NoDaemon  # noqa: PLC0415 - keeps --help quick

    with client() as bus:
        try:
            return bus.ask(request)
        except NoDaemon as error:
            fail(str(error), exit_codes.NO_DAEMON)
        except ValueError as error:
            fail(str(error))
