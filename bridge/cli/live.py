"""The screen of ``draglink live``."""

from __future__ import annotations

import json
from typing import Any

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bridge.cli import exit_codes
from bridge.cli.common import client

_BAR = 41
_PATIENCE = 3


def torque_bar(torque: float, ceiling: float, width: int = _BAR) -> str:
    """Return a bar about its middle: left of it the torque pulls left; the ends are the ceiling."""
    half = width // 2
    filled = round(min(1.0, abs(torque) / ceiling) * half) if ceiling > 0.0 else 0
    left = ("█" * filled if torque > 0.0 else "").rjust(half, "·")
    right = ("█" * filled if torque < 0.0 else "").ljust(half, "·")
    return f"{left}┃{right}"


def screen(state: dict[str, Any]) -> Group:
    """Return the whole screen for one state message."""
    return Group(_torque(state), _rates(state), _trouble(state))


def _torque(state: dict[str, Any]) -> Panel:
    force = state["force"]
    torque, ceiling = force["torque_nm"], force["ceiling_nm"]
    line = Text(torque_bar(torque, ceiling), style="red" if "ceiling" in force["active_guards"] else "green")
    numbers = Text(
        f"{torque:+6.2f} N m at the rim (left +)   ceiling {ceiling:.2f} N m   "
        f"clipped {100.0 * force['clipped_fraction']:.1f} %   gain {100.0 * force['gain']:.0f} %"
    )
    title = "torque: CALM" if state["calm"] else "torque"
    return Panel(Group(line, numbers), title=title, title_align="left")


def _rates(state: dict[str, Any]) -> Table:
    force, source, ticks = state["force"], state["source"], state["ticks"]
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    nominal = f" of {source['nominal_hz']:.0f}" if source["nominal_hz"] else ""
    table.add_row("source", f"{source['name']} {source['state']}, {source['rate_hz']:.1f}{nominal} frames/s")
    rejected = ", ".join(f"{cause} {count}" for cause, count in state["frames"]["rejected"].items())
    table.add_row(
        "frames", f"{state['frames']['accepted']} good" + (f"; rejected: {rejected}" if rejected else "")
    )
    model = f"{force['model']} (rim at the sim {force['torque_model_nm']:+.2f} N m), {force['upsampling']}"
    table.add_row("model", model)
    if force["model_wants"]:
        table.add_row("better with", force["model_wants"])
    for sink in state["sinks"]:
        virtual = " [virtual]" if sink["virtual"] else ""
        table.add_row("sink", Text(f"{sink['name']}{virtual} {sink['state']} {sink['reason']}"))
    late = ticks["lateness_us"]
    table.add_row(
        "ticks",
        f"{ticks['rate_hz']:.0f}/s, late p50 {late['p50']:.0f} us, p99 {late['p99']:.0f} us, "
        f"skipped {ticks['skipped']}",
    )
    return table


def _trouble(state: dict[str, Any]) -> Group:
    force = state["force"]
    lines = []
    if force["active_guards"]:
        lines.append(Text("acting now: " + ", ".join(force["active_guards"]), style="yellow"))
    acted = {name: n for name, n in force["guards"].items() if name not in ("fade", "stalled", "not_driving")}
    if acted:
        lines.append(Text("acted (ticks): " + ", ".join(f"{name} {n}" for name, n in acted.items())))
    if state["source"]["reason"]:
        lines.append(Text(state["source"]["reason"], style="yellow"))
    lines += [Text(problem, style="red") for problem in state["settings"]["problems"]]
    return Group(*lines)


def show_live(once: bool, as_json: bool) -> int:
    """Show states until Ctrl-C, or one; return the exit code."""
    console = Console()
    missed = 0
    with client() as bus, Live(console=console, auto_refresh=False, transient=False) as display:
        while True:
            state = bus.next_state()
            if state is None:
                missed += 1
                if missed >= _PATIENCE:
                    console.print("The daemon sends no state any more; did it end?")
                    return exit_codes.NO_DAEMON
                continue
            missed = 0
            if as_json:
                print(json.dumps(state), flush=True)
            else:
                display.update(screen(state), refresh=True)
            if once:
                return exit_codes.OK
