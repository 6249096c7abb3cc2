"""How late ticks start, against a C loop measured in turn with it in the same run.

    python tools/bench_timing.py [--rounds 3] [--seconds 8] [--no-priority]

The reference is ``bench_timing.c``: clock_nanosleep on absolute deadlines with a timer slack of 1 ns. Ours is
the whole daemon at work (shared memory source, force path, virtual wheel, recording on) with the sim in
another process; its lateness is computed from the recording. The reference runs alone, before and after, and
once beside it, under the same load. Needs a C compiler.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
PER_SECOND = 1000


def percentile(ordered: list[float], share: float) -> float:
    """Return a percentile of sorted numbers."""
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def c_loop(program: Path, seconds: float) -> dict[str, float]:
    """Run the reference; return its lateness, us."""
    lines = subprocess.check_output([str(program), str(int(seconds * PER_SECOND))], text=True).split()
    late = sorted(map(float, lines))
    return {"p50": percentile(late, 0.5), "p99": percentile(late, 0.99), "p999": percentile(late, 0.999)}


def daemon(
    folder: Path, seconds: float, priority: bool, beside: Path
) -> tuple[dict[str, float], dict[str, float]]:
    """Run the demonstration and the C loop beside it; return the lateness of both, us."""
    summary = folder / "out.json"
    command = [sys.executable, "-m", "bridge.cli", "demo", "--seconds", str(seconds)]
    environment = {**os.environ, "DRAGLINK_DEMO_PRIORITY": "" if priority else "no"}
    demo = subprocess.Popen(
        [*command, "--summary", str(summary), "--folder", str(folder / "demo")],
        cwd=HERE.parent, stdout=subprocess.DEVNULL, env=environment,
    )  # fmt: skip
    time.sleep(4.0)
    loaded = c_loop(beside, seconds / 2)
    if demo.wait() != 0:
        raise SystemExit("the demonstration failed")
    found: dict[str, float] = json.loads(summary.read_text(encoding="utf-8"))["lateness_us"]
    shutil.rmtree(folder / "demo")
    return found, loaded


def main() -> int:
    """Measure in turn and print both and the ratio."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--no-priority", action="store_true", help="without real-time priority of the tick")
    options = parser.parse_args()
    if shutil.which("gcc") is None:
        print("bench timing needs gcc for its reference", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(["gcc", "-O2", "-o", str(folder / "c"), str(HERE / "bench_timing.c")], check=True)
        ratios: list[float] = []
        under_load: list[float] = []
        for number in range(options.rounds):
            before = c_loop(folder / "c", options.seconds / 2)
            ours, loaded = daemon(folder, options.seconds, not options.no_priority, folder / "c")
            after = c_loop(folder / "c", options.seconds / 2)
            reference = {key: (before[key] + after[key]) / 2 for key in before}
            ratios.append(ours["p99"] / reference["p99"])
            under_load.append(ours["p99"] / loaded["p99"])
            rows = (("C loop alone", reference), ("C loop beside it", loaded), ("daemon", ours))
            for label, row in rows:
                text = "  ".join(f"{key} {value:7.1f} us" for key, value in row.items())
                print(f"round {number + 1}  {label}  {text}", flush=True)
    print(f"p99 of the daemon over that of the C loop alone: median {statistics.median(ratios):.2f}")
    print(f"p99 of the daemon over that of the C loop beside it: median {statistics.median(under_load):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
