"""What `check` says is not judged is what the engine does not judge, over many ways of wiring a plant."""

from __future__ import annotations

from itertools import product

import pytest

from config.check import check
from config.judged import JUDGED_HERE, not_judged
from config.load import loads
from daemon.engine.alarm_list import alarms_of
from daemon.measure.wiring import wire
from tests.support.feed import HEAD, boiler
from tests.support.recordings import creamery

METER = """[[meter]]
name = "blowdown"
channel = "m.pulses"
measures = "blowdown"
pulse = "10 L"
max_rate = "20 m3/h"
serves = ["B1"]
"""
WATER = '[[analogue]]\nname = "feedwater"\nchannel = "m.temp"\nrange = "4..20 mA = 0..2000 uS/cm"\n'
VALVES = (
    "",
    'command = "m.blow"',
    'open_switch = "m.opened", shut_switch = "m.shut"',
    'command = "m.blow", shut_switch = "m.shut"',
    'kind = "modulating", position = { channel = "m.temp", range = "4..20 mA = 0..100 %" }',
)
MORE = (
    "",
    'water = "8 t"\nsteam_max = "5 t/h"\n',
    'water = "8 t"\n',
    'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n',
    'controller_hand = { contact = "m.high", closed_means = "hand" }\n',
    'burner = { contact = "m.high", closed_means = "firing" }\n',
    'feedwater_conductivity = "feedwater"\n',
    'feedwater_conductivity = "400 uS/cm"\n',
)
INTERLOCKS = ("", 'contact = "m.limit", closed_means = "running"')


def together(text: str) -> None:
    """Each kind is judged of a boiler, or listed as not judged with what it wants, never both and never neither."""
    p = loads(text).plant
    alarms = {(a.target, a.kind) for a in alarms_of(p, wire(p))}
    blind = {(x.target, x.kind): x.wants for x in not_judged(p)}
    assert all(blind.values())
    for b in p.boilers:
        shared = [m.name for m in p.meters if b.name in m.serves]
        if isinstance(b.feedwater_conductivity, str):
            shared.append(b.feedwater_conductivity)
        for kind in JUDGED_HERE:
            judged = any((target, kind) in alarms for target in (b.name, *shared))
            known = b.interlock or b.burner or b.steam_pressure
            if kind == "blowdown_while_off" and not known:
                continue  # it is asked, and a boiler that is never known to be off never raises it
            assert judged is ((b.name, kind) not in blind), (b.name, kind, text)


@pytest.mark.parametrize("arrangement", ["continuous", "timed", "hold", "side-stream", "none"])
@pytest.mark.parametrize("signal", ["live", "held"])
def test_every_kind_is_judged_or_said_not_to_be(arrangement: str, signal: str) -> None:
    for valve, more, interlock, meter in product(VALVES, MORE, INTERLOCKS, ("", METER)):
        own = boiler(arrangement, signal=signal, valve=valve, interlock=interlock, more=more)
        together(HEAD + own + meter + WATER)


def test_of_the_creamery_and_of_boilers_that_share_a_line_too() -> None:
    together(creamery().text)
    together(creamery().text.replace('longest = "60 min"', 'longest = "60 min", line = "L"'))
    one = boiler("timed", valve='command = "m.blow", line = "L"', more=MORE[3])
    other = one.replace('"B1"', '"B2"').replace("m.blow", "m.opened").replace("m.cond", "m.temp")
    together(HEAD + one + other)
    for every in ("5 min", "10 min", "2 h"):
        together(HEAD + boiler("timed", sample=f'flush = "20 s", every = "{every}"', more=MORE[3]))
    together(HEAD + one.replace(', line = "L"', "") + other.replace("m.temp", "m.cond", 1))


def test_a_boiler_without_a_probe() -> None:
    text = HEAD + "".join(
        x for x in boiler("none").splitlines(keepends=True) if not x.startswith(("conduct", "sample"))
    )
    together(text)


def test_check_says_it_in_one_note_a_boiler_with_what_is_wanted() -> None:
    text = HEAD + boiler("timed", signal="held", valve='command = "m.blow"', interlock="")
    (told,) = (f for f in check(loads(text)) if "not judged with what is wired" in f.text)
    assert (told.key, told.level) == ("boiler B1", "note")
    assert "probe value stuck, steam at probe, calibration step (wants a live signal)" in told.text
    assert "valve switch disagrees (wants both end switches of the valve)" in told.text
    assert "short cycling (wants burner or interlock)" in told.text
    assert "valve slow" not in told.text
