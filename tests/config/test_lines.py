"""Where keys stand, for every way TOML writes them."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.lines import Lines

TEXT = """\
a.b = 1
[x."q r".z]
k = { u = 1, v.w = [1, {y = 2}] }
[[m]]
n = "é" # c
[m.ch]
c = { d = 1 }
[[m.deep]]
e = 1
[[m]]
[m.ch]
'c' = [ # one
  1,
  2,
]
[[m.deep]]
[[m.deep]]
e = 2
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1),
        (("a", "b"), 1),
        (("x",), 2),
        (("x", "q r", "z"), 2),
        (("x", "q r", "z", "k", "v", "w", 1, "y"), 3),
        (("m",), 4),
        (("m", 0), 4),
        (("m", 0, "n"), 5),
        (("m", 0, "ch"), 6),
        (("m", 0, "ch", "c", "d"), 7),
        (("m", 0, "deep", 0, "e"), 9),
        (("m", 1), 10),
        (("m", 1, "ch", "c"), 12),
        (("m", 1, "ch", "c", 1), 14),
        (("m", 1, "deep", 0), 16),
        (("m", 1, "deep", 1, "e"), 18),
        (("m", 1, "ch", "nothing"), 11),  # what is not there is at the nearest that is
        (("nothing",), 1),
        ((), 1),
    ],
)
def test_each_path(path: tuple[str | int, ...], line: int) -> None:
    assert Lines(TEXT).of(path) == line


def test_windows_line_ends() -> None:
    assert Lines(TEXT.replace("\n", "\r\n")).of(("m", 1, "deep", 1, "e")) == 18


@given(st.text())
def test_any_text_has_lines(text: str) -> None:
    try:
        keys = list(tomllib.loads(text))
    except ValueError:
        keys = ["a"]
    assert all(1 <= Lines(text).of((key,)) <= text.count("\n") + 1 for key in keys)
