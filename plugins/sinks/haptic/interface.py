"""What every way to a haptic device offers, and how a device is picked among several.

This module does not know any operating system.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from bridge.contract import PluginUnavailable, WheelState


class DeviceInfo(NamedTuple):
    """A haptic device of this machine."""

    number: int
    """Place in the list, from 1; changes with what is plugged in."""
    name: str
    usb_id: str
    """Vendor and product, "vvvv:pppp", hexadecimal."""
    serial: str
    path: str
    axes: tuple[str, ...]
    abilities: tuple[str, ...]
    reason: str
    """Why it cannot be used and how to mend that; empty if it can."""


class HapticDevice(Protocol):
    """One open device."""

    def set_level(self, level: int) -> None:
        """Set the force, -32767 to 32767, positive turns the wheel left. Raises OSError."""

    def wheel(self) -> WheelState | None:
        """Return where the wheel is; never blocks. Raises OSError."""

    def close(self) -> None:
        """Level zero, effect stopped and erased, device released; never raises."""


def to_level(torque: float, peak_torque: float) -> int:
    """Return the level, -32767 to 32767, for a torque in N m on a device with that peak."""
    share = torque / peak_torque
    if not -1.0 <= share <= 1.0:
        share = 1.0 if share > 1.0 else -1.0 if share < -1.0 else 0.0  # the last: not a number
    return round(share * 32767.0)


_USB_ID = re.compile(r"[0-9a-fA-F]{4}:[0-9a-fA-F]{4}")


def pick(devices: Sequence[DeviceInfo], wanted: str) -> DeviceInfo:
    """Return the device that is meant.

    Args:
        devices: all there are.
        wanted: USB id, serial, whole name, part of a name, or number in the list; empty: the only one.

    Raises:
        PluginUnavailable: there is none such (yet).
        ValueError: several fit; one is never guessed.
    """
    able = [device for device in devices if "constant force" in device.abilities]
    if not wanted:
        found = able
        what = "a wheel with constant force"
    else:
        found = _matching(devices, wanted)
        what = f"'{wanted}'"
    if not found:
        there = "; ".join(f"{d.number}: {d.name} {d.usb_id}" for d in devices) or "none"
        raise PluginUnavailable(f"waiting for {what}; haptic devices here: {there}")
    if len(found) > 1:
        alike = "; ".join(f"{d.number}: {d.name} {d.usb_id} serial {d.serial or '-'}" for d in found)
        raise ValueError(
            f"several devices fit {what}: {alike}. Write one's serial or number as [sinks.haptic] device"
        )
    return found[0]


def _matching(devices: Sequence[DeviceInfo], wanted: str) -> list[DeviceInfo]:
    """Return the devices that fit, by the strictest way that fits any."""
    folded = wanted.casefold()
    ways = [
        [d for d in devices if _USB_ID.fullmatch(wanted) and d.usb_id.casefold() == folded],
        [d for d in devices if d.serial and d.serial == wanted],
        [d for d in devices if d.name == wanted],
        [d for d in devices if wanted.isdigit() and d.number == int(wanted)],
        [d for d in devices if folded in d.name.casefold()],
    ]
    return next((way for way in ways if way), [])
