"""No text does anything but load or be explained; every key misspelt is one error at its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from config.check import check
from config.load import PlantFileError, loads

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"
TEXTS = {f.name: f.read_text("utf-8") for f in sorted(EXAMPLES.glob("*.toml"))}
GOOD = TEXTS["smallest.toml"]
KEY = re.compile(r"(?:^|[{,]\s*)([A-Za-z_][\w-]*)(?=\s*=\s)", re.MULTILINE)
FREE = {"channels"}  # keys below it are names the plant gives


def explained(text: str) -> None:
    """The text loads, or every finding names file, line and what is wrong."""
    try:
        check(loads(text, "p.toml"))
    except PlantFileError as e:
        assert e.findings
        for f in e.findings:
            assert f.file == "p.toml"
            assert 0 <= f.line <= text.count("\n") + 1
            assert f.text
            assert f.level == "error"


@given(st.text() | st.text("[]{}=\".'#\n a1_-\\"))
@example("\ufeff")
@example("a = \ud800")
@example("link = 1\nmodule = 2\nplant = 3")
@example("[link]\n[module]\n[plant]")
@example("link = [1]\nmodule = [[]]\nboiler = [{}]\nplant = []")
@example("[alarms]\nx = 1\n[plant]\n[[link]]\n[[module]]")
@example("copy = 'x'\nstore = 1979-05-27\nmail = inf")
def test_any_text_is_loaded_or_explained(text: str) -> None:
    explained(text)


@settings(suppress_health_check=[HealthCheck.too_slow], max_examples=150)
@given(st.data())
def test_a_plant_file_damaged_anywhere_is_loaded_or_explained(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    upto = min(len(GOOD), at + data.draw(st.integers(0, 60)))
    explained(GOOD[:at] + data.draw(st.text(max_size=10)) + GOOD[upto:])


VALUES = [
    "1",
    "-1",
    "1.5",
    "nan",
    "true",
    '""',
    '"x"',
    "[]",
    "{}",
    "[1]",
    "[{}]",
    "1979-05-27",
    "07:32:00",
    '"B1"',
    '"1 s"',
]


@pytest.mark.parametrize(
    ("name", "value"),
    [*(("smallest.toml", v) for v in VALUES), ("quillmarsh.toml", "[{}]"), ("quillmarsh.toml", '"B1"')],
)
def test_any_value_in_any_place_is_loaded_or_explained(name: str, value: str) -> None:
    text = TEXTS[name]
    for m in re.finditer(r"(?<= = )\"[^\"\n]*\"|(?<= = )\d+", text):
        explained(text[: m.start()] + value + text[m.end() :])


def _keys(text: str) -> list[tuple[int, str, str]]:
    """(line, table, key) of every key that is not a name of the plant's own."""
    out, table = [], ""
    for n, line in enumerate(text.split("\n"), 1):
        if line.startswith("["):
            table = line.split("]")[0].strip("[")
            continue
        bare = line.split(" #")[0]
        if bare.startswith("#"):
            continue
        for i, m in enumerate(KEY.finditer(bare)):
            if not (table.endswith("channels") and i == 0):
                out.append((n, table, m[1]))
    return out


@pytest.mark.parametrize("name", TEXTS)
def test_every_key_misspelt_is_an_error_that_names_file_line_and_key(name: str) -> None:
    text = TEXTS[name]
    keys = _keys(text)
    assert len(keys) > 40
    for n, table, key in keys:
        lines = text.split("\n")
        lines[n - 1] = re.sub(rf"(?<![\w\".-]){key}(?=\s*=\s)", f"{key}q", lines[n - 1], count=1)
        with pytest.raises(PlantFileError) as e:
            loads("\n".join(lines), name)
        said = [f for f in e.value.findings if f.line == n and f.key.endswith(f"{key}q")]
        assert len(said) == 1, f"{table} {key} at line {n}: {e.value}"
        assert f"unknown key `{key}q`; did you mean `" in said[0].text
        assert str(said[0]).startswith(f"{name}:{n}: ")
