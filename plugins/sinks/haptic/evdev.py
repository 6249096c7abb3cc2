"""Linux: a haptic device through evdev, by ioctl(2) and without any library.

One constant force effect, endless, started once; afterwards only its level changes (a driver that sees only
the level changed sends only the force report). Effects belong to the file descriptor: the kernel stops and
erases them when it is closed, however the process ends. So it is opened CLOEXEC, and never inherited.

Numbers from the kernel's ``linux/input.h`` and ``linux/input-event-codes.h``; the tests compile that header
and compare. All calls go through `Kernel`, so that tests can see each of them.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bridge.contract import PluginUnavailable, WheelState
from plugins.sinks.haptic.interface import DeviceInfo

EVIOCGID = 0x80084502
EVIOCSFF = 0x40304580
EVIOCRMFF = 0x40044581
EVIOCGEFFECTS = 0x80044584
EV_ABS, EV_FF = 0x03, 0x15
ABS_X, ABS_WHEEL = 0x00, 0x08
FF_CONSTANT, FF_GAIN, FF_AUTOCENTER = 0x52, 0x60, 0x61
LEFT = 0x4000
"""Direction in which a positive level pushes the wheel left (ff_effect: where the force comes from)."""
EVENT = struct.Struct("@llHHi")
_EFFECT = struct.Struct("=HhHHHHH2xhHHHH22x")
"""struct ff_effect of a 64-bit kernel with a constant force in its union."""
_ABS_INFO = struct.Struct("=6i")
_AXES = {
    0x00: "X", 0x01: "Y", 0x02: "Z", 0x03: "RX", 0x04: "RY", 0x05: "RZ", 0x06: "throttle", 0x07: "rudder",
    0x08: "wheel", 0x09: "gas", 0x0A: "brake",
}  # fmt: skip
_ABILITIES = {
    0x50: "rumble", 0x51: "periodic", 0x52: "constant force", 0x53: "spring", 0x54: "friction",
    0x55: "damper", 0x56: "inertia", 0x57: "ramp", 0x60: "gain", 0x61: "autocentre",
}  # fmt: skip
_READ = 24 * 64


def name_request(number: int, size: int) -> int:
    """Return the ioctl that reads a text: 6 name, 7 physical path, 8 serial."""
    return 0x80000000 | size << 16 | 0x45 << 8 | number


def bits_request(kind: int, size: int) -> int:
    """Return EVIOCGBIT."""
    return 0x80000000 | size << 16 | 0x45 << 8 | (0x20 + kind)


def axis_request(axis: int) -> int:
    """Return EVIOCGABS."""
    return 0x80000000 | _ABS_INFO.size << 16 | 0x45 << 8 | (0x40 + axis)


def constant_effect(identity: int, level: int) -> bytes:
    """Return struct ff_effect: constant force of that level towards the left, endless, no envelope."""
    return _EFFECT.pack(FF_CONSTANT, identity, LEFT, 0, 0, 0, 0, level, 0, 0, 0, 0)


class Kernel:
    """The system calls that are used; nothing else is."""

    def open(self, path: str) -> int:
        """Open a device for reading and writing, without waiting."""
        return os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NONBLOCK)

    def close(self, descriptor: int) -> None:
        """Close it: the kernel stops and erases our effects."""
        os.close(descriptor)

    def ioctl(self, descriptor: int, request: int, argument: Any) -> int:
        """ioctl(2)."""
        if sys.platform == "win32":
            raise OSError(errno.ENOSYS, "evdev is Linux's")
        import fcntl  # noqa: PLC0415 - POSIX only

        return int(fcntl.ioctl(descriptor, request, argument))

    def read(self, descriptor: int, size: int) -> bytes:
        """read(2); raises BlockingIOError where there is nothing."""
        return os.read(descriptor, size)

    def write(self, descriptor: int, data: bytes) -> int:
        """write(2)."""
        return os.write(descriptor, data)

    def devices(self) -> Sequence[str]:
        """Return the event devices there are."""
        folder = Path("/dev/input")
        found = folder.glob("event*") if folder.is_dir() else []
        return sorted(map(str, found), key=lambda path: int(path.rpartition("event")[2]))


def _text(kernel: Kernel, descriptor: int, number: int) -> str:
    buffer = bytearray(256)
    try:
        kernel.ioctl(descriptor, name_request(number, len(buffer)), buffer)
    except OSError:
        return ""
    return bytes(buffer).split(b"\0")[0].decode("utf-8", "replace")


def _bits(kernel: Kernel, descriptor: int, kind: int) -> set[int]:
    buffer = bytearray(96)
    try:
        kernel.ioctl(descriptor, bits_request(kind, len(buffer)), buffer)
    except OSError:
        return set()
    return {place * 8 + bit for place, byte in enumerate(buffer) for bit in range(8) if byte >> bit & 1}


def list_devices(kernel: Kernel | None = None) -> tuple[list[DeviceInfo], str]:
    """Return the haptic devices, and a sentence for where there are none."""
    kernel = kernel or Kernel()
    paths = kernel.devices()
    found: list[DeviceInfo] = []
    closed = 0
    for path in paths:
        try:
            descriptor = kernel.open(path)
        except OSError as error:
            closed += error.errno in (errno.EACCES, errno.EPERM)
            continue
        try:
            info = _describe(kernel, descriptor, path, len(found) + 1)
        finally:
            kernel.close(descriptor)
        if info is not None:
            found.append(info)
    if found:
        return found, ""
    if closed:
        return [], f"{closed} input devices may not be opened. {access_advice()}"
    return [], "There is no haptic device here. Is the wheel plugged in and powered?"


def _describe(kernel: Kernel, descriptor: int, path: str, number: int) -> DeviceInfo | None:
    abilities = _bits(kernel, descriptor, EV_FF)
    if not abilities:
        return None
    identity = bytearray(8)
    kernel.ioctl(descriptor, EVIOCGID, identity)
    _, vendor, product, _ = struct.unpack("=4H", identity)
    axes = _bits(kernel, descriptor, EV_ABS)
    names = tuple(name for code, name in _ABILITIES.items() if code in abilities)
    lacks = (
        "" if FF_CONSTANT in abilities else f"it has no constant force, only {', '.join(names) or 'nothing'}"
    )
    return DeviceInfo(
        number=number,
        name=_text(kernel, descriptor, 6),
        usb_id=f"{vendor:04x}:{product:04x}",
        serial=_text(kernel, descriptor, 8),
        path=path,
        axes=tuple(name for code, name in _AXES.items() if code in axes),
        abilities=names,
        reason=lacks,
    )


def access_advice() -> str:
    """Return how to get the right to a device, without handing out more than that."""
    return (
        "Give the user at the seat access by a rule, for example in /etc/udev/rules.d/70-draglink.rules: "
        'SUBSYSTEM=="input", ATTRS{idVendor}=="VVVV", ATTRS{idProduct}=="PPPP", TAG+="uaccess" '
        "(VVVV and PPPP as lsusb shows them), then plug the wheel in again."
    )


class EvdevDevice:
    """One open device with our effect running."""

    def __init__(
        self, info: DeviceInfo, rotation: float, reversed_axis: bool, kernel: Kernel | None = None
    ) -> None:
        """Open, switch autocentre off, gain full, start the effect at level 0.

        Raises:
            PluginUnavailable: it vanished, may not be opened, or has no constant force.
            OSError: the driver refused an effect; ENOSPC: all its slots are taken.
        """
        self._kernel = kernel or Kernel()
        self._info = info
        if "constant force" not in info.abilities:
            raise PluginUnavailable(f"{info.name}: {info.reason}")
        try:
            self._fd = self._kernel.open(info.path)
        except PermissionError:
            raise PluginUnavailable(
                f"{info.name} ({info.path}) may not be opened. {access_advice()}"
            ) from None
        except OSError as error:
            raise PluginUnavailable(f"{info.name} ({info.path}): {error.strerror}") from None
        self._effect = -1
        self._level: int | None = None
        self._state: WheelState | None = None
        self._scale = -0.5 * rotation * (-1.0 if reversed_axis else 1.0)
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _prepare(self) -> None:
        if "autocentre" in self._info.abilities:
            self._send(FF_AUTOCENTER, 0)
        if "gain" in self._info.abilities:
            self._send(FF_GAIN, 0xFFFF)
        self._upload(0)
        self._send(self._effect, 1)
        axes = {name: code for code, name in _AXES.items()}
        self._axis = axes["wheel"] if "wheel" in self._info.axes else ABS_X
        buffer = bytearray(_ABS_INFO.size)
        self._centre = self._half = 0.0
        if self._info.axes:
            self._kernel.ioctl(self._fd, axis_request(self._axis), buffer)
            value, low, high, *_ = _ABS_INFO.unpack(buffer)
            if high > low:
                self._centre, self._half = (low + high) / 2.0, (high - low) / 2.0
                self._note(value)

    def _send(self, code: int, value: int) -> None:
        self._kernel.write(self._fd, EVENT.pack(0, 0, EV_FF, code, value))

    def _upload(self, level: int) -> None:
        buffer = bytearray(constant_effect(self._effect, level))
        try:
            self._kernel.ioctl(self._fd, EVIOCSFF, buffer)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise OSError(
                    error.errno, f"{self._info.name} has no free effect; does another program use it?"
                ) from None
            raise
        self._effect = struct.unpack_from("=h", buffer, 2)[0]
        self._level = level

    def set_level(self, level: int) -> None:
        """See `HapticDevice`; a level that did not change is not sent again."""
        if level != self._level:
            self._upload(level)

    def wheel(self) -> WheelState | None:
        """See `HapticDevice`."""
        try:
            data = self._kernel.read(self._fd, _READ)
        except BlockingIOError:
            return self._state
        newest = None
        for _, _, kind, code, value in EVENT.iter_unpack(data):
            if kind == EV_ABS and code == self._axis:
                newest = value
        if newest is not None:
            self._note(newest)
        return self._state

    def _note(self, value: int) -> None:
        if self._half:
            angle = (value - self._centre) / self._half * self._scale
            self._state = WheelState(time.monotonic(), angle, None)

    def close(self) -> None:
        """See `HapticDevice`."""
        fd, self._fd = self._fd, -1
        if fd < 0:
            return
        kernel = self._kernel
        try:
            if self._effect >= 0:
                kernel.ioctl(fd, EVIOCSFF, bytearray(constant_effect(self._effect, 0)))
                kernel.write(fd, EVENT.pack(0, 0, EV_FF, self._effect, 0))
                kernel.ioctl(fd, EVIOCRMFF, self._effect)
        except OSError:
            self._effect = -1  # it is gone: closing is all that is left
        with contextlib.suppress(OSError):
            kernel.close(fd)
