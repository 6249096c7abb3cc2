"""Reads a record that the sim exports in a named shared memory, through a layout.

The memory is opened only if it exists, read-only, and never created or removed. The sim may start later and
may restart: a block that was replaced is noticed and opened anew. On Linux the bytes are copied by pread(2),
which fails where a mapping would end the process with SIGBUS when the sim shortens its block.
"""

from __future__ import annotations

import ctypes
import importlib
import mmap
import os
import sys
import time
from collections.abc import Callable
from typing import Annotated, Protocol

from pydantic import Field

from bridge.contract import Frame, Host, PluginSettings, PluginUnavailable, Source
from bridge.layout import Decoder, RecordRejected, StableReader, load_layout

_LOOK_EVERY = 0.2
"""Between two looks whether the sim replaced its block, s."""


class SharedMemorySettings(PluginSettings):
    """Settings of the shared memory source."""

    layout: str
    """Name of a layout (config/sims) or path of a layout file."""
    name: Annotated[str, Field(max_length=200)] = ""
    """Name of the shared memory; empty: the layout's name."""


class _Block(Protocol):
    """An open block."""

    def copy(self) -> bytes:
        """Return the record's bytes as they are now."""

    def replaced(self) -> bool:
        """Return whether the name now stands for another block."""

    def close(self) -> None:
        """Release it."""


class _FileBlock:
    """Linux: POSIX shared memory is a file in /dev/shm."""

    def __init__(self, name: str, size: int) -> None:
        self._path = f"/dev/shm/{name}"
        flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        self._fd = os.open(self._path, flags)
        found = os.fstat(self._fd)
        self._inode = found.st_ino
        if found.st_size < size:
            os.close(self._fd)
            raise PluginUnavailable(_too_short(name, found.st_size, size))
        self._size = size

    def copy(self) -> bytes:
        return os.pread(self._fd, self._size, 0)

    def replaced(self) -> bool:
        try:
            return os.stat(self._path).st_ino != self._inode
        except OSError:
            return False  # removed and not made again: what we hold is the last there was

    def close(self) -> None:
        os.close(self._fd)


class _PosixBlock:
    """Other POSIX systems: shm_open and a mapping, made anew now and then to notice a replacement."""

    def __init__(self, name: str, size: int) -> None:
        posix = importlib.import_module("_posixshmem")  # part of CPython on POSIX, without a public name
        fd = posix.shm_open(f"/{name}", os.O_RDONLY, mode=0)
        try:
            found = os.fstat(fd)
            if found.st_size < size:
                raise PluginUnavailable(_too_short(name, found.st_size, size))
            self._inode = found.st_ino
            self._map = mmap.mmap(fd, size, access=mmap.ACCESS_READ)
        finally:
            os.close(fd)
        self._name, self._size = name, size

    def copy(self) -> bytes:
        return self._map[: self._size]

    def replaced(self) -> bool:
        try:
            other = type(self)(self._name, self._size)
        except (OSError, PluginUnavailable):
            return False
        other.close()
        return other._inode != self._inode

    def close(self) -> None:
        self._map.close()


if sys.platform == "win32":

    class _NamedMapping:
        """Windows: a named file mapping; `mmap` would create a missing one, so the API is called itself."""

        _READ = 0x4

        def __init__(self, name: str, size: int) -> None:
            kernel = ctypes.WinDLL("kernel32", use_last_error=True)
            kernel.OpenFileMappingW.restype = ctypes.c_void_p
            kernel.MapViewOfFile.restype = ctypes.c_void_p
            handle = kernel.OpenFileMappingW(self._READ, False, name)
            if not handle:
                raise FileNotFoundError(ctypes.get_last_error(), ctypes.FormatError(), name)
            view = kernel.MapViewOfFile(ctypes.c_void_p(handle), self._READ, 0, 0, ctypes.c_size_t(size))
            error = ctypes.get_last_error()
            kernel.CloseHandle(ctypes.c_void_p(handle))
            if not view:
                if error == 5:
                    raise PluginUnavailable(_too_short(name, 0, size))
                raise ctypes.WinError(error)
            self._kernel, self._view, self._size = kernel, view, size

        def copy(self) -> bytes:
            return ctypes.string_at(self._view, self._size)

        def replaced(self) -> bool:
            return (
                False  # a mapping lives while anyone holds it: a restarted sim finds and fills the same one
            )

        def close(self) -> None:
            self._kernel.UnmapViewOfFile(ctypes.c_void_p(self._view))

    _BLOCK: Callable[[str, int], _Block] = _NamedMapping
elif sys.platform == "linux":
    _BLOCK = _FileBlock
else:
    _BLOCK = _PosixBlock


def _too_short(name: str, found: int, wanted: int) -> str:
    return (
        f"the shared memory '{name}' has {found} bytes, the layout wants {wanted}; "
        "is the layout for this version of the sim?"
    )


class SharedMemory(Source[SharedMemorySettings]):
    """One record in a named shared memory."""

    Settings = SharedMemorySettings

    def __init__(self, settings: SharedMemorySettings, host: Host) -> None:
        super().__init__(settings, host)
        self._layout = load_layout(host.find_config("sims", settings.layout))
        self._decoder = Decoder(self._layout)
        self.fields = self._decoder.fields
        self.nominal_rate = self._decoder.nominal_rate
        self._name = (settings.name or self._layout.name).removeprefix("/")
        if "/" in self._name and sys.platform != "win32":
            raise ValueError(f"'{self._name}' is no name of a shared memory: it has a slash in it")
        self._block: _Block | None = None
        self._stable: StableReader | None = None
        self._raw: bytes | None = None
        self._look_at = 0.0
        self._torn = self._short = 0

    def open(self) -> None:
        """Open the block.

        Raises:
            PluginUnavailable: there is none yet, or it is too short.
        """
        self._block = self._open()
        self._stable = StableReader(self._layout, self._block.copy)
        self._torn = self._short = 0

    def _open(self) -> _Block:
        try:
            return _BLOCK(self._name, self._layout.size)
        except FileNotFoundError:
            raise PluginUnavailable(
                f"waiting for the sim: there is no shared memory '{self._name}'"
            ) from None
        except PermissionError:
            raise PluginUnavailable(
                f"the shared memory '{self._name}' may not be read; does the sim run as another user?"
            ) from None

    def read(self) -> Frame | None:
        """See `Source.read`."""
        stable = self._stable
        if stable is None:
            return None
        record = stable.read()
        if stable.torn != self._torn:
            self.host.count("torn_read", stable.torn - self._torn)
            self._torn = stable.torn
        if stable.short != self._short:
            self.host.count("record_size", stable.short - self._short)
            self._short = stable.short
        if record is None:
            if time.monotonic() >= self._look_at:
                self._look()
            return None
        try:
            frame = self._decoder.decode(record)
        except RecordRejected as rejected:
            self.host.count(f"record_{rejected.cause}")
            return None
        self._raw = record
        return frame

    def _look(self) -> None:
        """Follow a sim that made its block anew."""
        self._look_at = time.monotonic() + _LOOK_EVERY
        old = self._block
        if old is None or not old.replaced():
            return
        try:
            self._block = self._open()
        except PluginUnavailable:
            return  # it is just being made; the next look finds it
        old.close()
        self._stable = StableReader(self._layout, self._block.copy)
        self._torn = self._short = 0
        self.host.notice("source_replaced", name=self._name)

    def raw(self) -> bytes | None:
        """See `Source.raw`."""
        return self._raw

    def close(self) -> None:
        """Release the block; the sim's memory itself is never touched."""
        block, self._block, self._stable = self._block, None, None
        if block is not None:
            block.close()
