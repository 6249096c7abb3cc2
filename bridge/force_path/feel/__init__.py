"""Added feel, synthesised at the device's rate: shake of the road, pull, standstill, end stop."""

from bridge.force_path.feel.mechanics import EndStop, RollingAndStandstill
from bridge.force_path.feel.pull import LongitudinalPull
from bridge.force_path.feel.surface import SurfaceShake

__all__ = ["EndStop", "LongitudinalPull", "RollingAndStandstill", "SurfaceShake"]
