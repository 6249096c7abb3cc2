"""What a layout may say. See ``config/sims/saltmarsh.toml`` for one with every line explained.

This module does not know how records are read or decoded.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from bridge.contract.frame import Frame, Surface, Tyre
from bridge.contract.quantities import Frequency
from bridge.contract.units import UNITS, factor, parse_quantity

LARGEST_RECORD = 65_536
"""Bytes."""
_INTEGER = re.compile(r"[ui](8|16|32|64)")
_TYPES: dict[str, tuple[str, int]] = {
    "u8": ("B", 1), "i8": ("b", 1), "u16": ("H", 2), "i16": ("h", 2), "u32": ("I", 4), "i32": ("i", 4),
    "u64": ("Q", 8), "i64": ("q", 8), "f32": ("f", 4), "f64": ("d", 8), "bool": ("?", 1),
}  # fmt: skip
TypeName = Literal["u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bool"]
ByteOrder = Literal["little", "big"]

DIMENSIONS: dict[str, str] = {
    "time": "time", "speed": "speed", "lateral_speed": "speed", "ax": "acceleration", "ay": "acceleration",
    "yaw_rate": "angular speed", "steer": "angle", "steering_wheel": "angle", "rack_force": "force",
    "steering_torque": "torque", "engine_speed": "angular speed", "throttle": "1", "brake": "1", "gear": "1",
    "index": "1",
}  # fmt: skip
TYRE_DIMENSIONS: dict[str, str] = {
    "fx": "force", "fy": "force", "fz": "force", "mz": "torque", "slip_angle": "angle", "slip_ratio": "1",
    "surface": "1", "travel": "length",
}  # fmt: skip
FIELD_NAMES = frozenset(Frame._fields) - {"tyres", "driving"}
TYRE_NAMES = frozenset(Tyre._fields)


class Part(BaseModel):
    """Base of all tables of a layout."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)


class Place(Part):
    """Where bytes stand and what they are."""

    offset: Annotated[int, Field(ge=0, lt=LARGEST_RECORD)]
    """Bytes from the record's start."""
    type: TypeName
    """u8 to u64, i8 to i64, f32, f64, bool."""
    byte_order: ByteOrder | None = None
    """Where it differs from the record's."""

    @property
    def code(self) -> str:
        """The type's letter for `struct`."""
        return _TYPES[self.type][0]

    @property
    def size(self) -> int:
        """Bytes."""
        return _TYPES[self.type][1]


class Value(Place):
    """A number: value = (raw + bias) * scale * sign, in `unit`, then taken to SI."""

    unit: str = ""
    """A unit of the field's dimension; none = SI already."""
    scale: float = 1.0
    bias: float = 0.0
    """Added to the raw number before scaling."""
    sign: Literal[1, -1] = 1
    """-1 where the sim counts the other way round, beyond what `axes` says."""
    fraction_bits: Annotated[int, Field(ge=0, le=63)] = 0
    """Fixed point: so many bits lie behind the point."""
    turn: Annotated[int, Field(ge=0, le=2**32)] = 0
    """Binary angle: so many counts are one turn (65536, 4096, 256); the result lies in [-pi, pi)."""
    bits: tuple[Annotated[int, Field(ge=0, le=63)], Annotated[int, Field(ge=1, le=64)]] | None = None
    """Bit field: [lowest bit, number of bits]."""
    range: tuple[float | str, float | str] | None = None
    """Valid values [lowest, highest], with units; beyond it see `invalid`."""
    invalid: Literal["reject", "missing"] = "reject"
    """What a value outside the range does: reject the whole record, or count as not given."""
    map: dict[str, str | int] | None = None
    """Raw number -> surface name or gear; a number that is not listed counts as not given."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        whole = bool(_INTEGER.fullmatch(self.type))
        if (self.fraction_bits or self.turn or self.bits or self.map) and not whole:
            raise ValueError("fraction_bits, turn, bits and map need an integer type")
        if self.turn and (self.unit or self.fraction_bits or self.map):
            raise ValueError("turn gives radians by itself: leave out unit, fraction_bits and map")
        if self.bits and self.bits[0] + self.bits[1] > 8 * self.size:
            raise ValueError(f"bits reach beyond the {8 * self.size} bits of {self.type}")
        if self.bits and self.type.startswith("i"):
            raise ValueError("a bit field needs an unsigned type")
        if self.map:
            for key in self.map:
                if not re.fullmatch(r"-?\d+", key):
                    raise ValueError(f"map keys are raw whole numbers; '{key}' is none")
        return self

    def si(self, dimension: str) -> float:
        """Return what takes ``raw + bias`` to SI, sign included.

        Raises:
            QuantityError: not a unit of that dimension.
        """
        unit = factor(self.unit, dimension) if self.unit else 1.0
        return self.scale * self.sign * unit / float(1 << self.fraction_bits)

    def limits(self, dimension: str) -> tuple[float, float] | None:
        """Return the valid range in SI, before the sign of axes."""
        if self.range is None:
            return None
        low, high = (parse_quantity(value, dimension) for value in self.range)
        return (low, high) if low <= high else (high, low)


class TyreValue(Value):
    """A number that stands four times."""

    offset: Annotated[int, Field(ge=0, lt=LARGEST_RECORD)] = 0
    """Of the first tyre; the others follow after `stride`."""
    offsets: tuple[int, int, int, int] | None = None
    """All four, where they follow no stride."""


class Constant(Place):
    """Bytes that must match, so that another version's record is refused."""

    type: TypeName = "u8"
    value: int | float | None = None
    bytes: str | None = None
    """Hex digits ("53 4c 54 4d") instead of a value."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.value is None) == (self.bytes is None):
            raise ValueError("write either value or bytes")
        if self.bytes is not None:
            try:
                raw = bytes.fromhex(self.bytes)
            except ValueError:
                raise ValueError("bytes are pairs of hex digits") from None
            if not 1 <= len(raw) <= 64:
                raise ValueError("between 1 and 64 bytes")
        return self


class Driving(Place):
    """When the car is being driven."""

    equals: tuple[int, ...] = ()
    """Raw values that mean driving."""
    bit: Annotated[int, Field(ge=0, le=63)] | None = None
    """Bit that is set while driving."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if bool(self.equals) == (self.bit is not None):
            raise ValueError("write either equals or bit")
        if self.type in ("f32", "f64"):
            raise ValueError("driving needs an integer or bool type")
        return self


class Tyres(Part):
    """The four tyres."""

    stride: Annotated[int, Field(ge=0, lt=LARGEST_RECORD)] = 0
    """Bytes from one tyre to the next."""
    order: tuple[str, str, str, str] = ("front_left", "front_right", "rear_left", "rear_right")
    """The order in which the sim has them."""
    fields: dict[str, TyreValue]

    @field_validator("order")
    @classmethod
    def _all_four(cls, order: tuple[str, ...]) -> tuple[str, ...]:
        if sorted(order) != ["front_left", "front_right", "rear_left", "rear_right"]:
            raise ValueError("name front_left, front_right, rear_left and rear_right, each once")
        return order


class Layout(Part):
    """One sim's record."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
    """Lower case; the name of the file as a rule."""
    description: str = ""
    size: Annotated[int, Field(ge=1, le=LARGEST_RECORD)]
    """Bytes of the record."""
    byte_order: ByteOrder = "little"
    axes: Literal["iso8855", "z_down"] = "iso8855"
    """iso8855: x forward, y left, z up. z_down: y right; signs are turned at once."""
    nominal_rate: Frequency = 0.0
    """Records a second; 0 = unknown."""
    constants: dict[str, Constant] = {}
    lock: Place | None = None
    """Sequence lock: a counter that is odd while the sim writes."""
    driving: Driving | None = None
    """Without it every record counts as driving."""
    fields: dict[str, Value] = {}
    tyres: Tyres | None = None

    @field_validator("fields")
    @classmethod
    def _known(cls, values: dict[str, Value]) -> dict[str, Value]:
        _check_fields(values, FIELD_NAMES, DIMENSIONS)
        return values

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.tyres is not None:
            _check_fields(self.tyres.fields, TYRE_NAMES, TYRE_DIMENSIONS)
        if "time" not in self.fields:
            raise ValueError("fields.time is missing: without the sim's clock frames have no order")
        if self.lock is not None and not _INTEGER.fullmatch(self.lock.type):
            raise ValueError("lock needs an integer type")
        for name, place in self.places():
            if place.offset + place.size > self.size:
                raise ValueError(
                    f"{name} ends at byte {place.offset + place.size}, beyond size = {self.size}"
                )
        return self

    def places(self) -> list[tuple[str, Place]]:
        """Return every place with its name, tyres taken apart (``tyres.fy[2]``, in the sim's order)."""
        found: list[tuple[str, Place]] = [(f"fields.{name}", value) for name, value in self.fields.items()]
        if self.lock is not None:
            found.append(("lock", self.lock))
        if self.driving is not None:
            found.append(("driving", self.driving))
        for name, constant in self.constants.items():
            size = len(bytes.fromhex(constant.bytes)) if constant.bytes else constant.size
            last = constant.offset + size - 1
            found.append((f"constants.{name}", Place(offset=last, type="u8")))
        if self.tyres is not None:
            for name, value in self.tyres.fields.items():
                found.extend((f"tyres.{name}[{n}]", self.tyre_place(value, n)) for n in range(4))
        return found

    def tyre_place(self, value: TyreValue, number: int) -> Place:
        """Return where a tyre's value stands; `number` counts in the sim's order."""
        stride = self.tyres.stride if self.tyres is not None else 0
        offset = value.offsets[number] if value.offsets else value.offset + number * stride
        return Place(offset=min(offset, LARGEST_RECORD - 1), type=value.type, byte_order=value.byte_order)


def _check_fields(values: dict[str, Any], names: frozenset[str], dimensions: dict[str, str]) -> None:
    for name, value in values.items():
        if name not in names:
            raise ValueError(f"'{name}' is no field; there are: {', '.join(sorted(names))}")
        dimension = dimensions[name]
        value.si(dimension)
        value.limits(dimension)
        if name in ("index", "gear", "surface") and value.type in ("f32", "f64"):
            raise ValueError(f"{name} needs an integer type")
        if value.turn and dimension != "angle":
            raise ValueError(f"turn is for angles; {name} is none ({', '.join(UNITS[dimension])})")
        if value.map:
            _check_map(name, value.map)


def _check_map(name: str, mapping: dict[str, str | int]) -> None:
    if name == "surface":
        known = {surface.name.lower() for surface in Surface}
        for meaning in mapping.values():
            if meaning not in known:
                raise ValueError(f"'{meaning}' is no surface; there are: {', '.join(sorted(known))}")
    elif name == "gear":
        if not all(isinstance(meaning, int) for meaning in mapping.values()):
            raise ValueError("a gear is a whole number: 0 neutral, -1 reverse")
    else:
        raise ValueError(f"{name} cannot have a map; only surface and gear can")
