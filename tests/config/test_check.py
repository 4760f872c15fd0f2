"""Warnings and notes of a plant file, and the figures they rest on."""

from __future__ import annotations

import pytest

from config.kinds import KIND_NAMES, SERVED_LINKS
from config.model import Link
from config.rules.metering import rollover_s
from config.rules.sampling import ascii_read_s, read_s
from config.units import quantity
from drivers.contract import Request
from drivers.modbus.timing import frames_s
from drivers.registry import KINDS as DRIVERS
from tests.support.findings import METERED, SERIAL, SMALLEST, changed, findings
from tests.support.published import table

WARNINGS: list[tuple[str, tuple[tuple[str, str], ...], str, str, str]] = [
    (
        METERED,
        (
            ('set_point = "3000 uS/cm"', "#"),
            ("\ndifferential", "\n#"),
            ("high = ", "#"),
            ("very_high = ", "#"),
            ("low = ", "#"),
        ),
        "boiler B1 conductivity",
        "warning",
        "no set point: there are no conductivity limits, and nobody will be told when B1",
    ),
    (
        METERED,
        (('set_point = "3000 uS/cm"', "#"), ("\ndifferential", "\n#"), ("low = ", "#")),
        "boiler B1 conductivity",
        "warning",
        "no set point: nobody will be told of conductivity low on B1",
    ),
    (
        METERED,
        (("\nhigh = ", "\n#"), ("very_high = ", "#"), ("low = ", "#")),
        "boiler B1 conductivity",
        "note",
        "high 3300 umho/cm, very high 3750 umho/cm, low 2465 umho/cm (common practice, no source)",
    ),
    (
        METERED,
        (("0..5000 uS/cm", "0..3500 uS/cm"),),
        "boiler B1 conductivity.very_high",
        "warning",
        '"at least 3500 umho/cm"',
    ),
    (METERED, (("0..5000 uS/cm", "0..3200 uS/cm"),), "boiler B1 conductivity.high", "warning", "can never be seen"),
    (
        METERED,
        (("0..5000 uS/cm", "2500..5000 uS/cm"),),
        "boiler B1 conductivity.low",
        "warning",
        "the range begins at 2500",
    ),
    (METERED, (('low = "2400', 'low = "2950'),), "boiler B1 conductivity.low", "warning", "within the differential"),
    (METERED, (('signal = "held"', "#"),), "boiler B1 conductivity", "note", 'taken as signal = "held"'),
    (METERED, (("4..20 mA =", "0..20 mA ="),), "boiler B1 conductivity.range", "warning", "cannot show a broken loop"),
    (
        METERED,
        (("0..65535 = 0..20", "0..65535 = 4..20"),),
        "module io channels.b1_cond.span",
        "warning",
        "broken loop (3.6 mA or less)",
    ),
    (
        METERED,
        (('host = "192.0.2.10"', 'host = "h"\ntimeout = "1 s"'), ("unit = 1", 'unit = 1\nanswers_within = "3 s"')),
        "module io answers_within",
        "warning",
        "io may take 3 s to answer, and link panel waits 1 s",
    ),
    (
        METERED,
        (('makeup = { function = "input", address = 20', "makeup = { number = 30021"),),
        "module io channels.makeup.number",
        "note",
        "30021 is read as input register at protocol address 20. Some makers count from 0",
    ),
    (
        METERED,
        (('duty = "lead"', 'duty = "lead"\nhand_blow = "40 min"'),),
        "boiler B1 hand_blow",
        "note",
        "a valve stuck open on B1 are mailed only when they stand for 40 min; the journal has them at once",
    ),
    (METERED, (('command = "io.b1_blow"', "#"),), "boiler B1 sample.arrangement", "note", "inferred from the probe"),
    (
        METERED,
        (('every = "5 s"', 'every = "10 s"'),),
        "boiler B1 sample.flush",
        "note",
        "a flush of 20 s is 2 polls of 10 s",
    ),
    (
        METERED,
        (('flush = "20 s"', 'flush = "20 s"\nopen = "25 s"'),),
        "boiler B1 sample.open",
        "warning",
        "only 5 s remain after the flush",
    ),
    (
        METERED,
        (('flush = "20 s"', 'flush = "1 s"\nopen = "8 s"'),),
        "boiler B1 blowdown_valve.command",
        "warning",
        "an opening can pass unseen",
    ),
    (
        METERED,
        (('arrangement = "timed"', 'arrangement = "none"'),),
        "boiler B1 sample.arrangement",
        "warning",
        "not judged",
    ),
    (
        METERED,
        (('every = "5 s"', 'every = "20 s"'),),
        "boiler B1 low_water",
        "warning",
        "a change of less than 40 s can pass unseen",
    ),
    (
        METERED,
        (('type = "u32"', 'type = "u16"'), ('"100 L"', '"1 L"')),
        "meter makeup channel",
        "note",
        "goes round in 3.28 h",
    ),
    (METERED, (('serves = ["B1"]', "serves = []"),), "meter makeup serves", "note", "serves no boiler"),
    (
        METERED,
        (("[[person]]\n", "#"), ('name = "On call"', "#"), ('mail = "oncall', "#")),
        "person",
        "warning",
        "nobody will be told of any alarm",
    ),
    (METERED, (('"120 psig"', '"8 bar"'),), "boiler B1 pressure", "note", 'bar is taken as gauge; found "8 bar"'),
    (METERED, (('"120 psig"', '"9 bara"'),), "boiler B1 pressure", "note", "reckoned at sea level"),
    (
        METERED,
        (("[mail]", '[copy]\nurl = "http://ts.quillmarsh.example"\ntoken_file = "t"\n[mail]'),),
        "copy.url",
        "warning",
        "unprotected",
    ),
    (METERED, (("[mail]", '[store]\nkeep = "30 d"\n[mail]'),), "store.keep", "note", "kept 30 days"),
    (
        METERED,
        (('[boiler.interlock]\ncontact = "io.b1_limit"\nclosed_means = "running"', ""),),
        "boiler B1",
        "warning",
        "nothing wired tells whether B1 is off",
    ),
    (
        METERED,
        (("[boiler.low_water]", "[boiler.high_water]"), ('closed_means = "low"', 'closed_means = "high"')),
        "boiler B1",
        "note",
        "no low_water contact",
    ),
    (
        METERED,
        (('contact = "io.b1_low"', 'contact = "io.b1_blow"'),),
        "boiler B1 low_water.contact",
        "warning",
        "io.b1_blow is used by B1 too",
    ),
    (
        METERED,
        (("address = 20", "address = 65534, words = 'low first'"), ("address = 0, type", "address = 65535, type")),
        "module io channels.makeup.address",
        "warning",
        "is read by b1_cond too",
    ),
    (
        METERED,
        (('command = "io.b1_blow"', 'command = "io.b1_blow"\nbleed = "1 L/min"'),),
        "boiler B1 blowdown_valve.bleed",
        "note",
        "is taken as cold water, 60 kg/h",
    ),
    (
        SERIAL,
        (('every = "5 s"', 'every = "500 ms"'), ("[[module]]", "baud = 1200\n[[module]]")),
        "link panel",
        "warning",
        "of the line at 1200 baud",
    ),
    (
        METERED,
        (
            (
                "[[person]]",
                '[[analogue]]\nname = "ph"\nchannel = "io.b1_cond"\nrange = "4..20 mA = 0..14 pH"\n[[person]]',
            ),
        ),
        "analogue ph range",
        "note",
        "pH: not a unit known here",
    ),
    (
        METERED,
        (
            (
                "[[person]]",
                '[[analogue]]\nname = "t"\nchannel = "io.b1_cond"\n'
                'range = "4..20 mA = 32..212 °F"\nhigh = 220\n[[person]]',
            ),
        ),
        "analogue t high",
        "warning",
        "220 °F is not within the range",
    ),
    (
        METERED,
        (("[[person]]", "[alarms.low_water]\non_delay = '60 s'\n[[person]]"),),
        "alarms.low_water.on_delay",
        "warning",
        "60 s later than it could be",
    ),
]


@pytest.mark.parametrize(
    ("base", "changes", "key", "level", "said"), WARNINGS, ids=[f"{w[2]}-{w[4]}"[:70] for w in WARNINGS]
)
def test_a_warning_or_a_note(base: str, changes: tuple[tuple[str, str], ...], key: str, level: str, said: str) -> None:
    _, found = changed(base, *changes)
    assert [f.level for f in found if f.key == key and said in f.text] == [level], "\n".join(map(str, found))
    assert not [f for f in found if f.level == "error"]


def test_without_people_and_mail_it_is_said() -> None:
    text = SMALLEST[: SMALLEST.index("[[person]]")]
    said = {f.key: (f.level, f.text) for f in findings(text)}
    assert said["person"] == ("warning", "no [[person]]: nobody will be told of any alarm")
    assert said["mail"][0] == "note"
    assert "written as files" in said["mail"][1]


def test_unit_0_is_a_unit_of_a_tcp_link() -> None:
    assert changed(METERED, ("unit = 1", "unit = 0"))[1] == []


def test_a_bit_of_a_register_is_a_contact_and_a_float_a_current() -> None:
    text, found = changed(
        METERED,
        (
            'b1_limit = { function = "discrete", address = 1 }',
            'b1_limit = { function = "input", address = 9, type = "bit", bit = 3 }',
        ),
        ('type = "u16", span = "0..65535 = 0..20 mA"', 'type = "f32"'),
    )
    assert 'type = "f32"' in text
    assert found == []


def test_the_time_of_a_counter_once_round() -> None:
    """WM-010, WM-011: 2^bits times the volume of a pulse over the flow."""
    for row, pulse, flow in (("WM-010", "1 gal", "20 gpm"), ("WM-011", "10 gal", "50 gpm")):
        hours = rollover_s(16, quantity(pulse, "volume"), quantity(flow, "volume flow")) / 3600
        assert hours == pytest.approx(table("water_meters")[row].number, rel=1e-3)


def test_the_time_of_a_read_on_the_line() -> None:
    """MB-074..076 (MODBUS over Serial Line V1.02): request 8 bytes, answer 5 + 2N, two silences of 3.5 characters."""
    for row, registers, baud in (("MB-074", 8, 9600), ("MB-075", 8, 19200)):
        total = table("modbus")[row].numbers[-1]
        assert read_s(baud, 2 * registers) * 1000 == pytest.approx(total, abs=0.01)
    row = table("modbus")["MB-076"]
    assert read_s(38400, 2 * 4) * 1000 == pytest.approx(row.numbers[-1], abs=0.01)


def test_rules_and_planner_reckon_alike() -> None:
    for kind, reckon in (("modbus-rtu", read_s), ("modbus-ascii", ascii_read_s)):
        for baud in (300, 9600, 19200, 115200):
            line = Link.model_validate({"name": "l", "kind": kind, "baud": baud})
            for registers in (1, 8, 125):
                assert reckon(baud, 2 * registers) == pytest.approx(frames_s(line, Request("input", 0, registers)))


def test_the_lists_of_names_are_those_of_the_rooms_that_fill_them() -> None:
    from daemon.alarms.kinds import KINDS

    assert set(KINDS) <= set(KIND_NAMES)
    assert set(SERVED_LINKS) == set(DRIVERS)
    assert len(set(KIND_NAMES)) == len(KIND_NAMES)


@pytest.mark.parametrize(
    ("kind", "every", "more", "said"),
    [
        ("modbus-tcp", "1 s", "", "takes 1.1 s of link panel, and io is due every 1 s"),
        ("modbus-tcp", "2 s", "", None),
        ("modbus-tcp", "1 s", 'answers_within = "200 ms"\n', None),
        ("modbus-rtu", "2 s", "", "takes 2.1 s of link panel, and io is due every 2 s"),
        ("modbus-rtu", "2500 ms", "", None),
    ],
)
def test_a_silence_that_a_neighbour_has_no_time_for_is_told(kind: str, every: str, more: str, said: str | None) -> None:
    """A try of a silent module is made beside the living ones where it fits (daemon/acquire/README.md, rule 5)."""
    base = (SERIAL if kind == "modbus-rtu" else METERED).replace('every = "5 s"', f'every = "{every}"')
    assert f'every = "{every}"' in base
    second = (
        f'[[module]]\nname = "far"\nlink = "panel"\nunit = 9\n{more}[module.channels]\n'
        'x = { function = "discrete", address = 0 }\n'
    )
    told = [f for f in findings(base + second) if "should far fall silent" in f.text]
    assert [f.level for f in told] == (["note"] if said else [])
    assert said is None or said in told[0].text
