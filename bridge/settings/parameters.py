"""From settings to the numbers the force path runs on."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

from pydantic import BaseModel

from bridge.force_path import parameters as p
from bridge.settings.models import Settings

RecordT = TypeVar("RecordT")


def default_ceiling(peak_torque: float) -> float:
    """Return the ceiling until the user raises it, N m: the lower of 2 N m and 25 % of the peak."""
    return min(2.0, 0.25 * peak_torque)


def parameters(settings: Settings) -> p.Parameters:
    """Return the force path's parameters for these settings."""
    wheel, governor = settings.wheel, settings.governor
    ceiling = governor.ceiling if governor.ceiling is not None else default_ceiling(wheel.peak_torque)
    continuous = governor.continuous_torque
    return p.Parameters(
        tick_rate=settings.service.tick_rate,
        car=_copy(p.Car, settings.car),
        wheel=_copy(p.Wheel, wheel, polarity=-1.0 if wheel.polarity == "reversed" else 1.0),
        upsampling=_copy(p.Upsampling, settings.upsampling),
        feel=_copy(p.Feel, settings.feel),
        shaping=_copy(p.Shaping, settings.shaping),
        governor=_copy(
            p.Governor,
            governor,
            ceiling=min(ceiling, wheel.peak_torque),
            continuous_torque=continuous if continuous is not None else 0.5 * wheel.peak_torque,
        ),
    )


def _copy(record: type[RecordT], section: BaseModel, **changed: Any) -> RecordT:
    """Fill a record from the section's fields of the same names."""
    names = [field.name for field in fields(record)]  # type: ignore[arg-type]  # the records are dataclasses
    return record(**{name: changed.get(name, getattr(section, name, None)) for name in names})
