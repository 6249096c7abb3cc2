"""What a tick and a frame cost in the force path, stage by stage, in CPython.

Each figure is the least of several runs; beside it the ratio to a reference timed in the same run: 100
multiply-adds of floats in plain Python. Last: whether memory grows over ten minutes' worth of ticks.
"""

from __future__ import annotations

import gc
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bridge.contract import Frame, Surface, Tyre, Tyres, WheelState
from bridge.force_path.chain import ForcePath
from bridge.settings import Settings, parameters

TICKS = 20_000
ROUNDS = 5


def frame(now: float, surface: Surface = Surface.ASPHALT) -> Frame:
    """Return a full frame."""
    tyre = Tyre(10.0, 1000.0, 3000.0, 20.0, 0.01, 0.0, surface, 0.01)
    four = Tyres(tyre, tyre, tyre, tyre)
    return Frame(now, 1, True, 30.0, 0.1, 0.0, 3.0, 0.2, 0.02, 0.2, four, None, None, 300.0, 0.5, 0.0, 3)


def best(run: Callable[[], float]) -> float:
    """Return the least of several runs, us."""
    return min(run() for _ in range(ROUNDS)) * 1e6


def reference() -> float:
    """Time 100 multiply-adds, s."""
    began = time.perf_counter()
    for _ in range(2000):
        x = 1.0
        for _ in range(100):
            x = x * 1.0000001 + 0.5
    return (time.perf_counter() - began) / 2000


def whole_tick(surface: Surface) -> float:
    """Time `ForcePath.step` alone, s a tick."""
    path = ForcePath(parameters(Settings()))
    now = spent = 0.0
    for k in range(TICKS):
        now += 0.001
        if k % 40 == 0:
            path.frame(frame(now, surface), now)
        wheel = WheelState(now, 0.1, 0.2)
        began = time.perf_counter()
        path.step(now, wheel)
        spent += time.perf_counter() - began
    return spent / TICKS


def whole_frame() -> float:
    """Time `ForcePath.frame` alone, s a frame."""
    path = ForcePath(parameters(Settings()))
    frames = [frame(k / 25) for k in range(3000)]
    began = time.perf_counter()
    for one in frames:
        path.frame(one, one.time)
    return (time.perf_counter() - began) / len(frames)


def stages() -> dict[str, float]:
    """Time each stage alone, us a tick."""
    path = ForcePath(parameters(Settings()))
    path.frame(frame(1.0), 1.0)
    for k in range(3000):
        path.step(1.0 + k * 1e-5, WheelState(1.0 + k * 1e-5, 0.1, 0.2))
    moment = path._moment
    steps = {"upsampling": lambda t, m: path._upsample(m), "governor": path._govern}
    steps |= {type(stage).__name__: stage.step for stage in path._stages}

    def timed(step: Callable[..., float]) -> float:
        began = time.perf_counter()
        for _ in range(TICKS):
            step(0.7, moment)
        return (time.perf_counter() - began) / TICKS

    return {name: best(lambda step=step: timed(step)) for name, step in steps.items()}  # type: ignore[misc]  # bound


def growth() -> int:
    """Return how many bytes 600,000 ticks leave behind."""
    path = ForcePath(parameters(Settings()))

    def drive(ticks: int, begin: float) -> None:
        for k in range(ticks):
            now = begin + k / 1000
            if k % 40 == 0:
                path.frame(frame(now), now)
            path.step(now, WheelState(now, 0.1, 0.0))

    drive(10_000, 1.0)
    gc.collect()
    tracemalloc.start()
    drive(10_000, 100.0)
    before = tracemalloc.get_traced_memory()[0]
    drive(600_000, 200.0)
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    return after - before


def main() -> None:
    """Print the table."""
    base = best(reference)
    print(f"reference: 100 multiply-adds {base:.2f} us; CPython {sys.version.split()[0]}")
    for name, cost in stages().items():
        print(f"  {name:22s} {cost:6.2f} us  {cost / base:5.2f} x")
    for surface in (Surface.ASPHALT, Surface.KERB, Surface.WET_GRASS):
        cost = best(lambda surface=surface: whole_tick(surface))  # type: ignore[misc]  # bound at once
        print(
            f"whole tick on {surface.name.lower():9s} {cost:6.2f} us  {cost / base:5.2f} x  (at most 25 us)"
        )
    cost = best(whole_frame)
    print(f"whole source frame      {cost:6.2f} us  {cost / base:5.2f} x  (at most 400 us)")
    print(f"memory after 600,000 ticks: {growth():+d} bytes")


if __name__ == "__main__":
    main()
