"""What the demonstration shows at its end."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from bridge.contract import Guard
from bridge.recording.reader import Recording, read_recording
from bridge.recording.summary import summarise

_DELIBERATE = ("fade", "stalled", "not_driving", "cut", "slew", "ceiling")


def figures(path: Path, truth: Path, sim: str) -> dict[str, Any]:
    """Return all figures of a demonstration: from its recording, and against the sim's 1 kHz truth.

    Args:
        path: the recording.
        truth: the sim's truth file.
        sim: module of the sim, whose own code reads its formats.
    """
    recording = read_recording(path)
    record = importlib.import_module(f"{sim}.record")
    found = summarise(recording, record.published)
    last = _last_state(recording)
    found.update(
        frames_rejected=sum(int(event.get("times", 1)) for event in _events(recording, "frame_rejected")),
        clipped_fraction=_clipped(recording),
        model=last.get("model", "none"),
        upsampling=_upsampling(recording),
        recording=str(path),
        recording_bytes=path.stat().st_size,
        recording_whole=recording.whole and not recording.dropped_blocks,
    )
    if truth.exists():
        found["against_truth"] = _against_truth(recording, truth, sim)
    return found


def _events(recording: Recording, name: str) -> list[dict[str, Any]]:
    return [event for event in recording.events if event.get("event") == name]


def _last_state(recording: Recording) -> dict[str, Any]:
    started = _events(recording, "frames_started") + _events(recording, "model_chosen")
    return started[-1] if started else {}


def _parameters(recording: Recording) -> dict[str, Any]:
    rows = [row["content"] for row in recording.inputs if row["kind"] == "parameters"]
    return rows[-1] if rows else {}


def _upsampling(recording: Recording) -> str:
    return str(_parameters(recording).get("upsampling", {}).get("method", ""))


def _clipped(recording: Recording) -> float:
    guards = recording.ticks["guards"]
    return round(sum(bool(bits & Guard.CEILING) for bits in guards) / len(guards), 5) if guards else 0.0


def _against_truth(recording: Recording, path: Path, sim: str) -> dict[str, float]:
    """Compare the torque sent to the wheel with the sim's own at 1 kHz, scaled by the strength alone."""
    truth = importlib.import_module(f"{sim}.truth")
    parameters = _parameters(recording)
    shaping, wheel = parameters["shaping"], parameters["wheel"]
    scale = shaping["strength"] * wheel["peak_torque"] / shaping["reference_torque"]
    rows = [(row.time, row.torque * scale) for row in truth.read(path) if row.state == 1]
    ticks = recording.ticks
    free = [
        (now, torque)
        for now, torque, guards in zip(ticks["now"], ticks["torque"], ticks["guards"], strict=True)
        if not guards
    ]
    result = truth.compare(rows, free)
    return {
        "delay_ms": round(result.delay * 1e3, 1),
        "error_fraction": round(result.error, 4),
        "error_fraction_without_delay": round(result.error_shifted, 4),
        "samples": result.samples,
    }


def show(console: Console, found: dict[str, Any]) -> None:
    """Print the figures for a person."""
    late, latency, torque = found["lateness_us"], found["latency_us"], found["torque_nm"]
    clipped = f"clipped {100.0 * found['clipped_fraction']:.1f} %"
    table = Table(title="What happened", title_justify="left", show_header=False)
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    table.add_row("from the sim", f"{found['frames']} frames at {found['source_rate_hz']:.1f} Hz, "
                  f"{found['frames_rejected']} rejected; torque model '{found['model']}'")  # fmt: skip
    table.add_row("to the wheel", f"{found['commands']} commands at {found['output_rate_hz']:.1f} Hz "
                  f"({found['upsampling']}), virtual wheel")  # fmt: skip
    table.add_row("torque", f"rms {torque['rms']:.2f} N m, peak {torque['peak']:.2f} N m, ceiling "
                  f"{found['ceiling_nm']:.2f} N m, {clipped}")  # fmt: skip
    table.add_row("safety", f"{found['ceiling_violations']} beyond the ceiling, "
                  f"{found['slew_violations']} faster than the slew ceiling")  # fmt: skip
    table.add_row(
        "ticks late", f"p50 {late['p50']:.0f} us, p99 {late['p99']:.0f} us, p99.9 {late['p999']:.0f} us"
    )
    table.add_row("frame to wheel", f"p50 {latency['p50'] / 1e3:.2f} ms, p99 {latency['p99'] / 1e3:.2f} ms")
    truth = found.get("against_truth")
    if truth:
        table.add_row("against the sim's own 1 kHz", f"{truth['delay_ms']:.0f} ms late, error "
                      f"{100.0 * truth['error_fraction']:.0f} % (of which without the delay "
                      f"{100.0 * truth['error_fraction_without_delay']:.0f} %)")  # fmt: skip
    acted = [f"{name} {count} ticks" for name, count in found["guards"].items() if name not in _DELIBERATE]
    table.add_row("guards", ", ".join(acted) or "none had to act beyond fading in and out")
    whole = "whole" if found["recording_whole"] else "NOT whole"
    table.add_row("recording", f"{found['recording']} ({found['recording_bytes'] / 1e6:.2f} MB, {whole})")
    table.add_row("log", f"{found['log']}  (read it with: draglink explain LOG)")
    console.print(table)
