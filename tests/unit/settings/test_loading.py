"""Settings files: every mistake is reported with file, line and key; nothing escapes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.settings import load_settings, parse_settings
from bridge.settings.loading import json_schema, known_keys, unknown_key_hint
from bridge.settings.toml_text import key_lines, read_toml

CASES = [
    ('[wheel]\npeak_torqe = "8 N m"\n', "wheel.peak_torqe", 2, "peak_torque"),
    ('[wheel]\nrotation = "540 kg"\n', "wheel.rotation", 2, "deg"),
    ("[goveror]\n", "goveror", 1, "governor"),
    ('\n[governor]\nstall_time = "150 ms"\nfade_out = "100 ms"\n', "governor", 2, "200 ms"),
    ("wheel.rotation = 1e9\n", "wheel.rotation", 1, "less than"),
    ('[car]\nprofile = "hovercraft"\n', "car.profile", 2, "touring"),
    ("wheel = 3\n", "wheel", 1, "dictionary"),
    ("[wheel]\nlinearisation = [[0.5, 0.4], [0.4, 0.5]]\n", "wheel.linearisation", 2, "rise"),
    ("[upsampling]\nmethod = 'guess'\n", "upsampling.method", 2, "hold"),
    ("[a]\nx = 1\nx = 2\n", "", 3, "overwrite"),
    ("x = \n", "", 1, "invalid value"),
    ("[feel]\nkerb = inf\n", "feel.kerb", 2, "finite"),
    ("[wheel]\nrotation = true\n", "wheel.rotation", 2, "deg"),
]


@pytest.mark.parametrize(("text", "key", "line", "hint"), CASES)
def test_a_mistake_is_reported_with_line_key_and_what_is_allowed(
    text: str, key: str, line: int, hint: str
) -> None:
    loaded = parse_settings(text, "mine.toml")
    assert loaded.settings is None
    problem = loaded.problems[0]
    assert (problem.file, problem.key, problem.line) == ("mine.toml", key, line)
    assert hint in problem.allowed
    assert f"line {line}" in str(problem)


def test_all_mistakes_are_reported_at_once() -> None:
    loaded = parse_settings("[wheel]\na = 1\nb = 2\n[feel]\nkerb = 99\n", "x")
    assert len(loaded.problems) == 3


def test_files_that_are_no_files(tmp_path: Path) -> None:
    big, odd = tmp_path / "big.toml", tmp_path / "odd.toml"
    big.write_bytes(b"#" * 1_000_001)
    odd.write_bytes(b"x = 1\n# \xff\n")
    for path, word in ((tmp_path, "folder"), (tmp_path / "no", "no such"), (big, "1 MB"), (odd, "0xff")):
        loaded = load_settings(path)
        assert loaded.settings is None
        assert word in loaded.problems[0].found
    assert read_toml(odd)[1][0].line == 2
    marked = tmp_path / "bom.toml"
    marked.write_bytes(b"\xef\xbb\xbf[feel]\nkerb = 0\n")
    assert load_settings(marked).problems == []


def test_a_broken_profile_points_into_the_profile(home: Path) -> None:
    folder = home / "config" / "cars"
    folder.mkdir(parents=True)
    (folder / "mine.toml").write_text('mass = "1 t"\ncaster = "5 kg"\n', encoding="utf-8")
    problem = parse_settings('[car]\nprofile = "mine"\n', "x").problems[0]
    assert problem.file == str(folder / "mine.toml")
    assert (problem.key, problem.line) == ("caster", 2)


def test_own_keys_lie_over_the_profile_and_overrides_over_all() -> None:
    loaded = parse_settings(
        '[car]\nprofile = "touring"\nmass = 900\n', "x", {"car.friction": 0.5, "source.plugin": "udp"}
    )
    assert loaded.settings is not None
    assert (loaded.settings.car.mass, loaded.settings.car.friction) == (900.0, 0.5)
    assert loaded.settings.source.plugin == "udp"


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=300))
def test_any_text_is_survived(text: str) -> None:
    loaded = parse_settings(text, "x")
    assert (loaded.settings is None) == bool(loaded.problems)
    key_lines(text)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_survived(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / f"any-{os.getpid()}.toml"
    path.write_bytes(data)
    loaded = load_settings(path)
    assert (loaded.settings is None) == bool(loaded.problems)


def test_lines_of_keys_in_every_way_to_write_them() -> None:
    text = (
        "a = 1\n[t]\nb.c = 2\n'odd key' = { d = 3, e = { f = 4 } }\n"
        'g = """\n[no]\nh = 1\n"""\ni = [\n  1,\n  [2],\n]\n[[u]]\nj = 1\n[[u]]\nj = 2\n'
    )
    lines = key_lines(text)
    for key, line in {
        ("a",): 1, ("t", "b", "c"): 3, ("t", "odd key", "e", "f"): 4, ("t", "g"): 5, ("t", "i", "1"): 11,
        ("u", "0", "j"): 14, ("u", "1", "j"): 16,
    }.items():  # fmt: skip
        assert lines[key] == line
    assert ("no",) not in lines


def test_the_schema_knows_every_key_and_its_unit() -> None:
    schema = json_schema()
    for table, keys in known_keys().items():
        if table and table != "source":
            part = schema["$defs"][table.capitalize()]["properties"]
            assert set(keys) == set(part)
            assert all(
                part[key].get("description") or "$ref" in part[key] or part[key].get("anyOf") for key in keys
            )
    assert "did you mean 'wheel.rotation'" in unknown_key_hint("wheel.rotatoin")
