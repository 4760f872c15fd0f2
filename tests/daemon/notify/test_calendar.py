"""Calendars as other programs export them, read in the process that the service starts for it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from config.load import load
from config.model import Plant
from daemon.app.rota_check import calendar_findings
from daemon.notify.calendar import CalendarError, read_calendar
from daemon.notify.calendar_file import CalendarFile, CalendarRead
from daemon.notify.roster import roster
from tests.support.feed import HEAD
from tests.support.shift import ANA, BEN, ZONE, at, site

PEOPLE = {"Ana": "ana@quillmarsh.example", "Ben": "ben@quillmarsh.example", "Cleo": "cleo@quillmarsh.example"}

CHICAGO = """BEGIN:VTIMEZONE
TZID:America/Chicago
BEGIN:DAYLIGHT
TZOFFSETFROM:-0600
TZOFFSETTO:-0500
TZNAME:CDT
DTSTART:20070311T020000
RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU
END:DAYLIGHT
BEGIN:STANDARD
TZOFFSETFROM:-0500
TZOFFSETTO:-0600
TZNAME:CST
DTSTART:20071104T020000
RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU
END:STANDARD
END:VTIMEZONE
"""
WEEKLY = """BEGIN:VEVENT
UID:nights@quillmarsh.example
DTSTAMP:20260901T120000Z
SUMMARY:On call: Ana
DTSTART;TZID=America/Chicago:20261005T180000
DTEND;TZID=America/Chicago:20261006T060000
RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR
EXDATE;TZID=America/Chicago:20261103T180000
END:VEVENT
BEGIN:VEVENT
UID:nights@quillmarsh.example
DTSTAMP:20260901T120000Z
RECURRENCE-ID;TZID=America/Chicago:20261104T180000
SUMMARY:On call: Ben (swapped)
DTSTART;TZID=America/Chicago:20261104T200000
DTEND;TZID=America/Chicago:20261105T060000
END:VEVENT
"""
ATTENDED = """BEGIN:VEVENT
UID:week@quillmarsh.example
DTSTAMP:20260901T120000Z
SUMMARY:Boiler house
ORGANIZER:mailto:chief@quillmarsh.example
ATTENDEE;CN=Ben B;PARTSTAT=ACCEPTED:MAILTO:Ben@quillmarsh.example
ATTENDEE;CN=Somebody:mailto:other@quillmarsh.example
DTSTART;VALUE=DATE:20261102
DTEND;VALUE=DATE:20261109
END:VEVENT
"""


def calendar(*parts: str, zone: str = CHICAGO) -> str:
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Quillmarsh//Rota//EN\n{zone}{''.join(parts)}END:VCALENDAR\n"
    return text.replace("\n", "\r\n")


def spans(text: str, begin: str, end: str) -> list[tuple[str, str, str]]:
    from datetime import datetime

    found = read_calendar(text, PEOPLE, ZONE, at(begin), at(end)).spans
    show = [
        datetime.fromtimestamp(t / 1000, ZONE).strftime("%a %d %H:%M") for s in found for t in (s.begin_ms, s.end_ms)
    ]
    return [(show[2 * k], show[2 * k + 1], s.person) for k, s in enumerate(found)]


def test_a_weekly_duty_with_a_day_left_out_and_a_night_that_was_swapped() -> None:
    assert spans(calendar(WEEKLY), "2026-11-02 07:00", "2026-11-06 07:00") == [
        ("Mon 02 18:00", "Tue 03 06:00", ANA),
        ("Wed 04 20:00", "Thu 05 06:00", BEN),
        ("Thu 05 18:00", "Fri 06 06:00", ANA),
    ]


def test_the_hours_stay_those_of_the_clock_when_it_is_changed() -> None:
    assert spans(calendar(WEEKLY), "2026-10-30 07:00", "2026-11-03 07:00") == [
        ("Fri 30 18:00", "Sat 31 06:00", ANA),
        ("Mon 02 18:00", "Tue 03 06:00", ANA),
    ]


def test_days_without_hours_are_the_plants_days_and_persons_are_known_by_their_address() -> None:
    assert spans(calendar(ATTENDED, zone=""), "2026-11-04 07:00", "2026-11-05 07:00") == [
        ("Mon 02 00:00", "Mon 09 00:00", BEN)
    ]


def test_times_without_a_zone_are_the_plants_and_utc_is_utc() -> None:
    floating = "BEGIN:VEVENT\nUID:1\nSUMMARY:ana\nDTSTART:20261103T080000\nDURATION:PT4H\nEND:VEVENT\n"
    utc = "BEGIN:VEVENT\nUID:2\nSUMMARY:Ben\nDTSTART:20261103T200000Z\nDTEND:20261103T220000Z\nEND:VEVENT\n"
    assert spans(calendar(floating, utc, zone=""), "2026-11-03 00:00", "2026-11-04 00:00") == [
        ("Tue 03 08:00", "Tue 03 12:00", ANA),
        ("Tue 03 14:00", "Tue 03 16:00", BEN),
    ]


def test_a_name_must_stand_as_a_whole_word_and_strangers_are_named() -> None:
    event = "BEGIN:VEVENT\nUID:3\nSUMMARY:Anabel\nDTSTART:20261103T080000\nDURATION:PT4H\nEND:VEVENT\n"
    cancelled = event.replace("Anabel", "Ben").replace("END:V", "STATUS:CANCELLED\nEND:V").replace("UID:3", "UID:4")
    found = read_calendar(calendar(event, cancelled), PEOPLE, ZONE, at("2026-11-03 00:00"), at("2026-11-04 00:00"))
    assert (found.spans, found.strangers) == ((), ("Anabel",))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no BEGIN:VCALENDAR"),
        ("<html>sign in</html>", "no BEGIN:VCALENDAR"),
        (calendar(WEEKLY)[:-40], "it is not whole"),
        (calendar(WEEKLY.replace("20261005T180000", "2026-10-05")), "it cannot be read"),
        (calendar(WEEKLY.replace("FREQ=WEEKLY", "FREQ=SOMETIMES")), "it cannot be read"),
    ],
)
def test_what_is_no_calendar_is_said_to_be_none(text: str, why: str) -> None:
    with pytest.raises(CalendarError, match=why):
        read_calendar(text, PEOPLE, ZONE, at("2026-11-03 00:00"), at("2026-11-04 00:00"))


PLANT = site('[rota]\ncalendar = "oncall.ics"\nstale_after = "400 d"\n')
NOON = at("2026-11-05 22:00")


async def read(file: CalendarFile, plant: Plant = PLANT, good: str = "", now: int = NOON) -> CalendarRead:
    assert plant.rota is not None
    return await file.spans(plant, plant.rota, good, now)


def on_duty(found: CalendarRead, now: int = NOON) -> list[str]:
    return [p.name for p in roster(PLANT, now, found.spans).on_duty(now)]


async def test_a_calendar_that_breaks_leaves_the_last_good_one_in_use_and_says_so(tmp_path: Path) -> None:
    path, file = tmp_path / "oncall.ics", CalendarFile(str(tmp_path))
    gone = await read(file)
    assert f"The on-call calendar {path} cannot be used: it cannot be read: No such file" in gone.trouble
    assert "No earlier one is known" in gone.trouble
    path.write_bytes(calendar(WEEKLY).encode())
    good = await read(file)
    assert (on_duty(good), good.trouble) == ([ANA], "")
    assert good.text is not None
    path.write_text("half a", "utf-8")
    broken = await read(file, good=good.text)
    assert on_duty(broken) == [ANA]
    assert "cannot be used: it is no iCalendar file" in broken.trouble
    assert broken.trouble.endswith("The last good one is used.")
    path.write_bytes(b"\xff\xfe\x00")
    assert "it is not UTF-8 text: byte 1" in (await read(file, good=good.text)).trouble
    path.unlink()
    assert on_duty(await read(CalendarFile(str(tmp_path)), good=good.text)) == [ANA]  # after a restart too


async def test_a_calendar_that_was_not_exported_for_long_or_has_run_out_is_told(tmp_path: Path) -> None:
    path, file = tmp_path / "oncall.ics", CalendarFile(str(tmp_path))
    path.write_bytes(calendar(ATTENDED).encode())
    os.utime(path, (NOON / 1000, NOON / 1000))
    later = NOON + 30 * 86_400_000
    assert "names nobody from now on" in (await read(file, now=later)).trouble
    much_later = NOON + 401 * 86_400_000
    assert "was last written on 2026-11-05" in (await read(file, now=much_later)).trouble


def test_the_service_loads_no_calendar_library() -> None:
    code = (
        "import sys, daemon.app.service, daemon.notify.dealer\n"
        "print([m for m in sys.modules if m.split('.')[0] in ('icalendar', 'recurring_ical_events', 'dateutil')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_check_says_what_is_wrong_with_the_calendar(tmp_path: Path) -> None:
    plant = tmp_path / "plant.toml"
    people = "".join(f'[[person]]\nname = "{n}"\nmail = "{m}"\n' for n, m in PEOPLE.items())
    plant.write_text(HEAD + people + '[rota]\ncalendar = "oncall.ics"\n', "utf-8")
    assert "oncall.ics cannot be read: No such file" in calendar_findings(load(plant))[0].text
    (tmp_path / "oncall.ics").write_text("nothing", "utf-8")
    found = calendar_findings(load(plant))[0]
    assert (found.level, found.key) == ("warning", "rota.calendar")
    assert "there is no BEGIN:VCALENDAR in it" in found.text
    (tmp_path / "oncall.ics").write_text(calendar(WEEKLY.replace("Ana", "Zoe")), "utf-8")
    assert 'name nobody of the plant file: "On call: Zoe"' in calendar_findings(load(plant))[0].text
    daily = WEEKLY.replace("FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", "FREQ=DAILY").replace("Ben (swapped)", "Cleo")
    (tmp_path / "oncall.ics").write_text(calendar(daily), "utf-8")
    assert calendar_findings(load(plant)) == []
