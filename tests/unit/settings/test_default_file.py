"""The commented default teaches every key and its range, and loads to exactly the defaults."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest

from bridge.force_path import parameters as p
from bridge.settings import Settings, changes, load_settings, parameters, parse_settings, told, write_default
from bridge.settings.loading import known_keys
from bridge.settings.models import Car
from bridge.settings.places import shipped_config
from bridge.settings.ranges import Within

DEFAULT = shipped_config() / "default.toml"
TEXT = DEFAULT.read_text(encoding="utf-8")
TABLES = [table for table in known_keys() if table not in ("", "source", "sinks")]


def different_from_defaults(settings: Settings | None) -> set[str]:
    assert settings is not None
    return {
        key
        for key, (old, new) in changes(Settings(), settings).items()
        if not (isinstance(old, float) and new == pytest.approx(old, rel=1e-12))  # 60 * 1e-6 is not 60e-6
    }


def part_of(table: str) -> str:
    assert f"\n[{table}]\n" in TEXT
    return TEXT.split(f"\n[{table}]\n")[1].split("\n[")[0]


def test_it_loads_to_the_defaults() -> None:
    loaded = load_settings(DEFAULT)
    assert loaded.problems == []
    assert {key.split(".")[0] for key in different_from_defaults(loaded.settings)} <= {"sinks", "source"}


def test_what_it_shows_as_comment_is_the_default_too() -> None:
    shown = re.sub(r"(?m)^# (?=\w+ = )", "", "".join(f"\n[{table}]\n{part_of(table)}" for table in TABLES))
    loaded = parse_settings(shown, "shown")
    assert loaded.problems == []
    shown_in_place_of_unset = {"governor.ceiling", "governor.continuous_torque"}
    assert different_from_defaults(loaded.settings) == shown_in_place_of_unset
    assert loaded.settings is not None
    assert parameters(loaded.settings).governor.ceiling == parameters(Settings()).governor.ceiling
    assert loaded.settings.governor.continuous_torque == parameters(Settings()).governor.continuous_torque


def ranges() -> list[tuple[str, str, str]]:
    found = []
    for table in TABLES:
        section = Settings.model_fields[table].annotation
        for name, field in section.model_fields.items():  # type: ignore[union-attr]  # every table is a model
            marks: list[Any] = list(field.metadata)
            for either in get_args(field.annotation):
                marks += getattr(either, "__metadata__", ())
            found += [(table, name, mark.text) for mark in marks if isinstance(mark, Within)]
    return found


@pytest.mark.parametrize("table", TABLES)
def test_it_names_every_key(table: str) -> None:
    for key in known_keys()[table]:
        assert re.search(rf"^(# )?{key} = ", part_of(table), re.MULTILINE), f"[{table}] {key}"


def test_it_tells_the_range_of_every_quantity() -> None:
    assert len(ranges()) > 40
    for table, key, text in ranges():
        taught = re.search(rf"^(?:# )?{key} = .*(?:\n +#.*)*", part_of(table), re.MULTILINE)
        assert taught
        flat = re.sub(r"\s+#?\s*", " ", taught.group())
        assert re.search(rf"(?<![\w.-]){re.escape(text)}(?!\w)", flat), f"[{table}] {key}: {text}: {flat}"


def test_fields_of_parameters_have_settings_of_the_same_name() -> None:
    for section in (p.Car, p.Wheel, p.Upsampling, p.Feel, p.Shaping, p.Governor):
        names = known_keys()[section.__name__.lower()]
        assert {field.name for field in fields(section)} <= set(names)


def test_the_touring_profile_is_the_default_car() -> None:
    loaded = load_settings(None, {"car.profile": "touring"})
    assert loaded.settings is not None
    assert loaded.settings.car == Car()


@pytest.mark.parametrize(
    "path", sorted((shipped_config() / "cars").glob("*.toml")), ids=lambda path: path.stem
)
def test_every_shipped_car_loads_understeers_and_has_a_plausible_inertia(path: Path) -> None:
    """Understeer: a Cf < b Cr; inertia near m a b (Gillespie, Vehicle Dynamics, from memory)."""
    loaded = load_settings(None, {"car.profile": path.stem})
    assert loaded.problems == []
    assert loaded.settings is not None
    car = loaded.settings.car
    assert car.front_axle * car.front_stiffness < car.rear_axle * car.rear_stiffness
    assert 0.6 < car.yaw_inertia / (car.mass * car.front_axle * car.rear_axle) < 1.2


def test_the_ceiling_is_the_lower_of_2_newton_metres_and_a_quarter_of_the_peak() -> None:
    for peak, ceiling in ((4.0, 1.0), (8.0, 2.0), (25.0, 2.0)):
        loaded = load_settings(None, {"wheel.peak_torque": peak})
        assert loaded.settings is not None
        assert parameters(loaded.settings).governor.ceiling == ceiling


def test_the_ceiling_never_exceeds_the_peak() -> None:
    loaded = load_settings(None, {"wheel.peak_torque": 4.0, "governor.ceiling": 50.0})
    assert loaded.settings is not None
    assert parameters(loaded.settings).governor.ceiling == 4.0


def test_the_default_is_written_once_and_never_over_a_file(tmp_path: Path) -> None:
    path = tmp_path / "new" / "settings.toml"
    write_default(path)
    assert path.read_bytes() == DEFAULT.read_bytes()
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError):
        write_default(path)
    assert path.read_text(encoding="utf-8") == "mine"


def test_changes_are_told_with_units() -> None:
    text = '[governor]\nceiling = "1.5 N m"\n[shaping]\nstrength = "30 %"\n[wheel]\nrotation = "180 deg"\n'
    new = parse_settings(f"{text}[sinks.null]\n", "x").settings
    assert new is not None
    assert told(changes(Settings(), new)) == {
        "sinks.null": "unset -> {}",
        "wheel.rotation": "9.42478 rad -> 3.14159 rad",
        "shaping.strength": "0.2 -> 0.3",
        "governor.ceiling": "unset -> 1.5 N m",
    }
    assert changes(new, new) == {}
