"""Cut and damaged files: every whole chunk is read, what is lost is said, nothing is invented."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from bridge.recording import read_recording
from bridge.recording.checking import check_recording
from bridge.recording.chunks import MAGIC
from bridge.recording.reader import NotARecording, Recording
from tests.unit.recording.drive import record

_CHUNK = b"\x04\x00\x00\x00zstd"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    path = tmp_path_factory.mktemp("whole") / "a.mcap"
    record(path, 4.0).close()
    return read_recording(path)


@pytest.fixture
def good(whole: Recording) -> bytes:
    return whole.path.read_bytes()


def rows(recording: Recording) -> set[Any]:
    """All ticks, comparable: there is no NaN in this drive."""
    return set(zip(*recording.ticks.values(), strict=True))


def nothing_invented(found: Recording, whole: Recording) -> None:
    assert rows(found) <= rows(whole)
    sequence = found.ticks["sequence"].tolist()
    assert sequence == sorted(set(sequence)), "in the order of the drive, none twice"
    assert set(found.frames) <= set(whole.frames)
    for row in found.inputs:
        assert row in whole.inputs


def chunk_starts(data: bytes) -> list[int]:
    """Where chunks begin: found by their shape, independently of the reader's walk."""
    starts, at = [], data.find(_CHUNK)
    while at >= 0:
        starts.append(at - 37)
        at = data.find(_CHUNK, at + 1)
    return [start for start in starts if data[start] == 0x06]


def cut(tmp_path: Path, whole: Recording, good: bytes, size: int) -> None:
    path = tmp_path / "cut.mcap"
    path.write_bytes(good[:size])
    try:
        found = read_recording(path)
    except NotARecording:
        assert size < chunk_starts(good)[1], "only a file without one whole chunk is none"
        return
    assert (found.lost != []) == (size < len(good))
    nothing_invented(found, whole)
    complete = [end for end in chunk_starts(good)[1:] if end <= size]
    ticks = 0 if len(complete) < 3 else (len(complete) - 3) // 2 * 500  # about, inputs, then frames and ticks
    assert len(found.ticks["now"]) >= ticks


def test_a_file_cut_anywhere_keeps_every_whole_chunk(tmp_path: Path, whole: Recording, good: bytes) -> None:
    pick = random.Random(1)
    for size in {0, 1, 7, 8, 30, len(good) - 1, len(good), *(pick.randrange(len(good)) for _ in range(30))}:
        cut(tmp_path, whole, good, size)


def flip(tmp_path: Path, whole: Recording, good: bytes, place: int, bit: int) -> None:
    path = tmp_path / "flipped.mcap"
    bad = bytearray(good)
    bad[place] ^= 1 << bit
    path.write_bytes(bad)
    found = read_recording(path)
    nothing_invented(found, whole)
    missing = len(whole.ticks["now"]) - len(found.ticks["now"])
    assert missing <= 500, "at most the damaged chunk"
    in_the_data = place < good.rindex(b"\x0f\x04\0\0\0\0\0\0\0")
    assert found.lost or not in_the_data, "the summary repeats what is elsewhere"


def test_a_flipped_bit_loses_its_chunk_at_most_and_is_told(
    tmp_path: Path, whole: Recording, good: bytes
) -> None:
    pick = random.Random(2)
    for _ in range(40):
        flip(tmp_path, whole, good, pick.randrange(len(good)), pick.randrange(8))


@pytest.mark.slow
def test_200_cuts_and_200_flips(tmp_path: Path, whole: Recording, good: bytes) -> None:
    pick = random.Random(3)
    for _ in range(200):
        cut(tmp_path, whole, good, pick.randrange(len(good)))
        flip(tmp_path, whole, good, pick.randrange(len(good)), pick.randrange(8))


@pytest.mark.parametrize("times", [20, pytest.param(200, marks=pytest.mark.slow)])
def test_a_flipped_bit_in_a_message_is_always_found(
    tmp_path: Path, whole: Recording, good: bytes, times: int
) -> None:
    """All of them, even where the bit makes no difference to what is unpacked."""
    pick = random.Random(4)
    starts = chunk_starts(good)
    path, known = tmp_path / "flipped.mcap", rows(whole)
    for _ in range(times):
        at = pick.randrange(len(starts) - 1)
        bad = bytearray(good)
        bad[pick.randrange(starts[at] + 53, starts[at + 1])] ^= 1 << pick.randrange(8)
        path.write_bytes(bad)
        found = read_recording(path)
        assert found.lost, "said"
        assert rows(found) <= known


def test_heads_that_make_no_sense_lose_their_chunk_only(
    tmp_path: Path, whole: Recording, good: bytes
) -> None:
    """Kind, length and sizes of a chunk are outside its CRC; the next chunk is found all the same."""
    start = chunk_starts(good)[5]
    path = tmp_path / "head.mcap"
    for place in (0, 1, 4, 8, 25, 29, 32, 33, 37, 41, 45, 52):
        for bit in (0, 7):
            bad = bytearray(good)
            bad[start + place] ^= 1 << bit
            path.write_bytes(bad)
            found = read_recording(path)
            assert found.lost, place
            assert len(rows(found)) in (len(rows(whole)), len(rows(whole)) - 500)
            assert found.ticks["sequence"][-1] == 3999
            nothing_invented(found, whole)


def test_a_lost_beginning_is_survived(tmp_path: Path, whole: Recording, good: bytes) -> None:
    """Without magic and first chunk, which holds the channels, their numbers still say what is what."""
    starts = chunk_starts(good)
    path = tmp_path / "headless.mcap"
    path.write_bytes(bytes(starts[1]) + good[starts[1] :])
    found = read_recording(path)
    assert rows(found) == rows(whole)
    assert not found.about
    assert found.lost[0] == "the beginning of the file is damaged"
    path.write_bytes(good[starts[1] :])
    assert rows(read_recording(path)) == rows(whole)


def test_a_hole_and_garbage_in_the_middle(tmp_path: Path, whole: Recording, good: bytes) -> None:
    starts = chunk_starts(good)
    path = tmp_path / "hole.mcap"
    for middle in (
        b"",
        bytes(7000),
        random.Random(5).randbytes(7000),
        MAGIC * 9,
        good[starts[2] : starts[3]],
    ):
        path.write_bytes(good[: starts[6]] + middle + good[starts[10] :])
        found = read_recording(path)
        assert found.lost
        assert len(rows(found)) == len(rows(whole)) - 1000
        assert check_recording(path).problems


def test_a_claim_of_gigantic_sizes_is_not_believed(tmp_path: Path, whole: Recording, good: bytes) -> None:
    start = chunk_starts(good)[4]
    path = tmp_path / "bomb.mcap"
    for place, value in ((1, 2**63), (25, 2**62), (25, 2**31), (45, 2**63), (45, 2**40)):
        bad = bytearray(good)
        bad[start + place : start + place + 8] = value.to_bytes(8, "little")
        path.write_bytes(bad)
        found = read_recording(path)
        assert found.lost
        nothing_invented(found, whole)
        assert found.ticks["sequence"][-1] == 3999
