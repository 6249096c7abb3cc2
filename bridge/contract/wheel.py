"""What a sink says about the physical wheel, and what it is told about it."""

from __future__ import annotations

from typing import NamedTuple


class WheelState(NamedTuple):
    """Where the steering wheel is, by the device's own sensor."""

    time: float
    """Monotonic time of the measurement, s."""
    angle: float
    """Angle at the rim, rad, 0 = straight ahead, positive = turned left."""
    velocity: float | None = None
    """Angular velocity, rad/s, where the device measures it; ``None`` lets the force path derive it."""


class WheelFacts(NamedTuple):
    """What the user's settings say about the wheel; given to every sink."""

    peak_torque: float
    """Torque of the device at full level, N m. A sink maps ``Command.torque`` onto its own scale by it."""
    rotation: float
    """Lock to lock, rad."""
