"""Recording files on the disk: written in order, never over another one, the oldest deleted in time.

This module does not know what the messages mean.
"""

from __future__ import annotations

import contextlib
import math
import re
import time
from io import FileIO
from pathlib import Path

from mcap.writer import CompressionType, IndexType, Writer

from bridge.recording.channels import CHANNELS, schema

PROFILE = "draglink"
_OURS = re.compile(r"draglink-\d{8}-\d{6}-\d+(-\d+)?\.mcap", re.ASCII)
_LATEST = 2**63 - 1


class _Output:
    """Collects what the container's writer writes; `commit` puts it on the disk, all of it or nothing."""

    def __init__(self, path: Path) -> None:
        self._file = FileIO(path, "x")
        self._waiting = bytearray()
        self.size = 0
        """Bytes safely on their way to the disk."""

    def write(self, data: bytes) -> int:
        self._waiting += data
        return len(data)

    def tell(self) -> int:
        return self.size + len(self._waiting)

    def flush(self) -> None:
        """Leave it to `commit`."""

    def commit(self) -> None:
        """Raises OSError; the file then ends where the last commit ended."""
        view = memoryview(self._waiting)
        try:
            while view:
                view = view[self._file.write(view) or 0 :]
        except OSError:
            view.release()
            self._waiting = bytearray()
            with contextlib.suppress(OSError):
                self._file.truncate(self.size)
            raise
        self.size += len(self._waiting)
        self._waiting = bytearray()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._file.close()


class McapFile:
    """One file; every message is a chunk of its own and on its way to the disk when `add` returns."""

    def __init__(self, path: Path) -> None:
        """Create the file and its folder.

        Raises:
            OSError: it cannot be created, or is there already.
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._number = 0
        self._broken = False
        self._output = _Output(path)
        self._writer = Writer(
            self._output,  # type: ignore[arg-type]  # mcap uses write, tell and flush only
            chunk_size=1,
            compression=CompressionType.ZSTD,
            index_types=IndexType.CHUNK,
            enable_data_crcs=True,
        )
        self._writer.start(profile=PROFILE, library=PROFILE)
        self._channels: dict[str, int] = {}
        for name in CHANNELS:
            number = self._writer.register_schema(f"{PROFILE}.{name}", "jsonschema", schema(name))
            self._channels[name] = self._writer.register_channel(name, "msgpack", number)

    @property
    def size(self) -> int:
        """Bytes written."""
        return self._output.size

    def add(self, channel: str, wall: float, payload: bytes) -> None:
        """Append a message; `wall` in s since 1970.

        Raises:
            OSError: it could not be written; the file ends before it.
        """
        stamp = min(max(int(wall * 1e9), 0), _LATEST) if math.isfinite(wall) else 0
        self._writer.add_message(self._channels[channel], stamp, payload, stamp, self._number)
        try:
            self._output.commit()
        except OSError:
            self._broken = True
            raise
        self._number += 1

    def close(self) -> None:
        """Write the summary and close; without a summary after a message that could not be written.

        Raises:
            OSError: there was no space for the summary; every message is readable all the same.
        """
        try:
            if not self._broken:  # else the writer's index has a chunk that is not in the file
                self._writer.finish()  # type: ignore[no-untyped-call]  # mcap leaves it unannotated
                self._output.commit()
        finally:
            self._output.close()

    def abandon(self) -> None:
        """Close without a summary; every message stays readable."""
        self._output.close()


def new_name(taken: set[str], pid: int) -> str:
    """Return a file name that this process has not used yet, and add it to `taken`."""
    stem = f"draglink-{time.strftime('%Y%m%d-%H%M%S')}-{pid}"
    name, number = f"{stem}.mcap", 1
    while name in taken:
        number += 1
        name = f"{stem}-{number}.mcap"
    taken.add(name)
    return name


def tidy(folder: Path, most_space: float, longest_age: float, spared: Path | None) -> list[Path]:
    """Delete our own files beyond age (s) and space (bytes), oldest first; return those deleted.

    Only regular files whose whole name is one of ours; `spared` is being written. Never raises.
    """
    files: list[tuple[float, int, Path]] = []
    with contextlib.suppress(OSError):  # a folder that cannot be listed is told of when it is written to
        for path in folder.iterdir():
            if _OURS.fullmatch(path.name) and path != spared and path.is_file() and not path.is_symlink():
                with contextlib.suppress(OSError):
                    facts = path.stat()
                    files.append((facts.st_mtime, facts.st_size, path))
    files.sort()
    total = sum(size for _, size, _ in files)
    deleted = []
    for modified, size, path in files:
        if time.time() - modified > longest_age or total > most_space:
            with contextlib.suppress(OSError):
                path.unlink()
                deleted.append(path)
                total -= size
    return deleted
