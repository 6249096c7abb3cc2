"""Walks through an MCAP file, whole, cut or damaged, and yields the messages of every whole chunk.

What cannot be read is said in words; after damage the walk goes on at the next chunk whose CRC is right.
This module does not know what the messages mean. Format: the MCAP specification, https://mcap.dev/spec.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

import zstandard

from bridge.recording.channels import CHANNELS

MAGIC = b"\x89MCAP0\r\n"
_HEADER, _FOOTER, _SCHEMA, _CHANNEL, _MESSAGE, _CHUNK, _DATA_END = 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x0F
_RECORD = struct.Struct("<BQ")
_CHUNK_HEAD = struct.Struct("<QQQII4sQ")
"""Start, end, size unpacked, CRC, length of "zstd", "zstd", size packed."""
_MARK = struct.pack("<I4s", 4, b"zstd")
_MARK_AT = _RECORD.size + 28
_MESSAGE_HEAD = struct.Struct("<HIQQ")
_TAIL = _RECORD.size + 20 + len(MAGIC)
"""Bytes of footer and closing magic."""
_MOST = 256_000_000
"""A chunk of ours is far below a megabyte; whoever claims more is not believed."""
_WINDOW = 1 << 20


class Piece(NamedTuple):
    """One message."""

    topic: str
    number: int
    """Place in the file as the writer counted, from 0."""
    wall_ns: int
    """Wall clock of the recording machine, ns since 1970."""
    payload: bytes


class NotMcap(Exception):
    """The file does not begin as an MCAP file, and nothing in it looks like a chunk."""


class _Damage(Exception):
    """A record that cannot be believed; the message says why."""


def pieces(path: Path, lost: list[str]) -> Iterator[Piece]:
    """Yield every message of every whole chunk, in the order of the file.

    Args:
        path: the file.
        lost: gets what could not be read, in words.

    Raises:
        NotMcap: see there.
        OSError: the file cannot be read.
    """
    with path.open("rb") as stream:
        yield from _Walk(stream, lost).pieces()


class _Walk:
    def __init__(self, stream: BinaryIO, lost: list[str]) -> None:
        self._stream = stream
        self._lost = lost
        self._size = os.fstat(stream.fileno()).st_size
        self._channels = dict(enumerate(CHANNELS, 1))
        self._expected = 0

    def pieces(self) -> Iterator[Piece]:
        place, chunks = len(MAGIC), 0
        begins_well = self._stream.read(len(MAGIC)) == MAGIC
        if not begins_well:
            place = self._next_chunk(0)
            if place == self._size:
                raise NotMcap
            self._lost.append("the beginning of the file is damaged")
        finished = False
        while place < self._size and not finished:
            try:
                opcode, length = self._record(place)
                if opcode == _CHUNK:
                    yield from self._counted(self._chunk(place, length))
                    chunks += 1
                finished = opcode == _DATA_END
                if finished and not self._lost:
                    self._check_all(place)
                place += _RECORD.size + length
            except _Damage as damage:
                place = self._skip(place, str(damage))
        if not (finished and self._ends_well()):
            self._lost.append("the file was not finished; at most the last second is missing")

    def _check_all(self, end: int) -> None:
        """Compare the checksum of all bytes up to `end`: it covers what those of the chunks do not."""
        recorded = int.from_bytes(self._read(end + _RECORD.size, 4), "little")
        found, place = 0, 0
        while place < end:
            block = self._read(place, min(_WINDOW, end - place))
            found = zlib.crc32(block, found)
            place += len(block)
        if found != recorded:
            self._lost.append("a byte outside the messages is damaged; every message is whole")

    def _counted(self, found: list[Piece]) -> Iterator[Piece]:
        for piece in found:
            if piece.number > self._expected:
                self._lost.append(
                    f"{piece.number - self._expected} messages are missing before message {piece.number}"
                )
            self._expected = piece.number + 1
            yield piece

    def _record(self, place: int) -> tuple[int, int]:
        """Return opcode and length of the record at `place`, if it can be one."""
        head = self._read(place, _RECORD.size)
        opcode, length = _RECORD.unpack(head)
        if opcode not in (_HEADER, _SCHEMA, _CHANNEL, _MESSAGE, _CHUNK, _DATA_END) and opcode < 0x80:
            raise _Damage(f"record kind {opcode} does not belong here")
        if length > self._size - place - _RECORD.size:
            raise _Damage("the last record is cut")
        return opcode, length

    def _read(self, place: int, size: int) -> bytes:
        self._stream.seek(place)
        data = self._stream.read(size)
        if len(data) < size:
            raise _Damage("the last record is cut")
        return data

    def _skip(self, place: int, reason: str) -> int:
        """Say what is lost from `place` on; return where the walk goes on."""
        after = self._next_chunk(place + 1)
        if after == self._size:  # no chunk after it: perhaps the data ends well all the same
            after = self._data_end(place)
        self._lost.append(f"bytes {place} to {after} are damaged ({reason})")
        return after

    def _next_chunk(self, start: int) -> int:
        """Return where the next record begins that looks like a chunk; else the size of the file."""
        place = max(0, start)
        while place < self._size:
            self._stream.seek(place)
            window = self._stream.read(_WINDOW + _MARK_AT + len(_MARK))
            at = window.find(_MARK, _MARK_AT)
            while at >= 0:
                candidate = place + at - _MARK_AT
                if self._looks_like_chunk(candidate):
                    return candidate
                at = window.find(_MARK, at + 1)
            place += _WINDOW
        return self._size

    def _looks_like_chunk(self, place: int) -> bool:
        try:
            opcode, length = _RECORD.unpack(self._read(place, _RECORD.size))
            head = _CHUNK_HEAD.unpack(self._read(place + _RECORD.size, _CHUNK_HEAD.size))
        except _Damage:
            return False
        fits = length <= self._size - place - _RECORD.size
        return bool(opcode == _CHUNK and fits and head[6] == length - _CHUNK_HEAD.size)

    def _data_end(self, start: int) -> int:
        """Return where the record that ends the data begins; else the size of the file."""
        if not self._ends_well():
            return self._size
        summary = int.from_bytes(self._read(self._size - _TAIL + _RECORD.size, 8), "little")
        place = summary - _RECORD.size - 4
        return place if start <= place < self._size else self._size

    def _ends_well(self) -> bool:
        if self._size < _TAIL:
            return False
        tail = self._read(self._size - _TAIL, _TAIL)
        return tail[0] == _FOOTER and tail.endswith(MAGIC)

    def _chunk(self, place: int, length: int) -> list[Piece]:
        if length < _CHUNK_HEAD.size or length > _MOST:
            raise _Damage("a chunk of an impossible size")
        body = self._read(place + _RECORD.size, length)
        _, _, size, crc, _, compression, packed_size = _CHUNK_HEAD.unpack_from(body)
        if compression != b"zstd" or packed_size != length - _CHUNK_HEAD.size or size > _MOST:
            raise _Damage("a chunk whose head makes no sense")
        data = _decompressed(body[_CHUNK_HEAD.size :], size)
        if len(data) != size or zlib.crc32(data) != crc:
            raise _Damage("a chunk whose checksum is wrong")
        try:
            return self._inside(data)
        except (struct.error, IndexError, UnicodeDecodeError):
            raise _Damage("a chunk that holds no messages") from None

    def _inside(self, data: bytes) -> list[Piece]:
        found, place = [], 0
        while place < len(data):
            opcode, length = _RECORD.unpack_from(data, place)
            begin, place = place + _RECORD.size, place + _RECORD.size + length
            if opcode == _CHANNEL:
                number, _, size = struct.unpack_from("<HHI", data, begin)
                self._channels[number] = data[begin + 8 : begin + 8 + size].decode()
            elif opcode == _MESSAGE:
                number, sequence, wall, _ = _MESSAGE_HEAD.unpack_from(data, begin)
                payload = data[begin + _MESSAGE_HEAD.size : place]
                found.append(Piece(self._channels.get(number, ""), sequence, wall, payload))
        return found


def _decompressed(data: bytes, size: int) -> bytes:
    """Return the content, believing its own claim of a size only where the chunk says the same."""
    try:
        if zstandard.get_frame_parameters(data).content_size != size:
            raise _Damage("a chunk of contradictory sizes")
        return zstandard.ZstdDecompressor().decompress(data, max_output_size=size)
    except (zstandard.ZstdError, MemoryError, ValueError):
        raise _Damage("a chunk that does not unpack") from None
