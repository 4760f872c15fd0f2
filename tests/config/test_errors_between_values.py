"""Cross checks: what must hold between values, each error at its line."""

from __future__ import annotations

import pytest

from tests.support.findings import METERED, SERIAL, changed

ERRORS: list[tuple[str, tuple[tuple[str, str], ...], str, str]] = [
    (
        METERED,
        (("[mail]", '[store]\nkeep_minutes = "90 min"\n[mail]'),),
        "store.keep_minutes",
        'at least "1 d"; found 1.5 h',
    ),
    (METERED, (("[mail]", '[store]\nhot = "1 d"\n[mail]'),), "store.hot", 'at least "2 d"; found 1 d'),
    (METERED, (('link = "panel"', 'link = "pannel"'),), "module io link", 'no link "pannel"; did you mean `panel`?'),
    (METERED, (('serves = ["B1"]', 'serves = ["B1", "B7"]'),), "meter makeup serves 2", 'no boiler "B7"'),
    (METERED, (('serves = ["B1"]', 'serves = ["B1", "B1"]'),), "meter makeup serves 2", 'names "B1" twice'),
    (METERED, (('name = "makeup"', 'name = "B1"'),), "meter B1 name", '"B1" is taken by [[boiler]] number 1'),
    (METERED, (('name = "makeup"', 'name = "logger"'),), "meter logger name", "the service's own name"),
    (METERED, (('"io.b1_limit"', '"io.b1_limt"'),), "boiler B1 interlock.contact", "did you mean `io.b1_limit`?"),
    (
        METERED,
        (('"io.b1_limit"', '"di.b1_limit"'),),
        "boiler B1 interlock.contact",
        'no module "di"; found "di.b1_limit"',
    ),
    (METERED, (("America/Chicago", "Chicago"),), "plant.zone", "wants an IANA time zone"),
    (METERED, (("America/Chicago", "../etc"),), "plant.zone", "wants an IANA time zone"),
    (METERED, (("America/Chicago", "America"),), "plant.zone", "wants an IANA time zone"),
    (METERED, (('host = "192.0.2.10"', "#"),), "link panel host", "missing; a modbus-tcp link wants host"),
    (
        METERED,
        (('host = "192.0.2.10"', 'host = "h"\nbaud = 9600'),),
        "link panel baud",
        "a modbus-tcp link has no baud",
    ),
    (
        METERED,
        (("[module.channels]", 'never = ["input 19..21"]\n[module.channels]'),),
        "module io channels.makeup.address",
        "input 20 lies in input 19..21, which io says must never be read",
    ),
    (
        METERED,
        (("[module.channels]", "max_registers = 1\n[module.channels]"),),
        "module io channels.makeup",
        "a u32 is 2 registers; io gives at most 1 at a time",
    ),
    (
        METERED,
        (
            ("[module.channels]", 'max_registers = 2\nclear_on_read = ["input 21"]\n[module.channels]'),
            ("makeup = {", 'other = { function = "input", address = 21, type = "u32" }\nmakeup = {'),
        ),
        "module io clear_on_read",
        "input 20..22 has to be read at once, since its channels share clear-on-read registers",
    ),
    (METERED, (('span = "0..65535 = 0..20 mA"', "not_available = 65536"),), "module io channels.b1_cond", "0 to 65535"),
    (
        METERED,
        (('type = "u16", span', 'type = "s16", not_available = 0x8000, span'),),
        "module io channels.b1_cond",
        "from -32768 to 32767 (s16); found 32768; the register 0x8000 is -32768 there",
    ),
    (
        METERED,
        (('type = "u16", span', 'type = "f32", not_available = 1e39, span'),),
        "module io channels.b1_cond",
        "that a 32-bit float can hold; found 1e+39",
    ),
    (METERED, (("address = 2 }", "address = 2, not_available = 1 }"),), "module io channels.b1_low", "a bit is 0 or 1"),
    (
        METERED,
        (('type = "u16", span', 'type = "u16", not_available = "x", span'),),
        "module io channels.b1_cond.not_available",
        'wants the count that stands for no value, like 65535; found "x"',
    ),
    (METERED, (("[module.channels]", 'never = ["input 9..3"]\n[module.channels]'),), "module io never 1", "0 to 65535"),
    (
        METERED,
        (("[module.channels]", 'leave_out = ["a"]\n[module.channels]'),),
        "module io leave_out",
        "without a type",
    ),
    (
        METERED,
        (('host = "192.0.2.10"', 'host = "h"\ndirection = "kernel"'),),
        "link panel direction",
        "a modbus-tcp link has no direction",
    ),
    (SERIAL, (('device = "/dev/ttyS0"', "#"),), "link panel device", "missing; a modbus-rtu link wants device"),
    (
        SERIAL,
        (('device = "/dev/ttyS0"', 'device = "d"\nport = 1'),),
        "link panel port",
        "a modbus-rtu link has no port",
    ),
    (
        SERIAL,
        (('device = "/dev/ttyS0"', 'device = "d"\ndata_bits = 8'),),
        "link panel data_bits",
        "a modbus-rtu link has 8 by its standard",
    ),
    (SERIAL, (("unit = 1", "unit = 0"),), "module io unit", "wants 1 to 247 on a modbus-rtu link; found 0"),
    (SERIAL, (("unit = 1", "unit = 248"),), "module io unit", "wants 1 to 247 on a modbus-rtu link; found 248"),
    (
        SERIAL,
        (('every = "5 s"', 'every = "100 ms"\n'), ("[[module]]", "baud = 300\n[[module]]")),
        "link panel",
        "of the line",
    ),
    (
        METERED,
        (
            (
                "[[boiler]]",
                '[[module]]\nname = "b"\nlink = "panel"\nunit = 1\n'
                'channels = { a = { function = "coil", address = 1 } }\n[[boiler]]',
            ),
        ),
        "module b unit",
        "unit 1 on link panel is already module io",
    ),
    (
        METERED,
        (("[[module]]", '[[link]]\nname = "two"\nkind = "modbus-tcp"\nhost = "192.0.2.10"\n[[module]]'),),
        "link two host",
        "192.0.2.10:502 is already the link panel",
    ),
    (
        METERED,
        (('"io.b1_limit"', '"io.makeup"'),),
        "boiler B1 interlock.contact",
        "wants a contact; io.makeup is a number (u32)",
    ),
    (
        METERED,
        (('"io.b1_cond"', '"io.b1_low"'),),
        "boiler B1 conductivity.channel",
        "wants a 4-20 mA channel; io.b1_low is a contact",
    ),
    (METERED, ((', span = "0..65535 = 0..20 mA"', ""),), "module io channels.b1_cond", 'span = "0..65535 = 0..20 mA"'),
    (
        METERED,
        (('"io.makeup"', '"io.b1_low"'),),
        "meter makeup channel",
        "wants a counter of type u16, u32 or u64; io.b1_low is bit",
    ),
    (METERED, (('type = "u32"', 'type = "s32"'),), "meter makeup channel", "wants a counter"),
    (
        METERED,
        (('type = "u32"', 'type = "u32", span = "0..9 = 0..20 mA"'),),
        "meter makeup channel",
        "wants plain counts",
    ),
    (METERED, (('"u16", span', '"s16", span'),), "module io channels.b1_cond.span", "do not fit s16 (-32768 to 32767)"),
    (
        METERED,
        (("0..65535 = 0..20", "0..65535 = 4..12"),),
        "module io channels.b1_cond.span",
        "reads 4 to 12 mA, the signal goes 4 to 20",
    ),
    (METERED, (("0..5000 uS/cm", "0..5000 kPa"),), "boiler B1 conductivity.range", "found kPa, a unit of pressure"),
    (
        METERED,
        (("0..5000 uS/cm", "0..5000 us/cm"),),
        "boiler B1 conductivity.range",
        "found us/cm, which is none of uS/cm",
    ),
    (
        METERED,
        (('"100 uS/cm"', '"3000 uS/cm"'),),
        "boiler B1 conductivity.differential",
        "wants less than the set point 3000 umho/cm",
    ),
    (
        METERED,
        (('set_point = "3000 uS/cm"', "#"),),
        "boiler B1 conductivity.differential",
        "says nothing without a set_point",
    ),
    (
        METERED,
        (('high = "3300', 'high = "2900'),),
        "boiler B1 conductivity.high",
        "wants low < set_point < high < very_high",
    ),
    (
        METERED,
        (('very_high = "3750', 'very_high = "3300'),),
        "boiler B1 conductivity.very_high",
        "found high 3300 umho/cm, very_high 3300",
    ),
    (METERED, (('low = "2400', 'low = "3000'),), "boiler B1 conductivity.set_point", "wants low < set_point"),
    (METERED, (("0..5000 uS/cm", "0..3000 uS/cm"),), "boiler B1 conductivity.set_point", "is not within the range"),
    (
        METERED,
        (('flush = "20 s"', 'flush = "20 s"\nopen = "20 s"'),),
        "boiler B1 sample.open",
        "wants longer than the flush of 20 s",
    ),
    (
        METERED,
        (('flush = "20 s"', 'flush = "1 s"\nopen = "60 s"\nevery = "30 s"'),),
        "boiler B1 sample.every",
        "wants longer than open (60 s)",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "0.5 mL"'), ("u32", "u16")),
        "meter makeup max_rate",
        "goes round in 5.9 s, with polls every 5 s",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\nk_factor = "120 pulses/gal"'),),
        "meter makeup k_factor",
        "pulse says what a pulse is worth already",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'k_factor = "120 gal"'),),
        "meter makeup k_factor",
        'wants pulses per volume, like "120 pulses/gal"; found "120 gal"',
    ),
    (METERED, (('pulse = "100 L"', 'k_factor = "120 /gl"'),), "meter makeup k_factor", 'found "120 /gl"'),
    (METERED, (('pulse = "100 L"', 'k_factor = "0 /gal"'),), "meter makeup k_factor", "wants more than 0"),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\nminimum_flow = "21 m3/h"'),),
        "meter makeup minimum_flow",
        "wants less than max_rate (88.06 gpm); found 92.46 gpm",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\ntemperature = "-4 °C"'),),
        "meter makeup temperature",
        "wants 0 to 370 °C, where water is liquid; found -4 °C",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\nchanges = [{ from = "2026-11-20" }]'),),
        "meter makeup changes 1",
        "changes nothing; wants pulse, k_factor, divider or dial",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\nchanges = [{ from = "2026-11-20Z", pulse = "10 L" }]'),),
        "meter makeup changes 1 from",
        "wants a date, or a date and time of the plant's own clock",
    ),
    (
        METERED,
        (('pulse = "100 L"', 'pulse = "100 L"\nchanges = [{ from = "2026-11-20T14:00:00Z", pulse = "10 L" }]'),),
        "meter makeup changes 1 from",
        'found "2026-11-20T14:00:00Z"',
    ),
    (
        METERED,
        (
            (
                'pulse = "100 L"',
                'pulse = "100 L"\nchanges = [{ from = 2026-11-20T14:00:00, pulse = "10 L" }, '
                "{ from = 2026-11-20, divider = 2 }]",
            ),
        ),
        "meter makeup changes 2 from",
        'wants a time after that of the change before it, "2026-11-20T14:00:00"',
    ),
    (
        METERED,
        (('duty = "lead"', 'duty = "lead"\nhand_blow = "13 h"'),),
        "boiler B1 hand_blow",
        "wants 12 h at most; found 13 h",
    ),
    (
        METERED,
        (("[[person]]", "[alarms.low_water]\ncount = 3\n[[person]]"),),
        "alarms.low_water.count",
        "says nothing of low_water; it belongs to short_cycling",
    ),
    (
        METERED,
        (("[[person]]", "[alarms.short_cycling]\nwithin = '36 h'\n[[person]]"),),
        "alarms.short_cycling.within",
        "wants a day at most; found 36 h",
    ),
    (
        METERED,
        (("[[person]]", "[alarms.conductivity_hgh]\non_delay = '1 s'\n[[person]]"),),
        "alarms.conductivity_hgh",
        "did you mean `conductivity_high`?",
    ),
    (
        METERED,
        (("[[person]]", "[alarms.low_water]\nenabled = false\n[[person]]"),),
        "alarms.low_water.enabled",
        "cannot be switched off",
    ),
    (
        METERED,
        (("[mail]", '[[person]]\nname = "x"\nmail = "OnCall@quillmarsh.example"\n[mail]'),),
        "person x mail",
        "written for another person too",
    ),
    (METERED, (('sender = "boilers@', 'sender = "boilers'),), "mail.sender", "wants a mail address"),
    (METERED, (("port = 587", 'user = "u"'),), "mail.user", "wants a password_file"),
    (METERED, (("port = 587", 'token_file = "t"'),), "mail.token_file", "wants a user"),
    (
        METERED,
        (("port = 587", 'user = "u"\ntoken_file = "t"\npassword_file = "p"'),),
        "mail.token_file",
        "wants one of the two",
    ),
    (
        METERED,
        (('duty = "lead"', 'cutoff_test = [ { window = "25:00..06:00" } ]'),),
        "boiler B1 cutoff_test 1 window",
        'found "25:00"',
    ),
    (METERED, (('"120 psig"', '"5 psia"'),), "boiler B1 pressure", "wants a working pressure of 0 to 220 barg"),
]


TANK = """
[[tank]]
name = "salt"
volume = "100 gal"
level = { channel = "io.b1_cond", range = "4..20 mA = 0..40 in" }
shape = { form = "upright", height = "40 in" }
serves = ["B1"]
"""
TANKED = METERED + TANK
HAS = 'shape = { form = "upright", height = "40 in" }'

ERRORS += [
    (
        TANKED,
        ((HAS, 'shape = { form = "horizontal" }'),),
        "tank salt shape",
        "a level in in wants the diameter",
    ),
    (TANKED, ((HAS, 'shape = { form = "upright" }'),), "tank salt shape", "a level in in wants the height"),
    (
        TANKED,
        ((HAS, 'shape = { form = "upright", height = "40 in", diameter = "20 in" }'),),
        "tank salt shape.diameter",
        "says nothing of a tank whose form is upright",
    ),
    (TANKED, ((HAS, 'shape = { form = "round" }'),), "tank salt shape.form", "wants one of upright, horizontal, table"),
    (TANKED, (("0..40 in", "0..100 gal"),), "tank salt shape", "says nothing beside a level in gal"),
    (
        TANKED,
        ((HAS, 'shape = { form = "table", table = ["0 in = 0 gal"] }'),),
        "tank salt shape.table",
        "wants two lines at least",
    ),
    (
        TANKED,
        ((HAS, 'shape = { form = "table", table = ["0 in = 0 gal", "40 % = 55 gal"] }'),),
        "tank salt shape.table 2",
        "wants its level in % or as a length",
    ),
    (
        TANKED,
        ((HAS, 'shape = { form = "table", table = ["10 in = 5 gal", "8 in = 6 gal"] }'),),
        "tank salt shape.table 2",
        "wants a level above that of the line before it",
    ),
    (
        TANKED,
        ((HAS, 'shape = { form = "table", table = ["0 in = 5 gal", "8 in = 130 gal"] }'),),
        "tank salt shape.table 2",
        "130 US gal is more than the tank's volume, 100 US gal",
    ),
    (
        TANKED,
        ((HAS, 'shape = { form = "table", table = ["0 in"] }'),),
        "tank salt shape.table 1",
        'wants level = volume, the level a length or %, like "10 in = 5 gal"; found "0 in"',
    ),
]


@pytest.mark.parametrize(("base", "changes", "key", "said"), ERRORS, ids=[f"{e[2]}-{e[3]}"[:70] for e in ERRORS])
def test_an_error_at_its_line(base: str, changes: tuple[tuple[str, str], ...], key: str, said: str) -> None:
    text, found = changed(base, *changes)
    (error,) = (f for f in found if f.key == key)
    assert error.level == "error"
    assert said in error.text
    written = text.splitlines()[error.line - 1]
    leaf = key.split(".")[-1].split()[-1]
    table = leaf.rstrip("0123456789") in ("panel", "host", "device", "b1_cond", "") or leaf in written
    assert table, f"{key} is not on line {error.line}: {written}"
