"""All that a plugin author imports: frames, commands, wheel states, plugin bases, units and axes.

    from bridge.contract import Frame, PluginSettings, Source

The package does no I/O; ``tests/architecture`` enforces it.
"""

from bridge.contract.axes import from_z_down, tyre_from_z_down
from bridge.contract.command import Command, Guard
from bridge.contract.frame import FRAME_FIELDS, NO_TYRE, Frame, Surface, Tyre, Tyres
from bridge.contract.plugin import (
    Host,
    Observer,
    Plugin,
    PluginSettings,
    PluginState,
    PluginStatus,
    PluginUnavailable,
    Sink,
    Source,
    StreamingSource,
    Tick,
)
from bridge.contract.quantities import (
    Acceleration,
    Angle,
    AngularSpeed,
    CorneringStiffness,
    Damping,
    Duration,
    Force,
    Frequency,
    Inertia,
    Length,
    Mass,
    Share,
    Size,
    Speed,
    SteeringRatio,
    Stiffness,
    Torque,
    TorqueRate,
)
from bridge.contract.units import STANDARD_GRAVITY, UNITS, QuantityError, factor, parse_quantity
from bridge.contract.wheel import WheelFacts, WheelState

__all__ = [
    "FRAME_FIELDS",
    "NO_TYRE",
    "STANDARD_GRAVITY",
    "UNITS",
    "Acceleration",
    "Angle",
    "AngularSpeed",
    "Command",
    "CorneringStiffness",
    "Damping",
    "Duration",
    "Force",
    "Frame",
    "Frequency",
    "Guard",
    "Host",
    "Inertia",
    "Length",
    "Mass",
    "Observer",
    "Plugin",
    "PluginSettings",
    "PluginState",
    "PluginStatus",
    "PluginUnavailable",
    "QuantityError",
    "Share",
    "Sink",
    "Size",
    "Source",
    "Speed",
    "SteeringRatio",
    "Stiffness",
    "StreamingSource",
    "Surface",
    "Tick",
    "Torque",
    "TorqueRate",
    "Tyre",
    "Tyres",
    "WheelFacts",
    "WheelState",
    "factor",
    "from_z_down",
    "parse_quantity",
    "tyre_from_z_down",
]
