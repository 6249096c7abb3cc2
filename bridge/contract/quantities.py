"""Field types for settings: floats in SI that may be written with a unit.

A plugin author writes ``timeout: Duration = 0.5`` and the user ``timeout = "500 ms"``. The JSON Schema of
such a field accepts a number or a text and names the dimension.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from bridge.contract.units import allowed_units, parse_quantity


class Dimension:
    """Marks a field with its physical dimension (a key of `bridge.contract.units.UNITS`)."""

    __slots__ = ("name",)

    def __init__(self, name: str) -> None:
        self.name = name

    def __call__(self, value: Any) -> float:
        """Parse a value as `parse_quantity` does."""
        return parse_quantity(value, self.name)


def _schema(dimension: str) -> WithJsonSchema:
    text = f"A number in SI, or a text with a unit: {allowed_units(dimension)}"
    return WithJsonSchema({"type": ["number", "string"], "description": text, "x-dimension": dimension})


def _quantity(dimension: str) -> tuple[Dimension, BeforeValidator, WithJsonSchema]:
    mark = Dimension(dimension)
    return mark, BeforeValidator(mark), _schema(dimension)


Share = Annotated[float, *_quantity("1")]
Angle = Annotated[float, *_quantity("angle")]
AngularSpeed = Annotated[float, *_quantity("angular speed")]
Length = Annotated[float, *_quantity("length")]
Speed = Annotated[float, *_quantity("speed")]
Acceleration = Annotated[float, *_quantity("acceleration")]
Force = Annotated[float, *_quantity("force")]
Torque = Annotated[float, *_quantity("torque")]
TorqueRate = Annotated[float, *_quantity("torque rate")]
Damping = Annotated[float, *_quantity("damping")]
Stiffness = Annotated[float, *_quantity("stiffness")]
CorneringStiffness = Annotated[float, *_quantity("cornering stiffness")]
Mass = Annotated[float, *_quantity("mass")]
Inertia = Annotated[float, *_quantity("inertia")]
Duration = Annotated[float, *_quantity("time")]
Frequency = Annotated[float, *_quantity("frequency")]
Size = Annotated[float, *_quantity("size")]
SteeringRatio = Annotated[float, *_quantity("steering ratio")]
