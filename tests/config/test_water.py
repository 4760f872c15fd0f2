"""What goes in and what is fed: keys of boilers and chemicals, each slip with its line and its words."""

from __future__ import annotations

import pytest

from config.check import check
from config.load import loads
from tests.support.findings import METERED, findings
from tests.support.published import table

SIGNALS = """
[[module]]
name = "more"
link = "panel"
unit = 2
every = "10 s"
[module.channels]
cond = { function = "input", address = 0, span = "0..65535 = 0..20 mA" }
level = { function = "input", address = 1, span = "0..65535 = 0..20 mA" }
pump = { function = "discrete", address = 0 }
"""
REST = """
[[analogue]]
name = "feedwater"
channel = "more.cond"
range = "4..20 mA = 0..500 uS/cm"
high = 400
[[analogue]]
name = "stroke"
channel = "more.level"
range = "4..20 mA = 0..100 %"
high = 99
[[chemical]]
name = "scavenger"
pump = "more.pump"
serves = ["B1"]
"""


def plant(boiler: str = "", chemical: str = "") -> str:
    head, mark, tail = METERED.partition("[[boiler]]")
    text = head + SIGNALS + mark + tail.replace('name = "B1"', f'name = "B1"\n{boiler}', 1) + REST
    return text + chemical


FEEDWATER = 'feedwater_conductivity = "feedwater"'
ERRORS = [
    ('feedwater_conductivity = "feedwatr"', "", 'no analogue "feedwatr"; did you mean `feedwater`'),
    ('feedwater_conductivity = "stroke"', "", "wants an analogue of conductivity; stroke is in %"),
    ('feedwater_conductivity = "300"', "", "wants a unit of conductivity"),
    ('feedwater_conductivity = "0 uS/cm"', "", 'wants more than 0; found "0 uS/cm"'),
    ("feedwater_conductivity = 300", "", 'name of an [[analogue]], or a conductivity like "350 uS/cm"; found 300'),
    (FEEDWATER, 'share = "40 %"', 'belongs to pacing = "after blow" or "share of time"; found no pacing'),
    (
        FEEDWATER,
        'pacing = "schedule"\nlimit = "5 min"',
        'belongs to pacing = "with blow" or "after blow"; found pacing =',
    ),
    (FEEDWATER, 'pacing = "share of time"\nshare = "140 %"\ncycle = "5 min"', "wants 100 % at most; found 140 %"),
    (FEEDWATER, 'pacing = "schedule"\ntimes = ["25:00"]\nrun = "5 min"', 'like "06:00" or "Mon 06:00"; found "25:00"'),
    (FEEDWATER, 'pacing = "schedule"\ntimes = ["Mo 06:00"]\nrun = "5 min"', 'or "Mon 06:00"; found "Mo 06:00"'),
    (FEEDWATER, 'pacing = "with blow"\npaced_by = ["B2"]', 'no boiler "B2"'),
    (FEEDWATER, 'pacing = "makeup"\npaced_by = ["B1"]\nvolume = "1 m3"\nrun = "9 s"', 'no meter "B1"'),
    (FEEDWATER, 'meter = "strokes"', 'no meter "strokes"'),
    (FEEDWATER, 'meter = "makeup"', 'with measures = "other"; makeup measures makeup'),
    (FEEDWATER, 'speed = "feedwater"\nrate = "1 L/h"', "wants an analogue in %; feedwater is in uS/cm"),
    (FEEDWATER, 'speed = "stroke"', "wants the rate at 100 % beside it"),
    (FEEDWATER, 'speed = "strok"\nrate = "1 L/h"', 'no analogue "strok"; did you mean `stroke`'),
]


@pytest.mark.parametrize(("boiler", "chemical", "said"), ERRORS)
def test_slips(boiler: str, chemical: str, said: str) -> None:
    found = [f for f in findings(plant(boiler, chemical)) if f.level == "error"]
    assert len(found) == 1
    assert said in found[0].text
    assert found[0].line > 0


NOTES = [
    ("", "", "note", "no feedwater_conductivity: cycles of concentration of B1 are not reckoned"),
    ('feedwater_conductivity = "300 uS/cm"', "", "note", "a figure and not a measurement, 300 uS/cm"),
    (FEEDWATER, 'pacing = "share of time"\nshare = "40 %"', "note", "without cycle: whether scavenger runs as paced"),
    (FEEDWATER, 'pacing = "makeup"', "note", "without volume and run: whether scavenger runs as paced is not judged"),
    (
        FEEDWATER,
        'pacing = "share of time"\nshare = "40 %"\ncycle = "30 s"',
        "warning",
        "a cycle of 30 s is not seen by polls every 10 s; wants polls of 7.5 s or less",
    ),
]


@pytest.mark.parametrize(("boiler", "chemical", "level", "said"), NOTES)
def test_what_is_assumed_or_cannot_be_seen(boiler: str, chemical: str, level: str, said: str) -> None:
    assert [f.level for f in findings(plant(boiler, chemical)) if said in f.text] == [level]


def test_a_plant_with_all_of_it_is_read_in_base_units() -> None:
    chemical = 'pacing = "schedule"\ntimes = ["06:00", "Thu 18:30"]\nrun = "10 min"\nrate = "2 L/h"\nspeed = "stroke"\n'
    waters = FEEDWATER + '\nmakeup_conductivity = "0.7 mS/cm"\ncondensate_conductivity = "20 umho/cm"\n'
    text = loads(plant(waters, chemical), "p.toml")
    b, c = text.plant.boiler("B1"), text.plant.chemicals[0]
    assert (b.feedwater_conductivity, b.makeup_conductivity, b.condensate_conductivity) == ("feedwater", 700.0, 20.0)
    assert (c.times, c.run, c.speed) == (("06:00", "Thu 18:30"), 600.0, "stroke")
    assert type(text.plant).model_validate(text.plant.model_dump(by_alias=True)) == text.plant
    assert not any(f.level == "error" for f in check(text))


@pytest.mark.parametrize(
    ("valve", "pressure", "level", "said"),
    [
        ('bore = "6 mm"', "120 psig", "note", "worked out from it, as choked flow of saturated water"),
        ('bore = "6 mm", opening_flow = "1 t/h"', "120 psig", "error", "says nothing beside opening_flow"),
        ('bore = "6 mm"', "170 barg", "error", "at most 158 barg; found 170"),
        ('bore = "0 mm"', "120 psig", "error", "wants more than 0"),
    ],
)
def test_the_bore_of_a_blowdown_valve(valve: str, pressure: str, level: str, said: str) -> None:
    text = plant(FEEDWATER).replace("[boiler.blowdown_valve]", "[boiler.blowdown_valve]\n" + valve.replace(", ", "\n"))
    assert text.count("120 psig") == 1
    assert [f.level for f in findings(text.replace("120 psig", pressure)) if said in f.text] == [level]


def test_what_is_metered_together_or_against_nothing_is_said() -> None:
    assert [f.key for f in findings(plant(FEEDWATER)) if "makeup as a share of it is not reckoned" in f.text] == [
        "meter makeup measures"
    ]
    more = """
[[boiler]]
name = "B2"
pressure = "120 psig"
[[meter]]
name = "blowdown"
channel = "io.makeup"
measures = "blowdown"
pulse = "1 L"
max_rate = "5 m3/h"
serves = ["B1", "B2"]
"""
    found = [f for f in findings(plant(FEEDWATER, more)) if f.key == "meter blowdown serves"]
    assert ["blowdown of B1 and B2 is metered together" in f.text for f in found] == [True]


def test_condensate_nobody_watches_is_told_with_the_published_figure() -> None:
    text = plant('condensate_conductivity = "feedwater"\n')
    told = [f for f in findings(text.replace("high = 400\n", "")) if f.key.endswith("condensate_conductivity")]
    assert [f.level for f in told] == ["note"]
    assert f"Above {table('conductivity')['CO-120'].number:g} uS/cm" in told[0].text  # UFC 3-240-13FN, par. 6-3.6
    assert not [f for f in findings(text) if f.key.endswith("condensate_conductivity")]
