"""The way to a real wheel, call by call: this machine has none, so every system call is captured.

Structure and numbers are compared with the kernel's own header, by a C program compiled here.
"""

from __future__ import annotations

import errno
import shutil
import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.contract import Command, PluginUnavailable, WheelState
from bridge.testing import TestHost
from plugins.sinks.haptic import Haptic, HapticSettings, evdev
from plugins.sinks.haptic.evdev import EVENT, EvdevDevice, Kernel, constant_effect, list_devices
from plugins.sinks.haptic.interface import DeviceInfo, pick, to_level

HEADER = r"""
#include <linux/input.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
int main(void) {
    struct ff_effect e;
    memset(&e, 0, sizeof e);
    e.type = FF_CONSTANT; e.id = -1; e.direction = 0x4000; e.u.constant.level = -12345;
    printf("%zu %zu %zu\n", sizeof e, offsetof(struct ff_effect, u), sizeof(struct input_event));
    for (size_t k = 0; k < sizeof e; k++) printf("%02x", ((unsigned char *)&e)[k]);
    unsigned long requests[] = { EVIOCSFF, EVIOCRMFF, EVIOCGID, EVIOCGNAME(256), EVIOCGBIT(EV_FF, 96),
                                 EVIOCGABS(ABS_WHEEL) };
    printf("\n");
    for (size_t k = 0; k < 6; k++) printf("%lu ", requests[k]);
    printf("\n");
    printf("%d %d %d %d %d\n", EV_FF, FF_CONSTANT, FF_GAIN, FF_AUTOCENTER, EV_ABS);
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler to read the kernel's header with")
@pytest.mark.skipif(not Path("/usr/include/linux/input.h").exists(), reason="no kernel header here")
def test_structure_and_numbers_are_those_of_the_kernels_header(tmp_path: Path) -> None:
    source, program = tmp_path / "a.c", tmp_path / "a"
    source.write_text(HEADER, encoding="ascii")
    subprocess.run(["gcc", "-o", str(program), str(source)], check=True)
    sizes, effect, requests, codes = subprocess.check_output([str(program)], text=True).splitlines()
    assert sizes.split() == ["48", "16", str(EVENT.size)]
    assert constant_effect(-1, -12345).hex() == effect
    ours = (
        evdev.EVIOCSFF, evdev.EVIOCRMFF, evdev.EVIOCGID, evdev.name_request(6, 256),
        evdev.bits_request(evdev.EV_FF, 96), evdev.axis_request(evdev.ABS_WHEEL),
    )  # fmt: skip
    assert list(map(str, ours)) == requests.split()
    named = (evdev.EV_FF, evdev.FF_CONSTANT, evdev.FF_GAIN, evdev.FF_AUTOCENTER, evdev.EV_ABS)
    assert list(map(str, named)) == codes.split()


class FakeKernel(Kernel):
    """Answers as a kernel with one wheel does, and writes down every call."""

    def __init__(self, name: str = "Bench Motor", abilities: Sequence[int] = (0x52, 0x60, 0x61)) -> None:
        self.name = name
        self.abilities = abilities
        self.calls: list[tuple[Any, ...]] = []
        self.fail: dict[str, int] = {}
        self.events = b""

    def _may_fail(self, what: str) -> None:
        if what in self.fail:
            raise OSError(self.fail[what], "as told")

    def devices(self) -> Sequence[str]:
        return ["/dev/input/event7"]

    def open(self, path: str) -> int:
        self._may_fail("open")
        self.calls.append(("open", path))
        return 9

    def close(self, descriptor: int) -> None:
        self.calls.append(("close", descriptor))

    def read(self, descriptor: int, size: int) -> bytes:
        self._may_fail("read")
        if not self.events:
            raise BlockingIOError
        data, self.events = self.events, b""
        return data

    def write(self, descriptor: int, data: bytes) -> int:
        self._may_fail("write")
        self.calls.append(("event", *EVENT.unpack(data)[2:]))
        return len(data)

    def ioctl(self, descriptor: int, request: int, argument: Any) -> int:
        if request == evdev.EVIOCSFF:
            self._may_fail("upload")
            kind, identity, direction = struct.unpack_from("=HhH", argument)
            level = struct.unpack_from("=h", argument, 16)[0]
            self.calls.append(
                ("upload", kind, identity, direction, level, struct.unpack_from("=H", argument, 10)[0])
            )
            struct.pack_into("=h", argument, 2, 3)
        elif request == evdev.EVIOCRMFF:
            self.calls.append(("erase", argument))
        elif request == evdev.EVIOCGID:
            struct.pack_into("=4H", argument, 0, 3, 0x1209, 0xBE4C, 1)
        elif request == evdev.name_request(6, 256):
            argument[: len(self.name)] = self.name.encode()
        elif request == evdev.name_request(8, 256):
            argument[:4] = b"S-01"
        elif request == evdev.bits_request(evdev.EV_FF, 96):
            for ability in self.abilities:
                argument[ability // 8] |= 1 << ability % 8
        elif request == evdev.bits_request(evdev.EV_ABS, 96):
            argument[0] |= 1
        elif request == evdev.axis_request(evdev.ABS_X):
            struct.pack_into("=6i", argument, 0, 32768, 0, 65535, 0, 0, 0)
        return 0


def the_device(kernel: FakeKernel) -> DeviceInfo:
    devices, reason = list_devices(kernel)
    assert reason == ""
    kernel.calls.clear()
    return devices[0]


def test_the_whole_life_of_a_device_in_system_calls() -> None:
    kernel = FakeKernel()
    info = the_device(kernel)
    assert (info.name, info.usb_id, info.serial, info.axes) == ("Bench Motor", "1209:be4c", "S-01", ("X",))
    device = EvdevDevice(info, 9.42, False, kernel)
    for level in (0, 5000, 5000, -32767):
        device.set_level(level)
    device.close()
    device.close()
    left, constant = 0x4000, 0x52
    assert kernel.calls == [
        ("open", "/dev/input/event7"),
        ("event", 0x15, 0x61, 0),  # autocentre off
        ("event", 0x15, 0x60, 0xFFFF),  # gain full
        ("upload", constant, -1, left, 0, 0),  # endless: length 0
        ("event", 0x15, 3, 1),  # started once
        ("upload", constant, 3, left, 5000, 0),  # afterwards the level alone, and only when it changed
        ("upload", constant, 3, left, -32767, 0),
        ("upload", constant, 3, left, 0, 0),
        ("event", 0x15, 3, 0),
        ("erase", 3),
        ("close", 9),
    ]


def test_the_wheels_angle_comes_from_its_axis() -> None:
    kernel = FakeKernel()
    device = EvdevDevice(the_device(kernel), 10.0, False, kernel)
    state = device.wheel()
    assert state is not None
    assert state.angle == pytest.approx(0.0, abs=1e-4)
    kernel.events = b"".join(
        EVENT.pack(0, 0, 3, code, value) for code, value in ((0, 10), (1, 5), (0, 65535))
    )
    state = device.wheel()
    assert isinstance(state, WheelState)
    assert state.angle == pytest.approx(-5.0), "the axis counts up to the right"
    device.close()


@pytest.mark.parametrize(
    ("what", "number", "kind", "words"),
    [
        ("open", errno.EACCES, PluginUnavailable, "uaccess"),
        ("open", errno.ENODEV, PluginUnavailable, "event7"),
        ("upload", errno.ENOSPC, OSError, "another program"),
        ("upload", errno.EIO, OSError, "as told"),
        ("write", errno.ENODEV, OSError, "as told"),
    ],
)
def test_what_goes_wrong_on_opening_has_a_name(
    what: str, number: int, kind: type[Exception], words: str
) -> None:
    kernel = FakeKernel()
    info = the_device(kernel)
    kernel.fail[what] = number
    with pytest.raises(kind, match=words):
        EvdevDevice(info, 9.42, False, kernel)
    assert what == "open" or kernel.calls[-1] == ("close", 9), "nothing is left open"


def test_a_device_without_constant_force_says_what_it_has() -> None:
    kernel = FakeKernel(abilities=(0x53, 0x55))
    info = the_device(kernel)
    with pytest.raises(PluginUnavailable, match="spring, damper"):
        EvdevDevice(info, 9.42, False, kernel)


def test_devices_that_may_not_be_opened_are_told_with_the_rule() -> None:
    kernel = FakeKernel()
    kernel.fail["open"] = errno.EACCES
    devices, reason = list_devices(kernel)
    assert devices == []
    assert "TAG+=" in reason


def test_the_sink_finds_drives_loses_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = FakeKernel()
    monkeypatch.setattr(evdev, "Kernel", lambda: kernel)
    host = TestHost(peak_torque=8.0)
    sink = Haptic(HapticSettings(device="bench"), host)
    sink.open()
    sink.write(Command(0.0, 0, 4.0))
    assert kernel.calls[-1] == ("upload", 0x52, 3, 0x4000, 16384, 0)
    assert sink.wheel() is not None
    assert sink.cut_order() == {"cutter": "evdev", "path": "/dev/input/event7"}
    kernel.fail["upload"] = errno.ENODEV
    with pytest.raises(OSError, match="as told"):
        sink.write(Command(0.0, 1, 1.0))
    assert [event for event, _ in host.notices] == ["device_chosen", "device_lost"]
    sink.close()
    assert kernel.calls[-1] == ("close", 9)  # type: ignore[comparison-overlap]  # calls differ in length


@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(0.1, 100.0))
def test_any_torque_gives_a_level_within_the_scale(torque: float, peak: float) -> None:
    level = to_level(torque, peak)
    assert -32767 <= level <= 32767
    assert level == -to_level(-torque, peak)
    if abs(torque) <= peak:
        assert level / 32767 * peak == pytest.approx(torque, abs=peak / 32767)


def info(number: int, name: str, usb_id: str = "1209:0001", serial: str = "") -> DeviceInfo:
    return DeviceInfo(
        number, name, usb_id, serial, f"/dev/input/event{number}", ("X",), ("constant force",), ""
    )


TWO = [info(1, "Bench Motor"), info(2, "Bench Motor", serial="S-2"), info(3, "Other Thing", "1209:0002")]


@pytest.mark.parametrize(
    ("wanted", "number"), [("1209:0002", 3), ("S-2", 2), ("Other Thing", 3), ("3", 3), ("other", 3)]
)
def test_a_device_is_picked_by_id_serial_name_part_or_number(wanted: str, number: int) -> None:
    assert pick(TWO, wanted).number == number


@pytest.mark.parametrize("wanted", ["", "1209:0001", "Bench Motor", "bench"])
def test_several_alike_are_never_guessed_between(wanted: str) -> None:
    with pytest.raises(ValueError, match="1: Bench Motor"):
        pick(TWO, wanted)


def test_an_absent_device_is_waited_for() -> None:
    with pytest.raises(PluginUnavailable, match="haptic devices here"):
        pick(TWO, "1209:9999")
    with pytest.raises(PluginUnavailable):
        pick([], "")
    assert pick(TWO[2:], "").number == 3
