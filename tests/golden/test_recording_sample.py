"""The format does not drift: the sample reads as ever, and what is written today reads the same."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import msgpack
import pytest
from mcap.reader import make_reader

from bridge.recording import read_recording
from bridge.recording.order import in_order
from tests.golden.recording_sample import FOLDER, NAME, a_tick, decoded, write_sample
from tests.unit.recording.drive import bits

SAMPLE = FOLDER / f"{NAME}.mcap"
CHECKSUM = 0x45162F76
"""CRC-32 of the sample."""


@pytest.fixture
def expected() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(SAMPLE.with_suffix(".json").read_text(encoding="utf-8"))
    return rows


def test_the_sample_reads_as_ever(expected: list[dict[str, Any]]) -> None:
    assert decoded(SAMPLE) == expected


def test_what_is_written_today_reads_the_same(expected: list[dict[str, Any]], tmp_path: Path) -> None:
    path = tmp_path / "today.mcap"
    write_sample(path)
    assert decoded(path) == expected


def test_the_sample_gives_back_its_ticks_bit_for_bit() -> None:
    recording = read_recording(SAMPLE)
    assert recording.whole
    ticks = tuple(tick for _, tick in in_order(recording))
    assert bits(ticks) == bits(tuple(a_tick(n) for n in range(200)))
    inputs = [(len(rows), tick.command.sequence) for rows, tick in in_order(recording) if rows]
    assert inputs == [(1, 500), (1, 600)]


def test_the_sample_by_the_mcap_package_and_the_words_of_the_format_alone(
    expected: list[dict[str, Any]],
) -> None:
    """A reader that shares no code with ours: byte planes undone as FORMAT.md says."""
    widths = {"guards": 4, "due": 1, "wheel": 1}
    with SAMPLE.open("rb") as stream:
        for (_, channel, message), row in zip(
            make_reader(stream, validate_crcs=True).iter_messages(log_time_order=False), expected, strict=True
        ):
            assert (channel.topic, message.log_time) == (row["channel"], row["log_time"])
            content = msgpack.unpackb(message.data)
            if channel.topic != "ticks":
                continue
            count = content["count"]
            for name in ("sequence", "guards", "due", "wheel", "delivered"):
                width = widths.get(name, 8)
                planes = [content[name][byte * count : (byte + 1) * count] for byte in range(width)]
                numbers = [
                    int.from_bytes(bytes(plane[n] for plane in planes), "little", signed=name == "delivered")
                    for n in range(count)
                ]
                assert numbers == row["message"][name]


def test_the_sample_is_small_and_unchanged() -> None:
    """A reader has to read this very file for ever."""
    assert SAMPLE.stat().st_size + SAMPLE.with_suffix(".json").stat().st_size < 100_000
    assert zlib.crc32(SAMPLE.read_bytes()) == CHECKSUM
