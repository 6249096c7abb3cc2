"""The conformance sample of the recording format: a small file, and what is in it as JSON.

Whoever writes a reader in another language compares with these two. They are never changed, only joined by
those of a later format; a reader has to read them for ever. To make new ones for a new format:

    python -m tests.golden.recording_sample FOLDER
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

from bridge.contract import Command, Frame, Surface, Tick, Tyre, Tyres, WheelState
from bridge.recording.chunks import pieces
from bridge.recording.layout import FORMAT, TICK, frame_to_map, from_columns, packed, unpacked
from bridge.recording.process import Options, Recorder

NAME = f"recording_format_{FORMAT}"
FOLDER = Path(__file__).parent
ABOUT = {
    "format": FORMAT, "version": "0.1.0", "python": "3.11", "implementation": "cpython",
    "platform": "conformance sample", "byte_order": "little", "packages": {}, "monotonic": 1000.0,
    "wall": 1.7e9, "wheel": {"peak_torque": 8.0, "rotation": 3.0 * math.pi},
}  # fmt: skip


def a_tick(n: int) -> Tick:
    """Return a tick by formula, with every oddity that the format has to carry."""
    now = 1000.0 + n / 1000
    odd = (math.nan, -0.0, math.inf, 5e-324)[n % 4]
    tyre = Tyre(1.5, -0.0, 3000.25, math.nan, 0.125, -1.0, Surface.WET_GRASS, 0.0)
    frame = Frame(
        n / 25, 2**70 if n == 40 else n, n % 80 == 0, odd, 0.1, 0.2, 0.3, 0.4, 0.05, 0.6,
        Tyres(tyre, Tyre(), tyre, Tyre(fy=1.0)) if n % 80 == 0 else None, 1200.0, -3.5, 700.0, 1.0, 0.0, -1,
    )  # fmt: skip
    frames = ((now - 3e-4, frame, bytes(range(n % 7))), (now - 2e-4, Frame(odd), None)) if n % 40 == 0 else ()
    wheel = (None, WheelState(now - 1e-3, n / 7), WheelState(odd, -0.0, odd))[n % 3]
    command = Command(now, 500 + n, odd if n % 50 == 0 else math.ldexp(n, -9), n % 5 != 0, n * 37 % 4096)
    return Tick(now, now + 2**-20, frames, wheel, command, (499 + n, now - 2**-11) if n else None)


def write_sample(path: Path) -> None:
    """Write the sample as the recorder's process does."""
    recorder = Recorder(Options())
    recorder.handle(["about", ABOUT])
    recorder.handle(["open", str(path)])
    _input(
        recorder, -1, "parameters", {"governor": {"ceiling": 2.0}, "points": [[0.0, 0.0]]}, configured=False
    )
    settings = {"before": -1, "time": 1000.0, "file": "settings.toml", "text": "[wheel]\n# 540°\n"}
    recorder.handle(["note", "settings", settings])
    rows, frames = bytearray(), []
    for n in range(200):
        tick = a_tick(n)
        rows += _row(tick)
        sequence = tick.command.sequence
        frames += [[sequence, at, frame_to_map(frame), raw] for at, frame, raw in tick.frames]
        if n in (99, 199):
            recorder.handle(unpacked(packed(["block", tick.now, bytes(rows), frames])))
            rows, frames = bytearray(), []
            _input(
                recorder,
                sequence + 1,
                "calm" if n == 99 else "restart",
                {"reason": "source"} if n > 99 else {},
            )
    event = {"before": 700, "time": 1000.2, "wall": 1.7e9 + 0.2, "event": "frames_stalled", "times": 3}
    recorder.handle(["note", "events", event])
    gap = {"before": 800, "time": 1000.3, "blocks": 1, "ticks": 100, "frames": 2, "others": 1}
    recorder.handle(["note", "drops", gap])
    recorder.close()


def _input(recorder: Recorder, before: int, kind: str, content: dict[str, Any], **more: Any) -> None:
    row = {"before": before, "time": 1000.0, "kind": kind, "content": content, **more}
    recorder.handle(["note", "inputs", row])


def _row(tick: Tick) -> bytes:
    wheel, command, delivered = tick.wheel, tick.command, tick.delivered or (-1, 0.0)
    known = 0 if wheel is None else 1 if wheel.velocity is None else 3
    state = wheel or WheelState(0.0, 0.0)
    velocity = 0.0 if state.velocity is None else state.velocity
    return TICK.pack(
        command.sequence, tick.now, tick.started, command.torque, command.guards, command.due, known,
        state.time, state.angle, velocity, *delivered,
    )  # fmt: skip


def decoded(path: Path) -> list[dict[str, Any]]:
    """Return every message with its numbers exactly: floats as hexadecimal text, bytes likewise."""
    lost: list[str] = []
    found = []
    for piece in pieces(path, lost):
        content = unpacked(piece.payload)
        if piece.topic == "ticks":
            columns = {name: column.tolist() for name, column in from_columns(content).items()}
            content = {"count": content["count"], **columns}
        found.append({"channel": piece.topic, "log_time": piece.wall_ns, "message": _exact(content)})
    assert lost == []
    return found


def _exact(value: Any) -> Any:
    if isinstance(value, float):
        return f"f:{value.hex()}"
    if isinstance(value, bytes):
        return f"b:{value.hex()}"
    if isinstance(value, dict):
        return {key: _exact(entry) for key, entry in value.items()}
    return [_exact(entry) for entry in value] if isinstance(value, list) else value


def main() -> None:
    """Write both files."""
    path = Path(sys.argv[1]) / f"{NAME}.mcap"
    write_sample(path)
    text = json.dumps(decoded(path), indent=None, ensure_ascii=False, separators=(",", ":"))
    path.with_suffix(".json").write_text(text.replace('{"channel"', '\n{"channel"') + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
