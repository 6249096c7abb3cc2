"""What the force path asks of a device."""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple


class Guard(IntFlag):
    """Why the governor changed a torque. The bits are part of the recording format: append only."""

    NONE = 0
    NOT_FINITE = 1
    """The mapping stage produced a NaN or an infinity; taken as 0."""
    CEILING = 2
    """The torque ceiling was reached (clipping)."""
    SLEW = 4
    """The slew ceiling was reached."""
    FADE = 8
    """Fading in or out: gain below 1."""
    STALLED = 16
    """No acceptable frame for longer than the stall time."""
    NOT_DRIVING = 32
    """The source says menu, pause or replay."""
    IMPLAUSIBLE = 64
    """Frames are being rejected as implausible."""
    LIMIT_CYCLE = 128
    """Oscillation about the centre: gain lowered, damping raised."""
    DIVERGENCE = 256
    """The torque drove the wheel away from centre faster and faster: cut."""
    THERMAL = 512
    """Mean square torque above the device's continuous rating: ceiling lowered."""
    CALM = 1024
    """The user asked for calm: zero until released."""
    CUT = 2048
    """Cut to zero in one tick. The only change that may be faster than the slew ceiling."""


class Command(NamedTuple):
    """One torque for the device; only the governor makes these."""

    time: float
    """Monotonic time of the tick, s."""
    sequence: int
    """Number of the tick since the start of the force path."""
    torque: float
    """N m at the rim *as the device is to exert it*: positive turns the wheel left after polarity."""
    due: bool = True
    """False where the update-rate limit says that the device is not to be written at this tick."""
    guards: int = 0
    """Bits of `Guard`: what the governor did to this torque."""
