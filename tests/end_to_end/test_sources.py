"""Shared memory and UDP for real: torn, replaced, shortened, garbage; and the same frames by both ways."""

from __future__ import annotations

import asyncio
import mmap
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.contract import Frame, PluginUnavailable
from bridge.testing import TestHost
from plugins.sources.shared_memory import SharedMemory, SharedMemorySettings
from plugins.sources.udp import Udp, UdpSettings
from tools.demo_sim.record import MAGIC, VERSION, TyreRow, pack

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="/dev/shm")

TORN = """\
name = "torn"
size = 512
[fields]
time = { offset = 8, type = "u64" }
index = { offset = 16, type = "u64" }
speed = { offset = 504, type = "u64", scale = 1e-9 }
LOCK
"""
LOCK = '[lock]\noffset = 0\ntype = "u32"\n'
WRITER = """
import mmap, os, struct, sys
path, locked = sys.argv[1], sys.argv[2] == "lock"
fd = os.open(path, os.O_RDWR)
m = mmap.mmap(fd, 512)
print("ready", flush=True)
n = lock = 0
while True:
    n += 1
    row = struct.pack("<Q", n) * 63
    if locked:
        struct.pack_into("<I", m, 0, lock + 1)
    if locked:  # in two steps, so that half a record is there to be read
        m[8:256] = row[:248]
        m[256:504] = row[248:496]
        m[504:512] = row[:8]
    else:
        m[8:512] = row
    if locked:
        lock = (lock + 2) & 0xFFFFFFFE
        struct.pack_into("<I", m, 0, lock)
"""


@pytest.fixture
def block() -> Iterator[Path]:
    path = Path(f"/dev/shm/draglink_sources_{os.getpid()}")
    yield path
    path.unlink(missing_ok=True)


def source(path: Path, layout: Path | str) -> tuple[SharedMemory, TestHost]:
    host = TestHost()
    return SharedMemory(SharedMemorySettings(layout=str(layout), name=path.name), host), host


def hammer(block: Path, tmp_path: Path, lock: bool, seconds: float) -> tuple[int, int, int]:
    """Read against a writer that never pauses; return (accepted, of these torn, thrown away)."""
    layout = tmp_path / "torn.toml"
    layout.write_text(TORN.replace("LOCK", LOCK if lock else ""), encoding="utf-8")
    block.write_bytes(bytes(512))
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(block), "lock" if lock else "free"], stdout=subprocess.PIPE
    )
    accepted = wrong = 0
    assert writer.stdout is not None
    writer.stdout.readline()
    reader, host = source(block, layout)
    reader.open()
    try:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if reader.read() is not None:
                accepted += 1
                record = reader.raw()
                assert record is not None
                wrong += len(set(struct.unpack("<63Q", record[8:]))) != 1
    finally:
        reader.close()
        writer.kill()
        writer.communicate()
    return accepted, wrong, host.counts.get("torn_read", 0)


def test_with_a_lock_no_torn_record_is_ever_accepted(block: Path, tmp_path: Path) -> None:
    accepted, wrong, torn = hammer(block, tmp_path, True, 1.0)
    assert accepted > 0
    assert wrong == 0
    assert torn > 0, "the writer was not fierce enough to prove anything"


def test_without_a_lock_nearly_all_torn_records_are_found(block: Path, tmp_path: Path) -> None:
    """Not all: a writer frozen by the scheduler in mid-record looks as if it had finished."""
    accepted, wrong, torn = hammer(block, tmp_path, False, 1.0)
    assert torn > 0
    assert wrong <= 0.1 * accepted


@pytest.mark.slow
def test_with_a_lock_no_torn_record_in_a_long_run(block: Path, tmp_path: Path) -> None:
    assert hammer(block, tmp_path, True, 30.0)[1] == 0


def record(n: int, speed: float = 100.0) -> bytes:
    tyres = [TyreRow(10.0 * k, -200.0 - k, 3000.0, 12.0, 1.5, 0.01, 0.02, k % 3) for k in range(4)]
    four = (tyres[0], tyres[1], tyres[2], tyres[3])
    motion = (speed, 0.5, 0.1, -0.4, -12.0)
    return bytes(pack(2 * n, n, n / 25, 1.0, 1, 3, motion, -0.013, 4500.0, (0.5, 0.0), four))


def test_the_sim_may_start_later_restart_and_shorten_its_block(block: Path) -> None:
    reader, host = source(block, "saltmarsh")
    with pytest.raises(PluginUnavailable, match="waiting for the sim"):
        reader.open()
    block.write_bytes(b"too short")
    with pytest.raises(PluginUnavailable, match="9 bytes"):
        reader.open()
    block.write_bytes(record(1))
    reader.open()
    first = reader.read()
    assert first is not None
    assert first.index == 1
    assert reader.read() is None, "the same record is no new frame"
    fresh = block.with_name(block.name + ".new")
    fresh.write_bytes(record(7))
    fresh.replace(block)
    frames: list[Frame] = []
    end = time.monotonic() + 3.0
    while not frames and time.monotonic() < end:
        found = reader.read()
        frames += [found] if found is not None else []
    assert frames[0].index == 7
    assert ("source_replaced", {"name": block.name}) in host.notices
    os.truncate(block, 16)  # a mapping would end the process with SIGBUS here
    for _ in range(10):
        assert reader.read() is None
    assert host.counts["record_size"] > 0
    reader.close()
    block.write_bytes(os.urandom(256))
    reader.open()
    for n in range(50):
        block.write_bytes((MAGIC + bytes([VERSION, 0]) if n % 2 else b"") + os.urandom(256))
        reader.read()
    reader.close()


async def receive(port_settings: UdpSettings, datagrams: list[bytes]) -> tuple[list[Frame], TestHost]:
    host = TestHost()
    udp = Udp(port_settings, host)
    frames: list[Frame] = []

    async def collect() -> None:
        async for frame in udp.frames():
            frames.append(frame)  # noqa: PERF401 - the stream does not end by itself

    task = asyncio.create_task(collect())
    while udp.port == 0:
        await asyncio.sleep(0.005)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for datagram in datagrams:
            out.sendto(datagram, ("127.0.0.1", udp.port))
            await asyncio.sleep(0.003)
    await asyncio.sleep(0.05)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return frames, host


async def test_both_ways_give_the_same_frames_bit_for_bit(block: Path) -> None:
    records = [record(n, 80.0 + n) for n in range(1, 12)]
    by_udp, _ = await receive(UdpSettings(layout="saltmarsh", port=0), records)
    reader, _ = source(block, "saltmarsh")
    block.write_bytes(record(0))
    reader.open()
    by_memory = []
    for row in records:
        with block.open("r+b") as file, mmap.mmap(file.fileno(), 256) as view:
            view[:] = row
        frame = reader.read()
        assert frame is not None
        by_memory.append(frame)
    reader.close()
    assert [repr(frame) for frame in by_udp] == [repr(frame) for frame in by_memory]


async def test_garbage_late_and_foreign_datagrams_are_counted(block: Path) -> None:
    rows = [b"", b"x", os.urandom(256), bytes(9000), record(5), record(3), record(6)]
    frames, host = await receive(UdpSettings(layout="saltmarsh", port=0), rows)
    assert [frame.index for frame in frames] == [5, 6]
    assert host.counts["record_size"] == 3
    assert host.counts["record_constant"] == 1
    assert host.counts["record_late"] == 1
    refused, host = await receive(
        UdpSettings(layout="saltmarsh", port=0, allowed_senders=("192.0.2.1",)), [record(1)]
    )
    assert refused == []
    assert host.counts == {"sender_refused": 1}


async def test_a_restarted_sim_over_udp_is_followed() -> None:
    frames, _ = await receive(UdpSettings(layout="saltmarsh", port=0), [record(500), record(1), record(2)])
    assert [frame.index for frame in frames] == [500, 1, 2]
