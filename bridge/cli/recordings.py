"""Panel *Recordings*: replay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.cli.common import fail
from bridge.cli.run import run_daemon


def replay(
    file: Annotated[Path, typer.Argument(help="A recording (.mcap).")],
    settings: Annotated[Path | None, typer.Option("--settings", "-s", help="Settings file.")] = None,
    speed: Annotated[float, typer.Option(min=0.0, max=1000.0, help="1 = as recorded, 0 = at once.")] = 1.0,
    start: Annotated[float, typer.Option(min=0.0, help="Begin so many seconds in.")] = 0.0,
    repeat: Annotated[bool, typer.Option("--repeat", help="Begin again at the end.")] = False,
    sink: Annotated[
        str, typer.Option(help="Which sink to drive; the settings' own: 'as set'.")
    ] = "bench_wheel",
) -> None:
    """Drive a sink with the frames of a recording; the virtual wheel unless you say otherwise."""
    if not file.exists():
        fail(f"there is no file {file}")
    table = {
        "plugin": "file_replay",
        "file": str(file.resolve()),
        "speed": speed,
        "start": start,
        "repeat": repeat,
    }
    overrides: dict[str, object] = {"source": table}
    if sink != "as set":
        overrides["sinks"] = {sink: {}}
    raise typer.Exit(run_daemon(settings, overrides))


COMMANDS = (replay,)
