"""Compiles a layout once into a fast decoder: one `struct` call, then a tuple filled by position.

The decoder is generated source. Every piece of it comes from validated numbers and our own names; no text
of the layout file is ever put into it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

from bridge.contract.frame import FRAME_FIELDS, Frame, Surface, Tyre, Tyres
from bridge.layout.model import DIMENSIONS, TYRE_DIMENSIONS, ByteOrder, Driving, Layout, Place, Value

Buffer = bytes | bytearray | memoryview
_TURNED = frozenset(
    {"lateral_speed", "ay", "yaw_rate", "steer", "steering_wheel", "rack_force", "steering_torque"}
)
"""Fields whose sign z-down axes turn; the same as `bridge.contract.from_z_down` does."""
_TURNED_TYRE = frozenset({"fy", "mz", "slip_angle"})
_TURN = 6.283185307179586
_ORDER = ("front_left", "front_right", "rear_left", "rear_right")


class RecordRejected(ValueError):
    """Bytes that are not a record of this layout; `cause` is short, for counting."""

    def __init__(self, cause: str) -> None:
        super().__init__(cause)
        self.cause = cause


class Decoder:
    """Turns one record's bytes into a frame."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.size = layout.size
        self.nominal_rate = layout.nominal_rate
        names = set(layout.fields) & FRAME_FIELDS | {"time"}
        if layout.driving is not None:
            names.add("driving")
        if layout.tyres is not None:
            names |= {f"tyres.{name}" for name in layout.tyres.fields}
        self.fields = frozenset(names)
        """Names of `FRAME_FIELDS` that frames of this layout fill."""
        writer = _Writer(layout)
        self.source = writer.source()
        """The generated decoder, for those who want to read it."""
        scope: dict[str, Any] = writer.scope
        exec(compile(self.source, f"<decoder of {layout.name}>", "exec"), scope)
        decode: Callable[[Buffer], Frame] = scope["decode"]
        self.decode = decode
        """Decode a record: a `Frame`, or `RecordRejected` (size, constant, range). Raises nothing else."""


class _Writer:
    """Writes the decoder's source."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._places: list[tuple[str, Place]] = []
        self._lines: list[str] = []
        self.scope: dict[str, Any] = {
            "Frame": Frame,
            "Tyre": Tyre,
            "Tyres": Tyres,
            "RecordRejected": RecordRejected,
            "new": tuple.__new__,
        }

    def source(self) -> str:
        """Return the whole function."""
        layout = self._layout
        for constant in layout.constants.values():
            self._constant(constant)
        driving = "True" if layout.driving is None else self._driving(layout.driving)
        frame = ", ".join(self._frame_item(name, driving) for name in Frame._fields)
        body = "\n    ".join(self._unpacking() + self._lines + [f"return new(Frame, ({frame},))"])
        size = f"if len(buffer) < {layout.size}:\n        raise RecordRejected('size')"
        return f"def decode(buffer):\n    {size}\n    {body}\n"

    def _frame_item(self, name: str, driving: str) -> str:
        layout = self._layout
        if name == "driving":
            return driving
        if name == "tyres":
            return "None" if layout.tyres is None else self._tyres()
        value = layout.fields.get(name)
        if value is None:
            return "None"
        turned = layout.axes == "z_down" and name in _TURNED
        return self._value(name, DIMENSIONS[name], value, value, turned)

    def _tyres(self) -> str:
        layout = self._layout
        tyres = layout.tyres
        assert tyres is not None
        whole = []
        for position in _ORDER:
            number = tyres.order.index(position)
            items = []
            for name in Tyre._fields:
                value = tyres.fields.get(name)
                if value is None:
                    items.append("None")
                    continue
                turned = layout.axes == "z_down" and name in _TURNED_TYRE
                place = layout.tyre_place(value, number)
                items.append(self._value(name, TYRE_DIMENSIONS[name], value, place, turned))
            whole.append(f"new(Tyre, ({', '.join(items)},))")
        return f"new(Tyres, ({', '.join(whole)},))"

    # --------------------------------------------------------------------------- pieces

    def _raw(self, place: Place) -> str:
        name = f"r{len(self._places)}"
        self._places.append((name, place))
        return name

    def _constant(self, constant: Any) -> None:
        if constant.bytes is not None:
            wanted = bytes.fromhex(constant.bytes)
            first, last = constant.offset, constant.offset + len(wanted)
            self._lines.append(
                f"if bytes(buffer[{first}:{last}]) != {wanted!r}: raise RecordRejected('constant')"
            )
        else:
            self._lines.append(
                f"if {self._raw(constant)} != {constant.value!r}: raise RecordRejected('constant')"
            )

    def _driving(self, driving: Driving) -> str:
        raw = self._raw(driving)
        if driving.bit is not None:
            return f"({raw} >> {driving.bit} & 1) != 0"
        return f"{raw} in {tuple(driving.equals)!r}"

    def _value(self, name: str, dimension: str, value: Value, place: Place, turned: bool) -> str:
        raw = self._raw(place)
        if value.bits is not None:
            raw = f"({raw} >> {value.bits[0]} & {(1 << value.bits[1]) - 1})"
        if value.map is not None:
            return self._mapped(name, raw, value.map)
        if name in ("index", "gear"):
            return f"int({raw})"
        if name == "surface":
            return f"surfaces.get({self._use_surfaces(raw)})"
        result = f"x{len(self._lines)}"
        shifted = f"({raw} + {value.bias!r})" if value.bias else raw
        scale = value.si(dimension) * (-1.0 if turned else 1.0)
        if value.turn:
            self._lines.append(f"{result} = {shifted} % {value.turn}")
            self._lines.append(f"if {result} >= {value.turn / 2!r}: {result} -= {value.turn}")
            self._lines.append(f"{result} = {result} * {scale * _TURN / value.turn!r}")
        else:
            self._lines.append(f"{result} = {shifted} * {scale!r}")
        limits = value.limits(dimension)
        if limits is not None:
            low, high = (-limits[1], -limits[0]) if turned else limits
            otherwise = f"{result} = None" if value.invalid == "missing" else "raise RecordRejected('range')"
            self._lines.append(f"if not {low!r} <= {result} <= {high!r}: {otherwise}")
        return result

    def _mapped(self, name: str, raw: str, mapping: dict[str, str | int]) -> str:
        table: dict[int, Any] = {
            int(key): Surface[str(meaning).upper()] if name == "surface" else int(meaning)
            for key, meaning in mapping.items()
        }
        scope_name = f"map{len(self.scope)}"
        self.scope[scope_name] = table
        return f"{scope_name}.get({raw})"

    def _use_surfaces(self, raw: str) -> str:
        self.scope["surfaces"] = {int(surface): surface for surface in Surface}
        return raw

    def _unpacking(self) -> list[str]:
        """Return the lines that unpack: as few `struct` calls as byte orders and overlaps allow."""
        groups: list[tuple[ByteOrder, list[tuple[str, Place]]]] = []
        for item in sorted(self._places, key=lambda item: item[1].offset):
            order = item[1].byte_order or self._layout.byte_order
            for group_order, items in groups:
                last = items[-1][1]
                if group_order == order and item[1].offset >= last.offset + last.size:
                    items.append(item)
                    break
            else:
                groups.append((order, [item]))
        lines = []
        for number, (order, items) in enumerate(groups):
            text, position = "<" if order == "little" else ">", 0
            for _, place in items:
                text += f"{place.offset - position}x{place.code}" if place.offset > position else place.code
                position = place.offset + place.size
            self.scope[f"unpack{number}"] = struct.Struct(text).unpack_from
            lines.append(f"{', '.join(name for name, _ in items)}, = unpack{number}(buffer)")
        return lines
