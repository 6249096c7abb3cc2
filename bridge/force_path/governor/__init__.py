"""The safety stage: last, always on; its limits can be moved, never switched off."""

from bridge.force_path.governor.governor import Governor
from bridge.force_path.governor.plausibility import Plausibility, Rejection

__all__ = ["Governor", "Plausibility", "Rejection"]
