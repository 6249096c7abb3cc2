"""Settings: nothing a file holds escapes as an exception; good ones survive a round trip; lines are right."""

from __future__ import annotations

import os
import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.force_path.parameters import check
from bridge.settings import Settings, load_settings, parameters, parse_settings
from bridge.settings.loading import json_safe, known_keys
from bridge.settings.models import Governor
from bridge.settings.toml_lines import key_map

KEYS = sorted({key for keys in known_keys().values() for key in keys})
QUANTITIES = ["540 deg", "2 N m", "40 ms", "25 %", "1e9 Hz", "-1 kg", "nan", "1e999 m", "0", ""]


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=300))
@example("﻿[feel]\nkerb = 1\n")
def test_any_text_is_survived(text: str) -> None:
    loaded = parse_settings(text, "x")
    assert (loaded.settings is None) == bool(loaded.problems)
    key_map(text)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_survived(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / f"any-{os.getpid()}.toml"
    path.write_bytes(data)
    loaded = load_settings(path)
    assert (loaded.settings is None) == bool(loaded.problems)


MARKS = (
    """[ [[ ] ]] { } = . , # " ' \'\'\' \\ 1 wheel car feel kerb profile sinks rotation inf true \\u0041 é"""
)
PIECES = st.sampled_from([*MARKS.split(" "), '"' * 3, "\n", "\r\n", " ", "540 deg"])


@settings(max_examples=100, deadline=None)
@given(st.lists(PIECES, max_size=40).map("".join))
def test_pieces_of_toml_in_any_order_are_survived(text: str) -> None:
    loaded = parse_settings(text, "x")
    assert (loaded.settings is None) == bool(loaded.problems)
    entries = key_map(text).entries
    assert all(1 <= e.first_line <= e.last_line <= text.count("\n") + 1 for e in entries)


VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.sampled_from(QUANTITIES),
        st.text(max_size=8),
        st.dates(),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=4), inner, max_size=3),
    ),
    max_leaves=6,
)
TREES = st.dictionaries(
    st.sampled_from(known_keys()[""]) | st.text(max_size=4),
    VALUES | st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=4),
    max_size=5,
)


@settings(max_examples=60, deadline=None)
@given(TREES)
def test_any_table_with_the_right_names_and_any_values_is_survived(tree: dict[str, Any]) -> None:
    text = tomlkit.dumps(tree)
    loaded = parse_settings(text, "x")
    assert (loaded.settings is None) == bool(loaded.problems)
    for problem in loaded.problems:
        assert 0 <= problem.line <= text.count("\n") + 1
        assert problem.allowed


def _leaves(data: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    if isinstance(data, dict):
        return [path, *(leaf for key, value in data.items() for leaf in _leaves(value, (*path, key)))]
    if isinstance(data, list):
        return [path, *(leaf for n, value in enumerate(data) for leaf in _leaves(value, (*path, str(n))))]
    return [path]


@settings(max_examples=60, deadline=None)
@given(TREES)
def test_every_key_of_any_good_file_has_a_line_that_names_it(tree: dict[str, Any]) -> None:
    """The writer is an independent package; the parser is the standard library's."""
    text = tomlkit.dumps(tree)
    rows = text.split("\n")
    lines = key_map(text)
    for path in _leaves(tomllib.loads(text))[1:]:
        assert path in lines.lines, (path, text)
        name = path[-1]
        if not name.isdigit() and name.isidentifier() and name.isascii():
            assert name in rows[lines.lines[path] - 1], (path, text)


def _between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


GOOD = st.fixed_dictionaries(
    {},
    optional={
        "wheel": st.fixed_dictionaries(
            {"peak_torque": _between(0.1, 100.0)},
            optional={
                "rotation": _between(90, 3600).map(lambda degrees: f"{degrees:.9f} deg"),
                "polarity": st.sampled_from(["normal", "reversed"]),
                "linearisation": st.sampled_from([[], [[0.3, 0.4], [1, 1]]]),
            },
        ),
        "shaping": st.fixed_dictionaries({"strength": _between(0, 100).map(lambda share: f"{share:.9f} %")}),
        "governor": st.fixed_dictionaries(
            {}, optional={"ceiling": _between(0.01, 100.0), "slew": _between(10.0, 5000.0)}
        ),
        "feel": st.dictionaries(st.sampled_from(["kerb", "off_track", "road"]), _between(0.0, 3.0)),
        "car": st.fixed_dictionaries({"profile": st.sampled_from(["touring", "gt"])}),
        "sinks": st.dictionaries(
            st.sampled_from(["null", "mine"]), st.dictionaries(st.just("a"), st.integers(-9, 9))
        ),
        "source": st.fixed_dictionaries({"plugin": st.just("udp")}, optional={"port": st.integers(1, 9)}),
    },
)


@settings(max_examples=60, deadline=None)
@given(GOOD)
def test_good_settings_survive_a_round_trip_and_the_force_path_takes_them(tree: dict[str, Any]) -> None:
    loaded = parse_settings(tomlkit.dumps(tree), "x")
    assert loaded.problems == []
    assert loaded.settings is not None
    effective = {
        key: {name: value for name, value in table.items() if value is not None}
        for key, table in json_safe(loaded.settings).items()
    }
    again = parse_settings(tomlkit.dumps(effective), "y")
    assert again.problems == []
    assert again.settings == loaded.settings
    numbers = check(parameters(loaded.settings))
    assert 0.0 < numbers.governor.ceiling <= numbers.wheel.peak_torque
    written = tree.get("governor", {}).get("ceiling")
    if written is None:
        assert numbers.governor.ceiling == min(2.0, 0.25 * numbers.wheel.peak_torque)


@settings(max_examples=100, deadline=None)
@given(st.floats(), st.floats())
def test_no_accepted_governor_keeps_force_on_longer_than_200_ms(stall: float, fade: float) -> None:
    loaded = parse_settings(tomlkit.dumps({"governor": {"stall_time": stall, "fade_out": fade}}), "x")
    governor: Governor | None = loaded.settings.governor if loaded.settings is not None else None
    assert governor is None or governor.stall_time + governor.fade_out <= 0.2


def test_the_defaults_are_in_their_own_ranges() -> None:
    assert Settings.model_validate(json_safe(Settings())) == Settings()
