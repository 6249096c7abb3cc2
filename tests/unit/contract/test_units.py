"""Units against their definitions: the SI brochure (BIPM, 9th ed.) and NIST SP 811 appendix B.8."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from bridge.contract import UNITS, QuantityError, Torque, factor, parse_quantity


@pytest.mark.published
@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("1 lbf", "force", 4.4482216152605),  # NIST SP 811: 4.448 222 E+00
        ("1 lbf ft", "torque", 1.3558179483314),  # NIST SP 811: 1.355 818 E+00
        ("1 lbf in", "torque", 0.11298482902762),  # NIST SP 811: 1.129 848 E-01
        ("1 kgf", "force", 9.80665),  # NIST SP 811
        ("1 mph", "speed", 0.44704),  # NIST SP 811, exact
        ("1 kn", "speed", 1852 / 3600),  # NIST SP 811
        ("1 in", "length", 0.0254),  # exact
        ("1 rpm", "angular speed", 2 * math.pi / 60),
        ("540 deg", "angle", 3 * math.pi),
        ("1 lb", "mass", 0.45359237),  # exact
    ],
)
def test_factors_are_the_published_ones(text: str, dimension: str, si: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(si, rel=1e-12)


@pytest.mark.parametrize("text", ["2 N m", "2Nm", "2 N·m", " 2.0  N m ", "2 N*m", "+2 Nm", "2e0 Nm", 2, 2.0])
def test_many_ways_to_write_a_torque(text: object) -> None:
    assert parse_quantity(text, "torque") == 2.0


@pytest.mark.parametrize(
    "value", ["", "N m", "2 deg", "two N m", "1e999 N m", True, None, [2], math.nan, math.inf, 10**400]
)
def test_what_is_not_a_torque_says_what_is_allowed(value: object) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(value, "torque")
    assert str(caught.value)


def test_a_wrong_unit_lists_the_right_ones() -> None:
    with pytest.raises(QuantityError, match="N m"):
        factor("kg", "torque")


@given(
    st.sampled_from([(d, u) for d, table in UNITS.items() for u in table]),
    st.floats(-1e6, 1e6, allow_nan=False),
)
def test_text_and_number_agree(unit: tuple[str, str], number: float) -> None:
    dimension, name = unit
    assert parse_quantity(f"{number!r} {name}", dimension) == number * UNITS[dimension][name]


def test_a_field_takes_text_numbers_and_refuses_the_rest() -> None:
    class Model(BaseModel):
        ceiling: Torque

    assert Model.model_validate({"ceiling": "2 N m"}).ceiling == 2.0
    assert Model.model_validate({"ceiling": 3}).ceiling == 3.0
    with pytest.raises(ValidationError, match="not a unit of torque"):
        Model.model_validate({"ceiling": "2 kg"})
    schema = Model.model_json_schema()["properties"]["ceiling"]
    assert schema["x-dimension"] == "torque"
    assert "N m" in schema["description"]
