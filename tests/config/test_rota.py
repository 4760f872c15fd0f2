"""Who is told and when, as a plant file writes it: what is wrong is named with its line."""

from __future__ import annotations

import pytest

from config.load import loads
from tests.support.feed import HEAD
from tests.support.findings import findings

PEOPLE = """
[[person]]
name = "Ana"
mail = "ana@quillmarsh.example"
text_address = "5550100@text.quillmarsh.example"
[[person]]
name = "Ben"
mail = "ben@quillmarsh.example"
daily = false
"""
WEEK = '[[rota.turn]]\nperson = "Ana"\n'


def said(more: str) -> list[str]:
    keys = ("rota", "tell", "sign", "person")
    return [f"{f.level} {f.key}: {f.text}" for f in findings(HEAD + PEOPLE + more) if f.key.startswith(keys)]


def test_a_rota_reads_as_it_is_written() -> None:
    turn = '[[rota.turn]]\nperson = "Ben"\ndays = ["Sat", "Sun"]\nhours = "18:00..06:00"\n'
    turn += 'from = 2026-11-02\nweek = "1 of 2"\n'
    plant = loads(HEAD + PEOPLE + WEEK + turn + '[tell]\ndaily = "07:00"\nquiet = { low = "22:00..06:00" }\n').plant
    assert plant.rota is not None
    assert [t.person for t in plant.rota.turns] == ["Ana", "Ben"]
    assert plant.rota.turns[1].week == "1 of 2"
    assert plant.rota.turns[1].begin == "2026-11-02"
    assert plant.tell.quiet.low == "22:00..06:00"
    assert plant.tell.reminders == (3600, 7200, 14400, 28800)
    assert plant.persons[0].text_address == "5550100@text.quillmarsh.example"
    assert not plant.persons[1].daily


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        ('[[rota.turn]]\nperson = "Cleo"\n', 'there is no [[person]] called "Cleo"; found Ana, Ben'),
        (WEEK + 'hours = "22:00..25:00"\n', 'wants times from 00:00 to 23:59; found "25:00"'),
        (WEEK + 'hours = "06:00..06:00"\n', "wants two different times"),
        (WEEK + 'week = "4 of 3"\nfrom = 2026-11-02\n', 'like "1 of 3"; found "4 of 3"'),
        (WEEK + 'week = "1 of 3"\n', "week wants from beside it"),
        (WEEK + "from = 2026-11-09\nuntil = 2026-11-02\n", "wants until not before from"),
        ("[rota]\n", "wants a calendar or [[rota.turn]]"),
        ('[tell]\nquiet = { high = "22:00..06:00" }\n', "high: alarms of this priority are told at any hour"),
        ('[tell]\nquiet = { low = "22:00..24:00" }\n', 'found "24:00"'),
        ('[tell]\ndaily = "Mon 07:00"\n', "wants a time of each day"),
        ('[sign_of_life]\nevery = "1 h"\n', "wants url or mail"),
        ('[sign_of_life]\nurl = "ftp://x"\n', "wants an address like"),
        (PEOPLE.replace("ana@", "ana2@").split("[[person]]\nname = \"Ben")[0], "Ana is written for another person too"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(more: str, wanted: str) -> None:
    assert [t for t in said(more) if wanted in t], said(more)


def test_hours_that_nobody_covers_are_told() -> None:
    found = said('[[rota.turn]]\nperson = "Ana"\nhours = "06:00..18:00"\n')
    text = "nobody is on duty for 84 h of the week, first at Mon 00:00: everybody is told then"
    assert found == [f"warning rota: {text}"]
    night = '[[rota.turn]]\nperson = "Ben"\nhours = "18:00..06:00"\n'
    assert said('[[rota.turn]]\nperson = "Ana"\nhours = "06:00..18:00"\n' + night) == []


def test_a_calendar_beside_turns_is_told() -> None:
    assert "whoever either names is on duty" in said('[rota]\ncalendar = "oncall.ics"\n' + WEEK)[0]
