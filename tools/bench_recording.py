"""What recording costs: time of observe() in the tick's thread, bytes a tick on disk, load of the writer.

    python tools/bench_recording.py [--seconds 10]

A drive of a 25 Hz source at 1 kHz in real time, into a temporary folder. The ratio compares with one
`struct.pack_into` of the same columns, measured in turn in the same run, so that a busy machine slows both.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import struct
import tempfile
import time
from pathlib import Path

from bridge.contract import Command, Frame, Surface, Tick, Tyre, Tyres, WheelState
from bridge.recording.checking import check_recording
from bridge.recording.feed import BLOCK, Feed
from bridge.recording.layout import TICK


def a_tick(begin: float, n: int, pick: random.Random) -> Tick:
    """Return a tick as a real drive has it: noisy clocks, encoder counts, a frame every 40 ms."""
    now = begin + n / 1000
    frames: tuple[tuple[float, Frame, bytes | None], ...] = ()
    if n % 40 == 0:
        tyre = Tyre(pick.gauss(0, 100), pick.gauss(0, 900), 3000.0, 1.0, 0.02, 0.0, Surface.ASPHALT, 0.05)
        frame = Frame(n / 1000, n // 40, ay=pick.gauss(0, 3), speed=30.0, tyres=Tyres(tyre, tyre, tyre, tyre))
        frames = ((now - 3e-4, frame, pick.randbytes(64) + bytes(432)),)
    angle = round(math.sin(n / 700) * 20_000) * math.tau / 65_536
    wheel = WheelState(now - pick.uniform(0, 1e-3), angle, pick.gauss(0, 0.5))
    command = Command(now, n, math.sin(n / 300) + pick.gauss(0, 0.01), guards=0)
    return Tick(
        now, now + pick.expovariate(5e4), frames, wheel, command, (n - 1, now - pick.uniform(6e-4, 9e-4))
    )


def drive(feed: Feed, seconds: float) -> tuple[list[float], list[float]]:
    """Feed a drive in real time; return the times of an observation and of a bare pack_into, s, sorted.

    Between ticks the thread sleeps, so both are measured as cold as they are in a drive.
    """
    pick, buffer, pack = random.Random(1), bytearray(TICK.size), struct.Struct(TICK.format).pack_into
    observed, packed = [], []
    begin = time.monotonic()
    for n in range(round(seconds * 1000)):
        tick = a_tick(begin, n, pick)
        time.sleep(max(0.0, begin + n / 1000 - time.monotonic()))
        if n % 3 == 2:
            started = time.perf_counter()
            pack(buffer, 0, n, 1.5, 1.6, 0.25, 0, True, 3, 1.4, 0.1, -0.2, n, 1.3)
            packed.append(time.perf_counter() - started)
            feed.tick(tick)
        else:
            started = time.perf_counter()
            feed.tick(tick)
            observed.append(time.perf_counter() - started)
    return sorted(observed), sorted(packed)


def in_turn(feed: Feed) -> tuple[float, float]:
    """Return the least mean time of an observation and of a bare pack_into, s, blocks measured in turn."""
    pick = random.Random(2)
    ticks = [a_tick(0.0, n, pick) for n in range(BLOCK)]
    buffer = bytearray(TICK.size)
    observe, pack, clock = feed.tick, struct.Struct(TICK.format).pack_into, time.perf_counter
    observed, packed = [], []
    for _ in range(200):
        started = clock()
        for tick in ticks:
            observe(tick)
        observed.append(clock() - started)
        started = clock()
        for n in range(BLOCK):
            pack(buffer, 0, n, 1.5, 1.6, 0.25, 0, True, 3, 1.4, 0.1, -0.2, n, 1.3)
        packed.append(clock() - started)
    return statistics.median(observed) / BLOCK, statistics.median(packed) / BLOCK


def processor_time(pid: int) -> float | None:
    """Return the processor time of a process so far, s; `None` where the system does not tell."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    except OSError:
        return None
    return (int(fields[11]) + int(fields[12])) / 100.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0, help="how long to drive")
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.mcap"
        feed = Feed(60.0, lambda event, facts: None)
        feed.open(path)
        time.sleep(1.0)
        before = processor_time(feed.pid)
        observed, bare = drive(feed, seconds)
        after = processor_time(feed.pid)
        feed.close()
        size, checked = path.stat().st_size, check_recording(path)
        other = Feed(60.0, lambda event, facts: None)
        time.sleep(1.0)
        observe, pack = in_turn(other)
        other.close()
    ticks = round(seconds * 1000)
    for name, times in (("observe", observed), ("one pack_into", bare)):
        print(f"driving at 1 kHz   {name}: {in_us(times)}")
    print(f"in a row, warm     observe {observe * 1e6:.2f} us, one pack_into {pack * 1e6:.2f} us, "
          f"ratio {observe / pack:.1f}")  # fmt: skip
    print(f"on disk            {size / ticks:.1f} bytes a tick (frames, raw bytes and container included)")
    if before is not None and after is not None:
        print(f"writer process     {(after - before) / seconds:.1%} of one core")
    print(f"recording          {'whole' if checked.whole else '; '.join(checked.problems)}")


def in_us(times: list[float]) -> str:
    """Return mean and percentiles of sorted times in words."""
    count, us = len(times), 1e6
    return (
        f"mean {sum(times) / count * us:.2f} us, p50 {times[count // 2] * us:.2f}, "
        f"p99 {times[count * 99 // 100] * us:.1f}, most {times[-1] * us:.0f}"
    )


if __name__ == "__main__":
    main()
