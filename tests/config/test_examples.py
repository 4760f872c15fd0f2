"""The examples: they load, nothing is wrong with them, and what is told of them is known."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sysconfig
from pathlib import Path

import pytest

from config.check import check
from config.load import load
from config.schema import schema

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"


def test_the_smallest_plant_has_four_notes() -> None:
    text = load(EXAMPLES / "smallest.toml")
    first, second, blind, third = check(text)
    assert (first.level, first.key, first.text.split(" without ")[1]) == (
        "note",
        "boiler B1",
        "burner or steam_pressure",
    )
    assert (second.level, second.key, second.text.split(":")[0]) == ("note", "boiler B1", "no feedwater_conductivity")
    assert (blind.level, blind.key) == ("note", "boiler B1") and "not judged with what is wired" in blind.text
    assert (third.level, third.key) == ("note", "boiler B1 conductivity")
    assert third.text.startswith("a held signal is not judged for value stuck")
    assert [(len(x), x[0].name) for x in (text.plant.modules, text.plant.boilers, text.plant.persons)] == [
        (1, "io"),
        (1, "B1"),
        (1, "On call"),
    ]


def test_the_creamery_has_notes_only() -> None:
    text = load(EXAMPLES / "quillmarsh.toml")
    assert [b.name for b in text.plant.boilers] == ["B1", "B2"]
    found = check(text)
    assert {f.level for f in found} == {"note"}
    assert {f.key for f in found} == {
        "mail",
        "boiler B1 conductivity",
        "boiler B2 conductivity",
        "meter softener channel",
        "meter blowdown serves",
        "boiler B1 dissolved_solids",
        "boiler B1 makeup_conductivity",
        "boiler B2 makeup_conductivity",
        "boiler B1 hand_blow",
        "boiler B2 hand_blow",
        "boiler B1 cutoff_test 1 longest",  # what a test keeps back, and that doubt does not
        "boiler B2 cutoff_test 1 longest",
        "boiler B2",  # its valve has one end switch only
    }


@pytest.mark.parametrize("name", ["smallest.toml", "quillmarsh.toml", "printed.toml"])
def test_addresses_are_of_no_one(name: str) -> None:
    """Mail addresses are @quillmarsh.example (RFC 2606); hosts are loopback or documentation (RFC 5737)."""
    text = (EXAMPLES / name).read_text("utf-8")
    mails = re.findall(r'"[^"\s]+@([^"\s]+)"', text)
    assert mails
    assert set(mails) == {"quillmarsh.example"}
    assert all(h.startswith(("127.", "192.0.2.")) for h in re.findall(r'^host = "([^"]+)"', text, re.M))


def test_instruments_that_print_have_notes_only() -> None:
    text = load(EXAMPLES / "printed.toml")
    assert [m.name for m in text.plant.modules] == ["io", "condensate_meter", "hardness_meter"]
    found = check(text)
    assert {f.level for f in found} == {"note"}
    assert {f.key for f in found} == {
        "mail",
        "module hardness_meter",
        "boiler B1",
        "boiler B1 conductivity",
        "analogue condensate_temperature",
    }


def _tombi() -> str:
    found = shutil.which("tombi", path=sysconfig.get_path("scripts")) or shutil.which("tombi")
    assert found, "tombi is one of the development dependencies"
    return found


def _lint(folder: Path) -> subprocess.CompletedProcess[str]:
    (folder / "schema.json").write_text(json.dumps(schema()), "utf-8")
    (folder / "tombi.toml").write_text('[[schemas]]\npath = "schema.json"\ninclude = ["*plant.toml"]\n', "utf-8")
    return subprocess.run(
        [_tombi(), "lint", "--offline", "--error-on-warnings", "plant.toml"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("name", ["smallest.toml", "quillmarsh.toml", "printed.toml"])
def test_an_editor_finds_nothing_wrong_with_an_example(name: str, tmp_path: Path) -> None:
    shutil.copy(EXAMPLES / name, tmp_path / "plant.toml")
    done = _lint(tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


TYPED = """
[[module]]
name = "own"
link = "panel"
unit = 2
type = "mixed"
[[module]]
name = "more"
link = "panel"
unit = 3
type = "counters4"
leave_out = ["count4"]
clear_on_read = ["input 20..23"]
[module.channels]
makeup = "count1"
extra = { number = "00001" }
[[module_type]]
name = "mixed"
never = ["input 40..49", "coil 3"]
answers_within = "200 ms"
[module_type.channels]
level = { number = 30001, type = "bcd16", not_available = 9999 }
"""


@pytest.mark.parametrize(
    ("old", "put", "fine"),
    [
        ("", "", True),
        ("number = 30001, ", "", False),
        ('type = "mixed"', "", False),
        ('extra = { number = "00001" }', "extra = 5", False),
        ('"input 20..23"', "20", False),
        ("not_available = 9999", 'not_available = "x"', False),
    ],
)
def test_an_editor_knows_types_of_modules(old: str, put: str, fine: bool, tmp_path: Path) -> None:
    assert old in TYPED
    text = (EXAMPLES / "smallest.toml").read_text("utf-8")
    text = text.replace("[[boiler]]", TYPED.replace(old, put, 1) + "[[boiler]]", 1)
    (tmp_path / "plant.toml").write_text(text, "utf-8")
    done = _lint(tmp_path)
    assert (done.returncode == 0) is fine, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("old", "put"),
    [
        ('flush = "20 s"', 'flsh = "20 s"'),
        ('duty = "lead"', 'duty = "leda"'),
        ('every = "5 s"', "every = 5"),
        ('type = "u16"', 'type = "u17"'),
        ('span = "0..65535 = 0..20 mA"', "span = 5"),
        ("[mail]", "[alarms.low_watr]\n[mail]"),
        ('mail = "oncall@quillmarsh.example"', ""),
    ],
)
def test_an_editor_sees_a_slip(old: str, put: str, tmp_path: Path) -> None:
    text = (EXAMPLES / "smallest.toml").read_text("utf-8")
    assert old in text
    (tmp_path / "plant.toml").write_text(text.replace(old, put, 1), "utf-8")
    assert _lint(tmp_path).returncode == 1


def test_every_key_of_the_design_is_in_the_schema() -> None:
    body = schema()
    assert {
        "plant",
        "link",
        "module",
        "boiler",
        "meter",
        "tank",
        "chemical",
        "analogue",
        "person",
        "mail",
        "store",
    } <= set(body["properties"])
    assert body["required"] == ["plant", "link", "module"]
    assert body["additionalProperties"] is False
    assert "null" not in json.dumps(body)
