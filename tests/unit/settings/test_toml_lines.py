"""The line of every key, in every way to write one."""

from __future__ import annotations

from bridge.settings.toml_lines import key_map

TEXT = '''\
a = 1
[t]
b.c = 2
'odd key' = { d = 3, e = { f = 4 } }
g = """
[no]
h = 1
"""
i = [
  1,  # one, ] [
  [2, { deep = "x" }],

  3,
]
[[u]]
j = 1
[[u]]
j = 2
[u.v]
k = "]"  # [not]
[[u.w]]
l = 1
[[u.w]]
l = 2
["q\\u0041.b".c]
m = \'\'\'x = 1\'\'\'
n = "a\\"b = [" \n\
'''
LINES = {
    ("a",): 1,
    ("t",): 2,
    ("t", "b"): 3,
    ("t", "b", "c"): 3,
    ("t", "odd key"): 4,
    ("t", "odd key", "d"): 4,
    ("t", "odd key", "e"): 4,
    ("t", "odd key", "e", "f"): 4,
    ("t", "g"): 5,
    ("t", "i"): 9,
    ("t", "i", "0"): 10,
    ("t", "i", "1"): 11,
    ("t", "i", "1", "0"): 11,
    ("t", "i", "1", "1"): 11,
    ("t", "i", "1", "1", "deep"): 11,
    ("t", "i", "2"): 13,
    ("u",): 15,
    ("u", "0"): 15,
    ("u", "0", "j"): 16,
    ("u", "1"): 17,
    ("u", "1", "j"): 18,
    ("u", "1", "v"): 19,
    ("u", "1", "v", "k"): 20,
    ("u", "1", "w"): 21,
    ("u", "1", "w", "0"): 21,
    ("u", "1", "w", "0", "l"): 22,
    ("u", "1", "w", "1"): 23,
    ("u", "1", "w", "1", "l"): 24,
    ("qA.b",): 25,
    ("qA.b", "c"): 25,
    ("qA.b", "c", "m"): 26,
    ("qA.b", "c", "n"): 27,
}


def test_lines_of_keys_in_every_way_to_write_them() -> None:
    assert dict(key_map(TEXT).lines) == LINES


def test_a_key_without_a_line_has_its_parents() -> None:
    lines = key_map(TEXT)
    assert lines.line_of(("t", "i", "1", "7")) == 11
    assert lines.line_of(("t", "no such")) == 2
    assert lines.line_of(("no such",)) == 0


def test_windows_line_ends_count_once() -> None:
    assert key_map(TEXT.replace("\n", "\r\n")).lines == LINES


def test_the_key_at_a_line_is_the_one_whose_value_covers_it() -> None:
    lines = key_map(TEXT)
    assert lines.key_at(7) == ("t", "g")
    assert lines.key_at(12) == ("t", "i")
    assert lines.key_at(2) == ()


def test_a_large_file_takes_time_in_proportion() -> None:
    """A megabyte, in both shapes that a careless scanner takes minutes for (the time limit asserts)."""
    assert key_map("a = [" + "1," * 200_000 + "]\n").line_of(("a",)) == 1
    assert key_map("".join(f"k{n} = {n}\n" for n in range(30_000))).line_of(("k29999",)) == 30_000
