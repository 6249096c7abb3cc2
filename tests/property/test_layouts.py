"""Layouts: the decoder reads what an independent encoder wrote; any bytes and any text are survived."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.contract import Frame, from_z_down, parse_quantity
from bridge.layout import Decoder, Layout, LayoutError, RecordRejected, load_layout, parse_layout
from bridge.layout.model import DIMENSIONS
from bridge.settings.places import find_config

CODES = {
    "u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q",
    "f32": "f", "f64": "d",
}  # fmt: skip
UNITS = {
    "speed": "km/h",
    "ax": "g",
    "yaw_rate": "deg/s",
    "steer": "deg",
    "rack_force": "kN",
    "engine_speed": "rpm",
}


@st.composite
def layouts(draw: st.DrawFn) -> tuple[Layout, dict[str, tuple[int, str, dict[str, Any]]]]:
    names = draw(
        st.lists(
            st.sampled_from(sorted(set(DIMENSIONS) - {"time", "index", "gear"})), unique=True, max_size=6
        )
    )
    offset, fields, places = draw(st.integers(0, 5)), {}, {}
    for name in ["time", *names]:
        kind = draw(st.sampled_from(sorted(CODES)))
        field: dict[str, Any] = {"offset": offset, "type": kind, "sign": draw(st.sampled_from([1, -1]))}
        if draw(st.booleans()):
            field["byte_order"] = draw(st.sampled_from(["little", "big"]))
        if name in UNITS and draw(st.booleans()):
            field["unit"] = UNITS[name]
        if kind[0] != "f" and draw(st.booleans()):
            field["fraction_bits"] = draw(st.integers(1, 12))
        if draw(st.booleans()):
            field["scale"] = draw(st.sampled_from([0.5, 2.0, 0.1]))
            field["bias"] = draw(st.sampled_from([0.0, 1.0, -32.0]))
        fields[name], places[name] = field, (offset, kind, field)
        offset += struct.calcsize(CODES[kind]) + draw(st.integers(0, 3))
    layout = Layout.model_validate(
        {
            "name": "made",
            "size": offset + 8,
            "byte_order": draw(st.sampled_from(["little", "big"])),
            "axes": draw(st.sampled_from(["iso8855", "z_down"])),
            "fields": fields,
        }
    )
    return layout, places


@settings(max_examples=150, deadline=None)
@given(layouts(), st.data())
def test_the_decoder_reads_what_an_encoder_wrote(made: Any, data: st.DataObject) -> None:
    layout, places = made
    record = bytearray(layout.size)
    expected: dict[str, float] = {}
    for name, (offset, kind, field) in places.items():
        order = "<" if field.get("byte_order", layout.byte_order) == "little" else ">"
        bits = 8 * struct.calcsize(CODES[kind])
        if kind[0] == "f":
            raw: float = data.draw(st.floats(-1000, 1000, width=32 if kind == "f32" else 64))
        else:
            low = 0 if kind[0] == "u" else -(1 << bits - 1)
            raw = data.draw(st.integers(low, low + (1 << bits) - 1))
        struct.pack_into(order + CODES[kind], record, offset, raw)
        unit = parse_quantity(f"1 {field['unit']}", DIMENSIONS[name]) if "unit" in field else 1.0
        value = (
            (raw + field.get("bias", 0.0)) / (1 << field.get("fraction_bits", 0)) * field.get("scale", 1.0)
        )
        expected[name] = value * unit * field["sign"]
    frame = Frame(**expected)  # type: ignore[arg-type]  # names of fields, all floats here
    if layout.axes == "z_down":
        frame = from_z_down(frame)
    found = Decoder(layout).decode(bytes(record))
    for name in expected:
        assert getattr(found, name) == pytest.approx(getattr(frame, name), rel=1e-9, abs=1e-12), name


SALTMARSH = Decoder(load_layout(find_config("sims", "saltmarsh")))


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_frame_or_a_rejection(data: bytes) -> None:
    for record in (data, (b"SLTM\x03\x00" + data).ljust(256, b"\xff")):
        try:
            frame = SALTMARSH.decode(record)
        except RecordRejected as rejected:
            assert rejected.cause in ("size", "constant", "range")  # noqa: PT017 - a frame is as good
        else:
            assert isinstance(frame, Frame)


@settings(max_examples=200, deadline=None)
@given(
    st.text(max_size=200)
    | st.builds(lambda a, b: f'name = "x"\nsize = {a}\n[fields]\n{b}\n', st.integers(), st.text(max_size=80))
)
def test_any_text_is_a_layout_or_says_why_not(text: str) -> None:
    try:
        parse_layout(text)
    except LayoutError as error:
        assert error.problems  # noqa: PT017 - a layout is as good
        assert all(problem.allowed for problem in error.problems)  # noqa: PT017 - as above


GOOD = 'name = "a"\nsize = 32\n[fields]\ntime = { offset = 0, type = "f64" }\n'
WRONG = [
    (GOOD.replace("f64", "f63"), "fields.time.type", 4),
    (GOOD + 'speed = { offset = 30, type = "f32" }\n', "", 0),
    (GOOD + 'sped = { offset = 8, type = "f32" }\n', "fields", 3),
    (GOOD + 'speed = { offset = 8, type = "f32", unit = "kg" }\n', "fields", 3),
    (GOOD + 'speed = { offset = 8, type = "f32", unti = "km/h" }\n', "fields.speed.unti", 5),
    (GOOD + 'steer = { offset = 8, type = "f32", turn = 65536 }\n', "fields.steer", 5),
    (GOOD.replace("32\n", "0\n"), "size", 2),
    ('name = "a"\nsize = 8\n', "", 0),
    (GOOD + "[lock]\noffset = 8\ntype = 'f32'\n", "", 0),
    (GOOD + "[constants]\nmagic = { offset = 0 }\n", "constants.magic", 6),
    (GOOD + "gear = { offset = 8, type = 'f32' }\n", "fields", 3),
]


@pytest.mark.parametrize(("text", "key", "line"), WRONG)
def test_errors_point_at_file_line_and_key(text: str, key: str, line: int) -> None:
    with pytest.raises(LayoutError) as caught:
        parse_layout(text, "sim.toml")
    problem = caught.value.problems[0]
    assert (problem.file, problem.key, problem.line) == ("sim.toml", key, line)
    assert "sim.toml" in str(problem)


def test_what_is_special_for_old_sims() -> None:
    layout = parse_layout(
        GOOD
        + """\
steer = { offset = 8, type = "u16", turn = 65536 }
steering_wheel = { offset = 10, type = "u8", turn = 256 }
gear = { offset = 11, type = "u8", bits = [4, 3] }
brake = { offset = 11, type = "u8", bits = [0, 4], scale = 0.0666666666666666 }
throttle = { offset = 12, type = "i16", fraction_bits = 8, range = [0, 1], invalid = "missing" }
[driving]
offset = 14
type = "u8"
bit = 2
"""
    )
    record = bytearray(32)
    struct.pack_into("<dHBBhB", record, 0, 1.5, 49152, 192, 0b0101_1111, 256, 0b100)
    frame = Decoder(layout).decode(record)
    assert frame.steer == pytest.approx(-math.pi / 2)
    assert frame.steering_wheel == pytest.approx(-math.pi / 2)
    assert (frame.gear, frame.throttle, frame.driving) == (5, 1.0, True)
    assert frame.brake == pytest.approx(1.0)
    struct.pack_into("<h", record, 12, 300)
    assert Decoder(layout).decode(record).throttle is None
