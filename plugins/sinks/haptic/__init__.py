"""Drives the motor of a real wheel: a constant force whose level follows the torque.

Linux only so far, through the kernel's event devices; elsewhere it says so.
"""

from __future__ import annotations

import sys

from bridge.contract import Command, Host, PluginSettings, PluginUnavailable, Sink, WheelState
from plugins.sinks.haptic import evdev
from plugins.sinks.haptic.interface import DeviceInfo, HapticDevice, pick, to_level

__all__ = ["DeviceInfo", "Haptic", "HapticSettings", "list_devices"]


class HapticSettings(PluginSettings):
    """Settings of the haptic device."""

    device: str = ""
    """USB id "vvvv:pppp", serial, name, part of it, or number in the device list; empty: the only one."""
    axis_reversed: bool = False
    """True where the wheel's axis counts up when it is turned left."""


def list_devices() -> tuple[list[DeviceInfo], str]:
    """Return the haptic devices of this machine, and a sentence for where there are none."""
    if sys.platform != "linux":
        return [], "Real wheels are driven on Linux only so far; here: the virtual one, [sinks.bench_wheel]."
    else:  # noqa: RET505 - mypy follows platform checks only through else
        return evdev.list_devices()


class Haptic(Sink[HapticSettings]):
    """A real wheel."""

    Settings = HapticSettings

    def __init__(self, settings: HapticSettings, host: Host) -> None:
        super().__init__(settings, host)
        self._device: HapticDevice | None = None
        self._path = ""

    def open(self) -> None:
        """Pick the device and start the effect at level 0.

        Raises:
            PluginUnavailable: it is not there, may not be opened, or has no constant force.
            ValueError: several fit; one is never guessed.
        """
        devices, reason = list_devices()
        if not devices:
            raise PluginUnavailable(reason)
        info = pick(devices, self.settings.device)
        self._device = evdev.EvdevDevice(info, self.host.wheel.rotation, self.settings.axis_reversed)
        self._path = info.path
        self.host.notice("device_chosen", device=info.name, usb_id=info.usb_id, path=info.path)

    def write(self, command: Command) -> None:
        """Set the level."""
        device = self._device
        if device is None:
            return
        try:
            device.set_level(to_level(command.torque, self.host.wheel.peak_torque))
        except OSError as error:
            self._lost(error)
            raise

    def wheel(self) -> WheelState | None:
        """Return where the wheel is."""
        device = self._device
        try:
            return None if device is None else device.wheel()
        except OSError as error:
            self._lost(error)
            raise

    def _lost(self, error: OSError) -> None:
        self.host.notice("device_lost", path=self._path, error=error.strerror or str(error))

    def cut_order(self) -> dict[str, object] | None:
        """See `Sink.cut_order`."""
        return {"cutter": "evdev", "path": self._path}

    def close(self) -> None:
        """Level zero, effect erased, device released."""
        device, self._device = self._device, None
        if device is not None:
            device.close()
