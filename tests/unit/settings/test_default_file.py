"""The commented default teaches every key and loads to exactly the defaults."""

from __future__ import annotations

import re
from dataclasses import fields

import pytest

from bridge.force_path import parameters as p
from bridge.settings import Settings, load_settings, parameters
from bridge.settings.loading import changes, known_keys
from bridge.settings.models import Car
from bridge.settings.places import shipped_config

DEFAULT = shipped_config() / "default.toml"


def test_it_loads_to_the_defaults() -> None:
    loaded = load_settings(DEFAULT)
    assert loaded.problems == []
    assert loaded.settings is not None
    different = {
        key: (old, new)
        for key, (old, new) in changes(Settings(), loaded.settings).items()
        if not (isinstance(old, float) and new == pytest.approx(old, rel=1e-12))  # 60 * 1e-6 is not 60e-6
    }
    assert {key.split(".")[0] for key in different} <= {"sinks", "source"}, different


def test_it_names_every_key() -> None:
    text = DEFAULT.read_text(encoding="utf-8")
    for table, keys in known_keys().items():
        if table in ("", "source", "sinks"):
            continue
        assert f"\n[{table}]\n" in text
        part = text.split(f"\n[{table}]\n")[1].split("\n[")[0]
        for key in keys:
            assert re.search(rf"^(# )?{key} = ", part, re.MULTILINE), f"[{table}] {key}"


def test_fields_of_parameters_have_settings_of_the_same_name() -> None:
    for section in (p.Car, p.Wheel, p.Upsampling, p.Feel, p.Shaping, p.Governor):
        names = known_keys()[section.__name__.lower()]
        assert {field.name for field in fields(section)} <= set(names)


def test_the_touring_profile_is_the_default_car() -> None:
    loaded = load_settings(None, {"car.profile": "touring"})
    assert loaded.settings is not None
    assert loaded.settings.car == Car()


def test_the_ceiling_is_the_lower_of_2_newton_metres_and_a_quarter_of_the_peak() -> None:
    for peak, ceiling in ((4.0, 1.0), (8.0, 2.0), (25.0, 2.0)):
        loaded = load_settings(None, {"wheel.peak_torque": peak})
        assert loaded.settings is not None
        assert parameters(loaded.settings).governor.ceiling == ceiling
