"""Bad plant files: what is said, at which line, and that all of it is said at once."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from config.check import check
from config.load import PlantFileError, load, loads
from tests.support.findings import METERED

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"

GOOD = (EXAMPLES / "smallest.toml").read_text("utf-8")


def errors(text: str) -> list[str]:
    with pytest.raises(PlantFileError) as e:
        loads(text, "p.toml")
    return str(e.value).splitlines()


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'flush = "20 s"',
            'flsh = "20 s"',
            "boiler B1 sample.flsh: unknown key `flsh`; did you mean `flush`?; known here:",
        ),
        (
            'duty = "lead"',
            'flush = "9 s"',
            "boiler B1 flush: unknown key `flush`; it belongs in sample; known here: name",
        ),
        (
            'units = "us"',
            'pulse = "1 L"',
            "plant.pulse: unknown key `pulse`; it belongs in [[meter]]; known here: name",
        ),
        ('units = "us"', 'units = "USA"', 'plant.units: wants one of us, si; found "USA"'),
        (
            'duty = "lead"',
            'duty = "led"',
            'boiler B1 duty: wants one of lead, lag, standby, schedule; found "led"; did you',
        ),
        ("port = 502\n", 'port = "502"\n', 'link panel port: wants a whole number; found "502"'),
        ("port = 502\n", "port = 50200000\n", "link panel port: wants 1 to 65535; found 50200000"),
        ("port = 502\n", "port = 1.5\n", "link panel port: wants a whole number; found 1.5"),
        ("unit = 1\n", "unit = true\n", "module io unit: wants a whole number; found true"),
        ('every = "5 s"', "every = 5.0", 'module io every: wants text with a unit, like "10 s"; found 5.0'),
        ('every = "5 s"', 'every = "2 h"', "module io every: wants between 100 ms and 1 h; found 7200 s"),
        ('"120 psig"', '"120 psgi"', "boiler B1 pressure: wants a unit of pressure: psig, "),
        ('"120 psig"', '"120"', "boiler B1 pressure: wants a unit of pressure: psig, "),
        ('"0..65535 = 0..20 mA"', '"0..65535"', "channels.b1_cond.span: wants counts = current, like "),
        ('"0..65535 = 0..20 mA"', "5", "channels.b1_cond.span: wants text: counts = current, like "),
        (
            '"4..20 mA = 0..5000 uS/cm"',
            '"0..65535 = 0..5000 uS/cm"',
            "conductivity.range: wants a current left of the =",
        ),
        (
            '"4..20 mA = 0..5000 uS/cm"',
            '"4..4 mA = 0..50 uS/cm"',
            'conductivity.range: wants two different ends; found "4..4',
        ),
        (
            'closed_means = "running"',
            'closed_means = "shut"',
            "boiler B1 interlock.closed_means: wants one of running, firing",
        ),
        (
            'contact = "io.b1_limit"',
            'contact = "b1_limit"',
            'interlock.contact: wants module.channel, like "ai.b1_cond"; found',
        ),
        ('mail = "oncall@quillmarsh.example"', 'mail = "oncall"', "person On call mail: wants a mail address, like"),
        ('name = "B1"', 'name = "B 1"', "boiler B 1 name: wants a name: a letter first, then letters, digits, _ or -"),
        (
            "address = 1 }",
            'address = 1, type = "u16" }',
            "channels.b1_limit: a coil or discrete input is one bit: it takes no",
        ),
        ("address = 2 }", "address = 65536 }", "channels.b1_low.address: wants 0 to 65535; found 65536"),
        ("address = 0, type", "address = 65535, type", ""),
        (
            'address = 0, type = "u16"',
            'address = 65535, type = "u32"',
            "wants a value that ends at address 65535 or before",
        ),
        (
            'address = 0, type = "u16"',
            'address = 0, type = "bit"',
            'a bit of a register is written type = "bit", bit = 0..15',
        ),
    ],
)
def test_one_slip_one_error_at_its_line(old: str, new: str, said: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    if not said:
        loads(text)
        return
    (error,) = errors(text)
    assert error.startswith(f"p.toml:{line_of(GOOD, old)}: ")
    assert said in error


@pytest.mark.parametrize(
    ("gone", "at", "said"),
    [
        ('zone = "America/Chicago"', "[plant]", "plant.zone: missing; wants text in quotes"),
        ('link = "panel"', "[[module]]", "module io link: missing; wants a name"),
        ('kind = "modbus-tcp"', "[[link]]", "link panel kind: missing; wants one of modbus-tcp, modbus-rtu"),
        ('pressure = "120 psig"', "[[boiler]]", 'boiler B1 pressure: missing; wants text with a unit, like "120 psig"'),
        ('arrangement = "timed"', "[boiler.sample]", "sample.arrangement: missing; wants one of continuous, timed"),
        ('range = "4..20', "[boiler.conductivity]", 'range: missing; wants text like "4..20 mA = 0..5000 uS/cm"'),
        (
            'channel = "io.b1_cond"',
            "[boiler.conductivity]",
            'channel: missing; wants module.channel, like "ai.b1_cond"',
        ),
        ('mail = "oncall', "[[person]]", "person On call mail: missing; wants a mail address"),
        ('server = "mail', "[mail]", "mail.server: missing; wants text in quotes"),
    ],
)
def test_a_missing_key_is_named_at_the_table_that_lacks_it(gone: str, at: str, said: str) -> None:
    text = "\n".join("" if line.startswith(gone) else line for line in GOOD.split("\n"))
    (error,) = errors(text)
    assert error.startswith(f"p.toml:{line_of(GOOD, at)}: ")
    assert said in error


def test_a_meter_wants_what_a_pulse_is_worth() -> None:
    (error,) = errors(METERED.replace('pulse = "100 L"\n', ""))
    assert error.startswith(f"p.toml:{line_of(METERED, '[[meter]]')}: meter makeup pulse: missing; wants")
    assert 'like "100 L", or k_factor, like "120 pulses/gal"' in error


def test_missing_tables_are_named() -> None:
    said = errors('[plant]\nname = "Q"\nzone = "UTC"\n')
    assert [e.split(":")[2].strip() for e in said] == ["link", "module"]
    assert "wants [[link]], each with name, kind" in said[0]


def test_all_errors_at_once_of_shape_and_between_values() -> None:
    """A wrong pressure hides neither the contact that is not there nor the meter's wrong boiler."""
    text = (
        GOOD.replace('"120 psig"', '"120"')
        .replace('"io.b1_limit"', '"io.b1_limt"')
        .replace("America/Chicago", "America/Chicag")
        + '[[meter]]\nname = "makeup"\nchannel = "io.b1_cond"\nmeasures = "makeup"\nserves = ["B2"]\nlog = 1\n'
    )
    said = errors(text)
    keys = [e.split(": ")[1] for e in said]
    assert keys == [
        "plant.zone",
        "boiler B1 pressure",
        "boiler B1 interlock.contact",
        "meter makeup max_rate",
        "meter makeup pulse",
        "meter makeup channel",
        "meter makeup serves 1",
        "meter makeup log",
    ]
    assert "did you mean `io.b1_limit`?" in said[2]


def test_inline_tables_dotted_keys_and_quoted_keys_have_their_lines() -> None:
    text = """plant.name = "Q"
plant.zone = "UTC"
plant."unit" = "us"
link = [
  { name = "a", kind = "modbus-tcp", host = "h" },
  { name = "b", kind = "modbus-tcp", host = "h2",
    prt = 5 } ]
""".replace(",\n    prt", ", prt")
    text += """[[module]]
name = "m"
link = "a"
[module.channels.c]
function = "input"
adress = 5
[[module]]
name = "n"
link = "b"
channels = { "é" = { function = "coil", address = 1 } }
"""
    assert [e.rpartition(": ")[0].split(": ")[0] + " " + e.split(": ")[1] for e in errors(text)] == [
        "p.toml:3 plant.unit",
        "p.toml:6 link b prt",
        "p.toml:10 module m channels.c.address",
        "p.toml:12 module m channels.c.adress",
        "p.toml:16 module n channels.é",
    ]


@pytest.mark.parametrize(
    ("text", "lines", "said"),
    [
        ("a = b\n", [1], 'is not TOML: wants a value after the =: text in "quotes"'),
        ('a = "b\nc = 1\n', [1], "a quote is not closed on this line"),
        ("[plant\na = 1\n", [1], "wants a ] at the end of the table's name"),
        ("a = 1\na = 2\n", [2], "this key is written twice; keep one"),
        ("[a]\n[a]\n", [2], "this table is written twice"),
        ("x\n", [1], "wants key = value"),
        ("a = 1 2\nb = [\n", [1, 3], "wants nothing more on this line"),
        ('p = "C:\\data"\n', [1], "a backslash in"),
        ("a = b\nc = 1\nd = e\n[f\ng = h\n", [1, 3, 4, 5], "wants a value"),
        ("a = {b = 1\n}\n", [1, 2], "is not TOML"),
        (f"a = {'9' * 5000}\n", [1], "a number is too long"),
        ("a = 2026-13-40\n", [1], "is not TOML"),
    ],
)
def test_what_is_not_toml(text: str, lines: list[int], said: str) -> None:
    found = [e for e in errors(text) if "is not TOML" in e]
    assert [int(e.split(":")[1]) for e in found] == lines
    assert said in found[0]


def test_a_slip_in_the_toml_does_not_hide_a_wrong_value() -> None:
    text = GOOD.replace('duty = "lead"', "duty = lead").replace('flush = "20 s"', 'flush = "20"')
    assert [e.split(": ")[1] for e in errors(text)] == ["is not TOML", "boiler B1 sample.flush"]


def test_deep_nesting_is_an_error_like_any_other() -> None:
    assert "nested too deep" in errors("a = " + "[" * 100_000)[0]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", ":1: is empty; wants at least [plant], [[link]] and [[module]]"),
        (b"# nothing but a comment\n", ":1: is empty"),
        ('[plant]\nname = "Käserei"\n'.encode("latin-1"), ":2: is not UTF-8 (byte 0xe4); save the file as UTF-8"),
        ("a = 1".encode("utf-16"), ":1: is saved as UTF-16; save it as UTF-8"),
    ],
)
def test_files_that_hold_no_plant(tmp_path: Path, data: bytes, said: str) -> None:
    file = tmp_path / "plant.toml"
    file.write_bytes(data)
    with pytest.raises(PlantFileError) as e:
        load(file)
    assert f"{file}{said}" in str(e.value)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load(file).plant == loads(GOOD).plant


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    for path, said in ((tmp_path / "nix.toml", "there is no such file"), (tmp_path, "is a folder")):
        with pytest.raises(PlantFileError) as e:
            load(path)
        assert str(e.value).startswith(f"{path}: {said}")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    file = tmp_path / "plant.toml"
    file.write_text(GOOD, "utf-8")
    file.chmod(0)
    with pytest.raises(PlantFileError, match="may not be read by this user"):
        load(file)


def test_a_good_file_loads_nothing_that_only_a_bad_one_needs() -> None:
    code = (
        "import sys; from pathlib import Path; from config.load import load; load(Path(sys.argv[1])); "
        "print([m for m in ('tree_sitter', 'difflib', 'config.plainly', 'config.prune') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(EXAMPLES / "smallest.toml")],
        capture_output=True,
        text=True,
        check=True,
        cwd=EXAMPLES.parents[1],
    )
    assert done.stdout.strip() == "[]"


def test_a_text_that_was_in_force_once_is_judged_by_its_shape_alone() -> None:
    text = GOOD.replace('"io.b1_limit"', '"io.gone"')
    assert loads(text, rules=False).plant.boilers[0].interlock is not None
    with pytest.raises(PlantFileError):
        loads(text)


def test_absolute_pressures_are_gauge_by_the_altitude_of_the_site() -> None:
    """At 1609 m the air is 83.4 kPa by the ISO 2533 standard atmosphere (from memory)."""
    text = GOOD.replace('"120 psig"', '"1000 kPaa"').replace('units = "us"', 'units = "us"\naltitude = "1609 m"')
    assert loads(text).plant.boilers[0].pressure == pytest.approx(1000 - 83.4, abs=0.2)
    assert not [f for f in check(loads(text)) if "sea level" in f.text]


def test_a_plant_is_built_again_from_its_own_dump() -> None:
    plant = loads(GOOD).plant
    assert type(plant).model_validate(plant.model_dump()) == plant
    assert type(plant).model_validate_json(plant.model_dump_json()) == plant
