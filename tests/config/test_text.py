"""Text instruments in a plant file: what they want, what they do not take, each error at its line."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import PlantFileError, loads
from config.model import Plant
from config.pattern_cost import MOST, steps
from config.text import EXAMPLE, compiled
from daemon.store.packing import Layout
from tests.support.findings import findings
from tests.support.plants import HEAD

BENCH = (
    HEAD
    + r"""[[link]]
name = "bench"
kind = "text"
device = "/dev/serial/by-id/meter"
baud = 9600
parity = "none"
[[module]]
name = "meter"
link = "bench"
every = "5 s"
pattern = 'COND=(?P<cond>[-+0-9.]+)\s*uS\s+T=(?P<temp>[-+0-9.]+)\s*C'
prompt = "R\r"
ends = "\r\n"
checksum = "xor8"
[module.channels]
cond = { field = "cond" }
temp = { field = "temp" }
[[analogue]]
name = "condensate"
channel = "meter.cond"
range = "0..200 uS/cm"
high = 50.0
[[analogue]]
name = "condensate_temp"
channel = "meter.temp"
range = "0..120 °C"
[[person]]
name = "On call"
mail = "oncall@quillmarsh.example"
"""
)


def with_(*changes: tuple[str, str]) -> str:
    text = BENCH
    for old, put in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, put, 1)
    return text


def test_a_text_instrument_is_read_as_written() -> None:
    plant = loads(BENCH).plant
    (m,) = plant.modules
    assert (m.prompt, m.ends, m.checksum, m.longest, m.decimal) == ("R\r", "\r\n", "xor8", 256, ".")
    assert [(c.field, c.type) for c in m.channels.values()] == [("cond", "f64"), ("temp", "f64")]
    a, b = (x.range for x in plant.analogues)
    assert (a.direct, a.low, a.high, a.unit, a.kind) == (True, 0.0, 200.0, "uS/cm", "conductivity")
    assert (b.direct, b.low, b.high, b.kind) == (True, 0.0, 120.0, "temperature")
    assert Plant.model_validate(plant.model_dump(by_alias=True)) == plant


def test_the_range_is_turned_into_base_units_number_by_number() -> None:
    r = loads(with_(("0..120 °C", "32..212 °F"))).plant.analogues[1].range
    assert (r.low_ma, r.high_ma) == (32.0, 212.0)
    assert (r.low, r.high) == pytest.approx((0.0, 100.0))


def test_nothing_is_said_against_it_but_what_holds_for_any_plant() -> None:
    assert {f.key for f in findings(BENCH)} == {"boiler", "mail", "analogue condensate_temp"}


def test_without_a_checksum_that_is_said() -> None:
    (found,) = (f for f in findings(with_(('checksum = "xor8"\n', ""))) if f.key == "module meter")
    assert (found.level, found.text[:11]) == ("note", "no checksum")


ERRORS = [
    ("device =", 'host = "192.0.2.9" #', "link bench baud", "a text link has no baud"),
    ('device = "/dev/serial/by-id/meter"', "", "link bench device", "missing; a text link wants device"),
    ("pattern =", "# =", "module meter pattern", "missing; a text instrument wants a pattern"),
    (r"(?P<cond>[-+0-9.]+)", "(?P<cond>[-+0-9.]+", "module meter pattern", "missing ), unterminated subpattern, at"),
    (r"'COND=(?P<cond>[-+0-9.]+)\s*uS\s+T=(?P<temp>[-+0-9.]+)\s*C'", "'x(.*)'", "module meter pattern", "named field"),
    ("[-+0-9.]+)\\s*uS", "([0-9]+)+)\\s*uS", "module meter pattern", "wants no repeated group"),
    (r"\s*uS\s+", ".*.+.*.*", "module meter pattern", "wants at most 3 of .* and .+"),
    (r'"R\r"', '""', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', r'"\r"', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', r'"R\rR"', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', r'"R\u0007"', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', '"Ä"', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', '"12345678901234567"', "module meter prompt", "wants 1 to 16 plain characters"),
    (r'"R\r"', r'":0106\r"', "module meter prompt", "may not begin with a colon"),
    (r'"\r\n"', '";"', "module meter ends", 'wants "\\r\\n", "\\r" or "\\n"'),
    ('"xor8"', '"crc"', "module meter checksum", "wants one of none, xor8, sum8"),
    ('every = "5 s"', 'every = "5 s"\nlongest = 4096', "module meter longest", "wants 8 to 512"),
    ('every = "5 s"', 'every = "5 s"\ndecimal = ";"', "module meter decimal", "wants one of ., ,"),
    ('every = "5 s"', 'every = "5 s"\nunit = 2', "module meter unit", "a text instrument has no unit"),
    ('every = "5 s"', 'every = "5 s"\ngap = 2', "module meter gap", "a text instrument has no gap"),
    (
        '{ field = "cond" }',
        '{ field = "con" }',
        "module meter channels.cond.field",
        'no field "con"; it has cond, temp',
    ),
    ('{ field = "cond" }', '{ field = "c d" }', "module meter channels.cond.field", "the name of a field"),
    ('{ field = "cond" }', '{ field = "cond", address = 1 }', "module meter channels.cond", "found address"),
    (
        '{ field = "cond" }',
        '{ function = "input", address = 1, type = "f32" }',
        "module meter channels.cond",
        "wants a field of the pattern",
    ),
    ("0..200 uS/cm", "4..20 mA = 0..200 uS/cm", "analogue condensate range", "wants the range alone"),
    ('"0..200 uS/cm"', '"200 uS/cm"', "analogue condensate range", "wants current = value"),
]


@pytest.mark.parametrize(("old", "put", "key", "said"), ERRORS, ids=[f"{e[2]}-{e[3]}"[:70] for e in ERRORS])
def test_an_error_at_its_line(old: str, put: str, key: str, said: str) -> None:
    text = with_((old, put))
    with pytest.raises(PlantFileError) as caught:
        loads(text, "p.toml")
    found = {f.key: f for f in caught.value.findings}
    assert key in found, caught.value
    assert said in found[key].text
    line = text.splitlines()[found[key].line - 1]
    leaf = re.split(r"[ .]", key)[-1]
    assert leaf in line or "missing" in found[key].text, line
    if not key.startswith("link"):
        assert len(found) == 1, caught.value  # one slip makes one error


def test_a_serial_server_wants_its_port() -> None:
    changes = [('device = "/dev/serial/by-id/meter"', 'host = "192.0.2.9"'), ("baud = 9600\n", "")]
    text = with_(*changes, ('parity = "none"\n', ""))
    assert [f.key for f in findings(text) if f.level == "error"] == ["link bench port"]
    loads(text.replace('"192.0.2.9"', '"192.0.2.9"\nport = 4001'))


MODBUS = '[[link]]\nname = "panel"\nkind = "modbus-tcp"\nhost = "192.0.2.9"\n[[module]]\nname = "ai"\nlink = "panel"\n'


@pytest.mark.parametrize(
    ("more", "key", "said"),
    [
        ("pattern = 'x(?P<a>.)'\n[module.channels]\na = {}\n", "module ai pattern", "only a module on a text link"),
        ('[module.channels]\na = { field = "a" }\n', "module ai channels.a.field", "only a module on a text link"),
        (
            '[module.channels]\na = { function = "input", address = 0, type = "f32" }\n'
            '[[analogue]]\nname = "x"\nchannel = "ai.a"\nrange = "0..10 °C"\n',
            "analogue x range",
            'wants current = value, like "4..20 mA = 0..10 °C"',
        ),
    ],
)
def test_other_links_have_nothing_of_it(more: str, key: str, said: str) -> None:
    more = more.replace("a = {}", 'a = { function = "input", address = 0 }')
    (found,) = (f for f in findings(BENCH + MODBUS + more) if f.key == key)
    assert (found.level, said in found.text) == ("error", True)


SECOND = '[[module]]\nname = "other"\nlink = "bench"\npattern = \'(?P<a>.*)\'\nchannels = { a = { field = "a" } }\n'


def test_two_that_print_by_themselves_do_not_share_a_link() -> None:
    errors = [f for f in findings(BENCH + SECOND) if f.level == "error"]
    assert [(f.key, "prints by itself" in f.text) for f in errors] == [("module other link", True)]
    loads(BENCH + SECOND + 'prompt = "O\\r"\n')
    slipped = [f for f in findings(BENCH + SECOND + 'prompt = ""\n') if f.level == "error"]
    assert [f.key for f in slipped] == ["module other prompt"]  # not also that it prints by itself


def test_meters_and_contacts_are_no_fields() -> None:
    text = BENCH + (
        '[[meter]]\nname = "m"\nchannel = "meter.temp"\nmeasures = "other"\npulse = "1 m3"\nmax_rate = "1 m3/h"\n'
        'serves = []\n[[chemical]]\nname = "c"\npump = "meter.temp"\nserves = []\n'
    )
    errors = {f.key: f.text for f in findings(text) if f.level == "error"}
    assert errors.keys() == {"meter m channel", "chemical c pump"}
    assert all("a number that an instrument prints" in said for said in errors.values())


def test_an_instrument_is_a_module_type_too() -> None:
    own = BENCH.index("pattern =")
    body, rest = BENCH[own : BENCH.index("[[analogue]]")], BENCH[BENCH.index("[[analogue]]") :]
    kind = '[[module_type]]\nname = "bench_meter"\n' + body.replace("[module.", "[module_type.")
    typed = BENCH[:own] + 'type = "bench_meter"\n' + kind + rest
    plant = loads(typed).plant
    assert plant.modules[0].pattern == loads(BENCH).plant.modules[0].pattern
    assert plant.modules[0].channels == loads(BENCH).plant.modules[0].channels


def test_the_layout_of_a_stored_text_is_that_of_its_plant() -> None:
    ours, theirs = Layout.of(loads(BENCH).plant), Layout.of_text(BENCH)
    from daemon.core.scan import Scan

    scans = (Scan(0, (151.25, -0.1), (0, 0)),)
    assert theirs.unpack(ours.pack(scans, ((0, 0),)))[0] == scans


@pytest.mark.parametrize(
    "pattern",
    [EXAMPLE, r"(?P<a>\d+)?", r"\(\)+(?P<a>x)", r"[)]+(?P<a>x)", r"[])]+[^])]*(?P<a>x)", r"(?P<a>.*),(?P<b>.*),.*"],
)
def test_patterns_that_may_stand(pattern: str) -> None:
    assert compiled(pattern).groupindex


@pytest.mark.parametrize(
    "pattern", [r"((?P<a>x)+)+", r"(?P<a>x|x)*", r"(?P<a>(\)x))+", r"(?P<a>x){2}", r"[\])](?P<a>x)+"]
)
def test_patterns_that_noise_could_keep_busy(pattern: str) -> None:
    with pytest.raises(ValueError, match="repeated group"):
        compiled(pattern)


@given(st.text(max_size=60))
def test_any_pattern_is_a_pattern_or_a_sentence(text: str) -> None:
    try:
        assert compiled(text).groupindex
    except ValueError as e:
        assert str(e)


def test_the_worst_that_may_stand_ends() -> None:
    """No time is measured: it has to come to an end at all."""
    worst = compiled(r"(?P<a>.*)a(?P<b>.*)a(?P<c>.*)ab")
    assert worst.fullmatch("a" * 512) is None


@pytest.mark.parametrize(
    "pattern",
    [
        EXAMPLE,
        r"(?P<t>\d\d:\d\d) +(?P<c>-?\d{1,5}(?:\.\d*)?) *(?:uS|mS)/cm",
        r".*(?P<cond>\d+\.\d+).*uS",
        r"(?:COND=)?(?P<cond>[0-9.]+).*",
        r".*(?P<cond>\d+\.\d+).*(?P<t>\d+).*",
        r"\$WIMTW,(?P<temp>[-+0-9.]*),C",
        r"(?P<a>\x41[]x]{2}[^]]\]?)(?:,|;)(?P<b>\S+)",
    ],
)
def test_what_a_person_would_write_takes_no_time(pattern: str) -> None:
    assert steps(pattern) < MOST
    compiled(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        r"\d+" * 6 + "(?P<x>x)",
        r"(?P<a>[0-9.]+)[0-9]*[0-9]*\d*\d*x",
        "a?" * 40 + "a" * 40 + "(?P<x>x)",
        r"\d{0,99}" * 5 + "(?P<x>x)",
        "(?:a|a)" * 40 + "(?P<x>x)",
        "(?:ab?|a)?" * 40 + "(?P<x>x)",
        r"(?:\w+|\d+)(?:\w+|\d+)(?:\w+|\d+)(?P<x>!)",
        r"(?P<x>[-+ 0-9]+)\s*,\s*(?P<y>[-+ 0-9]+)\s*;",
    ],
)
def test_repeats_that_take_each_others_characters_are_refused(pattern: str) -> None:
    with pytest.raises(ValueError, match="steps; wants"):
        compiled(pattern)


@pytest.mark.parametrize("more", [r"(?=\d)", "(?P=x)", r"\1", "(?i:a)", "(?>a)", r"(?<!\d)"])
def test_what_is_not_reckoned_with_is_refused(more: str) -> None:
    with pytest.raises(
        ValueError, match=r"wants (only .* of the groups with a question mark|no reference).* character 9"
    ):
        compiled(f"(?P<x>a){more}")


PIECES = st.sampled_from(
    ["a", "b", "[ab]", "a?", "a*", "b*", "[ab]*", "a+", "(?:a|b)", "(?:a|ab)", "(?:ab)?", "a{0,2}"]
)


@given(st.lists(PIECES, min_size=1, max_size=7), st.text("ab", max_size=9))
def test_no_search_takes_more_steps_than_are_said(pieces: list[str], text: str) -> None:
    """Beside a searcher that tries all ways, one character at a time, and counts."""
    pattern = "".join(pieces) + "!"
    tried = 0

    def search(rest: list[str], at: int) -> None:
        nonlocal tried
        tried += 1
        if rest:
            one = re.compile(rest[0])
            for end in range(len(text), at - 1, -1):
                if one.fullmatch(text, at, end):
                    search(rest[1:], end)

    search(pieces, 0)
    assert tried <= (len(pieces) + 1) * steps(pattern, len(text))
