"""The range of a quantity, written with units: ``Annotated[Angle, Within("90 deg", "3600 deg")]``.

A message in the unit that people write is worth more than one in SI: "90 deg to 3600 deg", not "greater
than or equal to 1.5708".
"""

from __future__ import annotations

from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from bridge.contract.units import UNITS, QuantityError, parse_quantity


class Within:
    """Allows numbers from `low` to `high`, both included."""

    __slots__ = ("_high", "_low", "text")

    def __init__(self, low: str, high: str) -> None:
        """Take both ends with their units; raises QuantityError where one makes no sense."""
        self._low, self._high = _si(low), _si(high)
        self.text = f"{low} to {high}"

    def __call__(self, value: float) -> float:
        """Return the value; raises ValueError outside the range."""
        if not self._low <= value <= self._high:
            raise ValueError(f"allowed: {self.text}")
        return value

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Check after the quantity was read."""
        return core_schema.no_info_after_validator_function(self, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Tell editors the range: in SI for bare numbers, in words for texts."""
        described = dict(handler(schema))
        described["minimum"], described["maximum"] = self._low, self._high
        described["x-range"] = self.text
        return described


def _si(text: str) -> float:
    for dimension in UNITS:
        try:
            return parse_quantity(text, dimension)
        except QuantityError:
            continue
    raise QuantityError(f"'{text}' has a unit of no dimension")
