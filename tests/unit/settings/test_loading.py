"""Settings files: every mistake is reported with file, line and key; nothing escapes."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from pydantic import ValidationError

from bridge.contract import PluginSettings
from bridge.settings import json_schema, load_settings, parse_settings
from bridge.settings.loading import known_keys, missing_for_hardware, plugin_problems, unknown_key_hint
from bridge.settings.toml_text import read_toml

CASES = [
    ('[wheel]\npeak_torqe = "8 N m"\n', "wheel.peak_torqe", 2, "did you mean 'peak_torque'?"),
    ('[wheel]\nrotation = "540 kg"\n', "wheel.rotation", 2, "allowed: rad, mrad, deg"),
    ("[goveror]\n", "goveror", 1, "did you mean 'governor'?"),
    ('\n[governor]\nstall_time = "150 ms"\nfade_out = "100 ms"\n', "governor", 2, "200 ms"),
    ("wheel.rotation = 1e9\n", "wheel.rotation", 1, "90 deg to 3600 deg"),
    ('[car]\nprofile = "hovercraft"\n', "car.profile", 2, "there are: gt, touring"),
    ("[car]\nprofile = 'a\\b'\n", "car.profile", 2, "there is no file"),
    (f"[car]\nprofile = '{'x' * 5000}'\n", "car.profile", 2, "not the name of a file"),
    ("wheel = 3\n", "wheel", 1, "a table"),
    ("[[wheel]]\nrotation = 5\n", "wheel", 1, "a table"),
    ("[wheel]\nlinearisation = [[0.5, 0.4], [0.4, 0.5]]\n", "wheel.linearisation", 2, "rise"),
    (
        "[wheel]\nlinearisation = [\n[0.5, 0.4],\n[1, 'x'],\n]\n",
        "wheel.linearisation[1][1]",
        4,
        "not a number",
    ),
    ("[upsampling]\nmethod = 'guess'\n", "upsampling.method", 2, "one of 'hold' or 'blend'"),
    ("[a]\nx = 1\nx = 2\n", "a.x", 3, "overwrite"),
    ("[a]\n[feel]\n[a]\n", "", 3, "cannot declare"),
    ("x = \n", "x", 1, "invalid value"),
    ("[feel]\nkerb = 0.1 off_track = 2\n", "feel.kerb", 2, "expected newline"),
    ('[car]\nprofile = "touring\nmass = 900\n', "car.profile", 2, "illegal character"),
    (
        "[wheel]\nlinearisation = [[0.5, 0.6], [1, 1]\n\n[feel]\nroad = 0\n",
        "wheel.linearisation",
        4,
        "unclosed",
    ),
    ("[shaping\n", "", 1, "expected ']'"),
    ("[feel]\nkerb = inf\n", "feel.kerb", 2, "finite"),
    ("[feel]\nkerb = nan\n", "feel.kerb", 2, "finite"),
    ("[wheel]\nrotation = true\n", "wheel.rotation", 2, "deg"),
    ("[wheel]\nrotation = 2020-01-01\n", "wheel.rotation", 2, "deg"),
    (f"[wheel]\nrotation = {'9' * 400}\n", "wheel.rotation", 2, "too large"),
    (f"[feel]\nseed = {'9' * 5000}\n", "feel.seed", 2, "limit"),
    ("[log]\nconsole = 'yes'\n", "log.console", 2, "true or false"),
    ("[log]\nfiles = 1.5\n", "log.files", 2, "a whole number"),
    ("[service]\nuser_plugins = 1\n", "service.user_plugins", 2, "a text in quotes"),
    ("[bus]\nhost = '192.0.2.1'\n", "bus.host", 2, "loopback"),
    ("[bus]\nstate_port = 65536\n", "bus.state_port", 2, "less than or equal to 65535"),
    ("[sinks]\nnull = 4\n", "sinks.null", 2, "a table"),
    ("[source]\nplugin = [1]\n", "source.plugin", 2, "a text in quotes"),
    ("[governor]\nrotation = 3\n", "governor.rotation", 2, "'rotation' belongs in [wheel]"),
    ("feel = { kerb = 1, raod = 2 }\n", "feel.raod", 1, "did you mean 'road'?"),
    ("'feel'.\"ke\\u0072b\" = 9\n", "feel.kerb", 1, "0 to 3"),
]


@pytest.mark.parametrize(("text", "key", "line", "words"), CASES)
def test_a_mistake_is_reported_with_line_key_and_what_is_allowed(
    text: str, key: str, line: int, words: str
) -> None:
    loaded = parse_settings(text, "mine.toml")
    assert loaded.settings is None
    problem = loaded.problems[0]
    assert (problem.file, problem.key, problem.line) == ("mine.toml", key, line)
    assert words in f"{problem.allowed}; {problem.hint}"
    assert f"line {line}" in str(problem)
    assert len(str(problem)) < 500


def test_thirty_broken_files_in_a_row_each_name_file_line_and_key(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    keyed = [case for case in CASES if case[1]]
    assert len(keyed) >= 30
    for text, key, line, _ in keyed:
        path.write_text(text, encoding="utf-8")
        loaded = load_settings(path)
        assert loaded.settings is None
        assert (loaded.problems[0].file, loaded.problems[0].key, loaded.problems[0].line) == (
            str(path),
            key,
            line,
        )


def test_a_syntax_error_names_its_column() -> None:
    assert parse_settings("[feel]\nkerb = ?\n", "x").problems[0].found == "not TOML at column 8"


def test_all_mistakes_are_reported_at_once_in_the_order_of_the_file() -> None:
    loaded = parse_settings("[wheel]\na = 1\nb = 2\n[feel]\nkerb = 99\n[car]\nmass = 1\n", "x")
    assert [problem.line for problem in loaded.problems] == [2, 3, 5, 7]


def test_a_flood_of_mistakes_is_summed_up() -> None:
    text = "[feel]\n" + "".join(f"bad{number} = 1\n" for number in range(200))
    problems = parse_settings(text, "x").problems
    assert len(problems) == 51
    assert problems[-1].found == "150 more mistakes"


def test_a_table_nested_beyond_reason_is_a_problem() -> None:
    for text in ("x = " + "[" * 5000, "x = " + "{a=" * 3000 + "1" + "}" * 3000):
        assert parse_settings(text, "x").problems[0].found == "nested too deeply"


def test_a_real_wheel_needs_its_peak_torque_written() -> None:
    text = "[feel]\nkerb = 1\n[sinks.haptic]\n"
    (problem,) = missing_for_hardware(parse_settings(text, "mine.toml"), "haptic")
    assert (problem.file, problem.key, problem.line) == ("mine.toml", "wheel.peak_torque", 3)
    assert "data sheet" in problem.allowed
    assert missing_for_hardware(parse_settings(f"{text}[wheel]\npeak_torque = 8\n", "x"), "haptic") == []
    assert missing_for_hardware(parse_settings("[feel", "x"), "haptic") == []


def test_a_plugins_own_mistake_points_into_the_settings_file() -> None:
    text = "[source]\nplugin = 'mine'\nprot = 1\n[sinks.mine]\n\nport = 'x'\n"

    class Mine(PluginSettings):
        port: int = 1

    for table, own, key, line in (
        (("source",), {"prot": 1}, "source.prot", 3),
        (("sinks", "mine"), {"port": "x"}, "sinks.mine.port", 6),
    ):
        with pytest.raises(ValidationError) as caught:
            Mine.model_validate(own)
        (problem,) = plugin_problems(caught.value, "f.toml", text, table, Mine)
        assert (problem.file, problem.key, problem.line) == ("f.toml", key, line)


def test_files_that_are_no_files(tmp_path: Path) -> None:
    big, odd = tmp_path / "big.toml", tmp_path / "odd.toml"
    big.write_bytes(b"#" * 1_000_001)
    odd.write_bytes(b"x = 1\n# \xff\n")
    for path, word in (
        (tmp_path, "folder"),
        (tmp_path / "no", "no such"),
        (big, "1 MB"),
        (odd, "0xff"),
        (tmp_path / "a\0b", "null"),
    ):
        loaded = load_settings(path)
        assert loaded.settings is None
        assert word in loaded.problems[0].found
    assert (read_toml(odd)[1][0].line,) == (2,)
    marked = tmp_path / "bom.toml"
    marked.write_bytes(b"\xef\xbb\xbf[feel]\nkerb = 0\n")
    assert load_settings(marked).problems == []


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders there")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert load_settings(pipe).problems[0].found == "not a regular file"


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
