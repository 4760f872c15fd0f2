"""Types of modules: what a module takes over, by what names, and where a slip is told."""

from __future__ import annotations

import tomllib

import pytest

from config.expand import SHIPPED, expand, shipped
from config.load import loads
from config.model import Module, Plant
from tests.support.findings import SMALLEST, changed, findings

HEAD = """
[plant]
name = "Quillmarsh Creamery"
zone = "America/Chicago"
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "192.0.2.10"
"""
OWN = """
[[module_type]]
name = "mixed"
max_registers = 16
gap = 0
never = ["input 40..49"]
[module_type.channels]
level = { function = "input", address = 0, span = "0..20000 = 0..20 mA" }
pump = { function = "coil", address = 3 }
[[module]]
name = "io"
link = "panel"
type = "mixed"
"""


def module(text: str, name: str = "io") -> Module:
    return loads(HEAD + text, "p.toml").plant.module(name)


def typed(kind: str, more: str = "") -> str:
    return f'[[module]]\nname = "io"\nlink = "panel"\ntype = "{kind}"\n{more}'


def test_what_comes_along_is_what_it_says() -> None:
    assert shipped() == ("contacts16", "counters4", "current8_float", "current8_full_scale", "current8_microamps")
    for kind in ("current8_microamps", "current8_full_scale", "current8_float"):
        m = module(typed(kind))
        assert list(m.channels) == [f"in{i}" for i in range(1, 9)]
        assert {c.function for c in m.channels.values()} == {"input"}
        spans = {(c.span.low_count, c.span.high_count, c.span.low_ma, c.span.high_ma)
                 for c in m.channels.values() if c.span}  # fmt: skip
        top = {"current8_microamps": 20000, "current8_full_scale": 65535, "current8_float": 20}[kind]
        assert spans == {(0, top, 0, 20)}
    assert [c.address for c in module(typed("current8_float")).channels.values()] == list(range(0, 16, 2))
    contacts = module(typed("contacts16")).channels.values()
    assert [(c.function, c.type, c.address) for c in contacts] == [("discrete", "bit", i) for i in range(16)]
    counters = module(typed("counters4")).channels.values()
    assert [(c.function, c.type, c.address, c.words) for c in counters] == [
        ("input", "u32", 2 * i, "high first") for i in range(4)
    ]


@pytest.mark.parametrize("name", shipped())
def test_a_type_that_comes_along_can_be_copied_into_a_plant_file(name: str) -> None:
    text = (SHIPPED / f"{name}.toml").read_text("utf-8")
    copied = loads(HEAD + text + typed(name), "p.toml").plant
    assert copied.module("io").channels == module(typed(name)).channels
    assert copied.module_types[0].about


def test_a_plant_files_own_type_goes_before_one_that_comes_along() -> None:
    own = OWN.replace("mixed", "counters4")
    assert list(module(own).channels) == ["level", "pump"]
    assert "not the one that comes along" in " ".join(f.text for f in findings(HEAD + own))


def test_a_module_takes_channels_and_ways_of_its_type_and_its_own_go_first() -> None:
    m = module(OWN)
    assert (m.max_registers, m.gap, [str(a) for a in m.never]) == (16, 0, ["input 40..49"])
    more = 'gap = 4\nnever = ["input 60"]\n[module.channels]\nextra = { function = "coil", address = 9 }\n'
    m = module(OWN + more)
    assert (m.max_registers, m.gap, [str(a) for a in m.never]) == (16, 4, ["input 40..49", "input 60"])
    assert list(m.channels) == ["level", "pump", "extra"]
    replaced = module(OWN + '[module.channels]\npump = { function = "coil", address = 8 }\n')
    assert {n: c.address for n, c in replaced.channels.items()} == {"level": 0, "pump": 8}


def test_a_channel_of_a_type_gets_a_name_of_the_plants_own_or_is_left_out() -> None:
    m = module(typed("counters4", 'leave_out = ["count3", "count4"]\n[module.channels]\nmakeup = "count2"\n'))
    assert {n: c.address for n, c in m.channels.items()} == {"count1": 0, "makeup": 2}


def test_a_plant_of_types_is_the_plant_written_out() -> None:
    written = loads(SMALLEST, "p.toml").plant
    text = SMALLEST.replace("[[module]]", '[[module_type]]\nname = "panel_io"\n[[module]]', 1)
    start, end = text.index("[module.channels]"), text.index("[[boiler]]")
    channels = text[start:end].replace("[module.channels]", "[module_type.channels]")
    text = (text[:start] + 'type = "panel_io"\n' + text[end:]).replace('"panel_io"\n', f'"panel_io"\n{channels}', 1)
    assert loads(text, "p.toml").plant.module("io").channels == written.module("io").channels


FILE = "config/module_types/counters4.toml"
SLIPS = [
    (typed("counter4"), "type =", "did you mean `counters4`?; those that come along: contacts16, counters4, current8"),
    (OWN.replace('type = "mixed"', 'type = "mixd"'), "type =", "did you mean `mixed`?; of this file: mixed; that come"),
    (typed("counters4", 'leave_out = ["count9"]\n'), "leave_out", 'has no channel "count9"; did you mean `count4`?'),
    (typed("counters4", '[module.channels]\na = "cont1"\n'), "cont1", f"({FILE}) has no channel"),
    (typed("counters4", '[module.channels]\na = "count1"\nb = "count1"\n'), "b =", '"count1" is a already'),
    (OWN.replace("max_registers = 16", "max_registers = 126"), "max_registers", "wants 1 to 125; found 126"),
    (OWN.replace("address = 3", "addres = 3"), "pump =", "did you mean `address`?"),
    (OWN.replace("address = 3", "address = 3, bit = 2"), "pump =", "takes no type, bit or span; found type, bit"),
    (OWN + 'never = ["inpt 3"]\n', "inpt", 'found "inpt 3"'),
    (OWN + 'never = ["coil 3"]\n', "type =", "check the address, and never (from module type mixed, p.toml:17)"),
    (typed("counters4", "max_registers = 1\n"), "type =", f"(max_registers) (from module type counters4, {FILE}:7)"),
    (OWN + OWN.replace('"io"', '"io2"\nunit = 2'), 'name = "mixed"', '"mixed" is written twice'),
    (typed("counters4").replace("type =", "channels.a ="), "channels.a", "wants a table with function, address"),
]


@pytest.mark.parametrize(("text", "line", "said"), SLIPS, ids=[said for _, _, said in SLIPS])
def test_a_slip_is_told_where_it_was_made(text: str, line: str, said: str) -> None:
    lines = (HEAD + text).splitlines()
    errors = [f for f in findings(HEAD + text) if f.level == "error"]
    assert any(said in f.text for f in errors), "\n".join(map(str, errors))
    assert {line in lines[f.line - 1] for f in errors} == {True}, "\n".join(map(str, errors))


def test_a_misspelt_type_makes_no_second_error_of_its_channels() -> None:
    text = SMALLEST.replace("unit = 1", 'unit = 1\ntype = "contacts61"', 1)
    assert [f.text[:38] for f in findings(text)] == ['there is no module type "contacts61"; ']


def test_numbers_of_old_are_function_and_address() -> None:
    """MB-018: item X is addressed as X-1; the leading digit is common practice, no source."""
    wanted = {"40001": ("holding", 0), '"400001"': ("holding", 0), "49999": ("holding", 9998), "30021": ("input", 20),
              "465536": ("holding", 65535), "10005": ("discrete", 4), '"100005"': ("discrete", 4),
              '"00001"': ("coil", 0), '"000017"': ("coil", 16), "17": ("coil", 16)}  # fmt: skip
    for number, place in wanted.items():
        m = module(typed("contacts16", f"[module.channels]\nx = {{ number = {number} }}\n"))
        assert (m.channels["x"].function, m.channels["x"].address) == place, number


@pytest.mark.parametrize("number", ["50001", "40000", "0", '"4001"', "465537", '"x"', "true", "4.5", "-1", '"٤0001"'])
def test_a_number_that_is_none_is_refused(number: str) -> None:
    text = HEAD + typed("contacts16", f"[module.channels]\nx = {{ number = {number} }}\n")
    (found,) = [f for f in findings(text) if f.level == "error"]
    assert text.splitlines()[found.line - 1].startswith("x = ")
    assert found.text.startswith("wants ")
    assert "40001" in found.text


def test_a_number_beside_another_address_is_refused() -> None:
    old = 'b1_blow  = { function = "discrete", address = 0 }'
    assert old in SMALLEST
    same, found = changed(SMALLEST, (old, old.replace(" }", ", number = 10001 }")))
    assert [f.level for f in found] == ["note"]
    assert "10001 is read as discrete input at protocol address 0" in found[0].text
    _, found = changed(SMALLEST, (old, old.replace(" }", ", number = 10002 }")))
    assert "wants number, or function and address; found address = 0 beside it" in found[0].text
    assert loads(same, "p.toml").plant.module("io").channels["b1_blow"].address == 0


def test_data_without_types_is_handed_on_as_it_is() -> None:
    raw = tomllib.loads(SMALLEST)
    assert expand(raw).raw is raw


def test_what_was_written_out_can_be_built_again() -> None:
    plant = loads(HEAD + OWN, "p.toml").plant
    assert Plant.model_validate(plant.model_dump()) == plant
