"""Panel *Drive*: run, demo, live, calm, resume, keep."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.cli.common import ask, show_json
from bridge.cli.run import run_daemon

SettingsFile = Annotated[
    Path | None, typer.Option("--settings", "-s", help="Settings file; default: your own.")
]


def run(settings: SettingsFile = None) -> None:
    """Run the daemon in this terminal until Ctrl-C."""
    raise typer.Exit(run_daemon(settings))


def demo(
    seconds: Annotated[float, typer.Option(min=5.0, max=3600.0, help="How long to drive.")] = 20.0,
    summary: Annotated[Path | None, typer.Option(help="Also write the summary to this JSON file.")] = None,
    folder: Annotated[Path | None, typer.Option(help="Keep settings, log and recording here.")] = None,
    strength: Annotated[str, typer.Option(help="Share of the virtual wheel's peak.")] = "20 %",
) -> None:
    """Drive the invented sim Saltmarsh with a virtual wheel: nothing moves, everything runs."""
    from bridge.cli.demo import run_demo  # noqa: PLC0415 - keeps --help quick

    raise typer.Exit(run_demo(seconds, summary, folder, strength))


def live(
    once: Annotated[bool, typer.Option("--once", help="Show one state and end.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="States as JSON lines, for programs.")] = False,
) -> None:
    """Show what the running daemon does: torque, ceiling, clipping, rates, model, guards."""
    from bridge.cli.live import show_live  # noqa: PLC0415 - keeps --help quick

    raise typer.Exit(show_live(once, as_json))


def calm() -> None:
    """Zero torque at once, until resume."""
    ask("calm")
    print("Calm: the torque is zero until 'draglink resume'.")


def resume() -> None:
    """End calm; the torque fades in."""
    ask("resume")
    print("The torque fades in. Hands at the rim, thumbs outside.")


def keep(as_json: Annotated[bool, typer.Option("--json")] = False) -> None:
    """Keep the last minute as a recording."""
    answer = ask("keep")
    if as_json:
        show_json(answer)
    else:
        print(f"The last minute is being written to {answer['path']}")


COMMANDS = (run, demo, live, calm, resume, keep)
