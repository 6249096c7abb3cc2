"""Run Saltmarsh: ``python -m tools.demo_sim --seconds 20``.

Once a frame it samples the steering, computes the frame's physics in steps of 1 ms with that steering held,
and publishes the record at the frame's end, as sims of its time did.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import signal
import socket
import struct
import sys
import time
from pathlib import Path

from .export import BenchWheelHands, SharedRecord
from .record import DRIVE, TyreRow, pack
from .truth import Row, TruthWriter
from .world import STEP, World

_G = 9.80665
_SLICE = 5


def main() -> int:
    """Run until the time is over or somebody says stop."""
    options = _arguments().parse_args()
    signal.signal(signal.SIGTERM, _interrupt)
    sim = Sim(options)
    print(f"ready name={options.name} rate={options.rate} wheel={sim.wheel is not None}", flush=True)
    try:
        with contextlib.suppress(KeyboardInterrupt):
            sim.run()
    finally:
        sim.close()
    print("happened: " + ", ".join(sim.world.happenings), flush=True)
    return 0


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Saltmarsh, an invented sim.")
    parser.add_argument("--seconds", type=float, default=0.0, help="0 = until stopped")
    parser.add_argument("--rate", type=float, default=25.0, help="frames a second")
    parser.add_argument("--name", default="saltmarsh_physics", help="name of the shared memory")
    parser.add_argument(
        "--wheel", default="draglink_bench_wheel", help="state block of the bench wheel; '' = none"
    )
    parser.add_argument("--truth", type=Path, help="file for the 1 kHz truth")
    parser.add_argument("--udp", help="HOST:PORT to send the record to as well")
    parser.add_argument("--no-shared-memory", action="store_true")
    parser.add_argument("--head-start", type=float, default=0.0, help="begin so many seconds into the drive")
    parser.add_argument("--fast", action="store_true", help="do not wait for the clock")
    return parser


class Sim:
    """The program: world, exports, clock."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.world = World()
        self._options = options
        self._counter = 0
        self._substeps = max(1, round(1.0 / options.rate / STEP))
        self._period = self._substeps * STEP
        self._drive_ahead()
        self._record = None if options.no_shared_memory else SharedRecord(options.name, self._packed())
        self._truth = TruthWriter(options.truth) if options.truth else None
        self._udp: tuple[socket.socket, tuple[str, int]] | None = None
        if options.udp:
            host, _, port = options.udp.rpartition(":")
            self._udp = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM), (host, int(port)))
        self.wheel = BenchWheelHands(options.wheel) if options.wheel else None

    def _drive_ahead(self) -> None:
        """Drive without anybody looking, by the driver's own angle."""
        steer = 0.0
        for k in range(round(self._options.head_start / STEP)):
            if k % self._substeps == 0:
                steer = self.world.wanted_rim_angle() / self.world.car.numbers.ratio
            self.world.step(steer)

    def run(self) -> None:
        """One frame after another, on absolute deadlines."""
        begin = time.monotonic()
        frames = round(self._options.seconds / self._period) if self._options.seconds else None
        number = 0
        steer = 0.0
        while frames is None or number < frames:
            number += 1
            start = begin + (number - 1) * self._period
            rim = self._rim_angle()
            steer = rim / self.world.car.numbers.ratio
            self._frame(steer, start)

    def _wait_until(self, due: float) -> None:
        while not self._options.fast and (wait := due - time.monotonic()) > 0.0:
            time.sleep(wait)

    def _rim_angle(self) -> float:
        wanted = self.world.wanted_rim_angle()
        if self.wheel is not None:
            angle = self.wheel.angle_and_hold(wanted)
            if angle is not None:
                return angle
        return wanted

    def _frame(self, steer: float, start: float) -> None:
        """Compute a frame in slices over its time: a burst at its end would disturb a small machine."""
        world, rows = self.world, []
        for k in range(self._substeps):
            if k % _SLICE == 0:
                self._wait_until(start + k * STEP)
            world.step(steer)
            car = world.car
            rows.append(
                Row(
                    start + k * STEP, world.clock, self._counter + 1, world.steer, car.rim_torque,
                    car.vx, car.ay, world.state, world.surfaces[0], world.surfaces[1],
                )
            )  # fmt: skip
        self._wait_until(start + self._period)
        self._counter += 1
        self._publish()
        if self._truth is not None:
            self._truth.write(rows)

    def _packed(self) -> bytearray:
        world, car = self.world, self.world.car
        tyres = [
            TyreRow(
                t.fx, -t.fy, t.fz, -t.mz, -math.degrees(t.slip_angle), t.slip_ratio, t.fz / 60e3, t.surface
            )
            for t in car.tyres
        ]
        motion = (car.vx * 3.6, -car.vy, car.ax / _G, -car.ay / _G, -math.degrees(car.yaw_rate))
        pedals = (max(0.0, world.drive), max(0.0, -world.drive))
        gear = min(5, 1 + int(car.vx / 9.0)) if world.state == DRIVE else 0
        rpm = 1200.0 + 900.0 * car.vx / max(1, gear)
        return pack(
            0, self._counter, world.clock, time.monotonic(), world.state, gear, motion,
            -world.steer / (2.0 * math.pi), rpm, pedals, (tyres[0], tyres[1], tyres[2], tyres[3]),
        )  # fmt: skip

    def _publish(self) -> None:
        record = self._packed()
        if self._record is not None:
            self._record.publish(record)
        if self._udp is not None:
            struct.pack_into("<I", record, 8, 2 * self._counter & 0xFFFFFFFF)
            with contextlib.suppress(OSError):
                self._udp[0].sendto(record, self._udp[1])

    def close(self) -> None:
        """Release everything that others see."""
        if self._record is not None:
            self._record.close()
        if self._truth is not None:
            self._truth.close()
        if self._udp is not None:
            self._udp[0].close()
        if self.wheel is not None:
            self.wheel.close()


if __name__ == "__main__":
    sys.exit(main())
