"""The commands, put together; and what is common to all of them."""

from __future__ import annotations

import os
import sys
import traceback
from typing import Annotated

import typer

import bridge
from bridge.cli import drive, exit_codes, recordings, settings, support, wheel

app = typer.Typer(
    name="draglink",
    help="Correct, smooth and safe steering torque for racing simulations that never had it.",
    no_args_is_help=True,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for panel, module in (
    ("Drive", drive),
    ("Wheel", wheel),
    ("Settings", settings),
    ("Recordings", recordings),
    ("Support", support),
):
    for command in module.COMMANDS:
        app.command(rich_help_panel=panel)(command)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"draglink {bridge.__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options before the command."""


def run_app() -> None:
    """Run; nobody sees a traceback unless they ask for it with DRAGLINK_TRACEBACK=1."""
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(exit_codes.INTERRUPTED)
    except Exception as error:
        if os.environ.get("DRAGLINK_TRACEBACK"):
            raise
        frame = traceback.extract_tb(error.__traceback__)[-1]
        print(
            f"draglink failed in a way nobody foresaw: {type(error).__name__}: {error} "
            f"({frame.filename}, line {frame.lineno}). Set DRAGLINK_TRACEBACK=1 to see all of it.",
            file=sys.stderr,
        )
        sys.exit(exit_codes.PROBLEM)
