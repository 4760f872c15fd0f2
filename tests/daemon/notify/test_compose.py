"""Mails as they are read: words, figures, times, threads, headers; and that every notice makes one."""

from __future__ import annotations

import dataclasses
import re
import textwrap
from email.message import EmailMessage
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Plant, Site
from daemon.alarms.kinds import KINDS
from daemon.core.outcome import Notice
from daemon.notify.compose import compose, wire
from daemon.notify.outbox import from_json, outbox_rows, to_json
from daemon.notify.wording import figure, lasting, local, zone_of
from tests.support.mailserver import parsed
from tests.support.notices import AT_MS, CHIEF, ON_CALL, notice, plant, telling
from tests.support.wording import forbidden

EVENTS = (
    "raised",
    "returned",
    "acknowledged",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "out_of_service",
    "in_service",
    "removed",
    "note",
)


def made(n: Notice, site: Plant | None = None, to: str = ON_CALL, **more: Any) -> EmailMessage:
    """The mail as a reader takes it off the wire."""
    site = site or plant(ON_CALL, CHIEF)
    message = compose(telling(n, to, site), site, now_ms=more.pop("now_ms", n.at_ms + 2000), **more)
    return parsed(wire(message))


def text(message: EmailMessage) -> str:
    body = message.get_body(("plain",))
    assert body is not None
    return str(body.get_content())


class Words(HTMLParser):
    """The words of a page, and whether its elements close in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.words: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.feed(page)
        self.close()
        assert self.stack == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += attrs
        if tag not in ("meta", "br"):
            self.stack.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.stack and "title" not in self.stack:
            self.words += data.split()


def page(message: EmailMessage) -> str:
    body = message.get_body(("html",))
    assert body is not None
    return str(body.get_content())


# ---------------------------------------------------------------------------------------------- what it says


def test_the_lock_screen_says_plant_boiler_what_how_bad_and_the_number() -> None:
    assert made(notice())["Subject"] == ("Quillmarsh Creamery B1: conductivity high 3,420 umho/cm (limit 3,300) [1042]")
    low = notice(kind="low_water", priority="highest", value=None, limit=None, unit="")
    assert made(low)["Subject"] == "Quillmarsh Creamery B1: LOW WATER [1042]"


def test_the_body_stands_alone() -> None:
    body = " ".join(text(made(notice(held_back=("Conductivity low", "Probe reads nothing")), host="boilerpc")).split())
    kind = KINDS["conductivity_high"]
    for part in (
        "Quillmarsh Creamery, boiler B1",
        "CONDUCTIVITY HIGH 3,420 umho/cm, limit 3,300 umho/cm",
        "Since Tue 3 Nov 2026, 01:27:12 CST (UTC-6)",
        "Priority medium",
        "within 4 h",
        "WHO KNOWS - Chief, told at Tue 3 Nov, 01:27 CST",
        kind.means,
        kind.consequence,
        *kind.causes,
        *kind.first_checks,
        kind.caution,
        "above the limit at two samples running",
        "NO MAIL OF ITS OWN WHILE THIS STANDS - Conductivity low - Probe reads nothing",
        "On the plant PC (boilerpc)",
        "waterside ack 1042 --by NAME",
        "When it returns to normal, or is held back because the boiler is off, a mail says so.",
        "It is no safety device",
    ):
        assert part in body, part


def test_both_parts_say_the_same() -> None:
    message = made(notice(held_back=("Conductivity low",)), demo_speed=60.0)
    said = Words(page(message)).words
    letters = lambda words: re.sub(r"[^a-z0-9]", "", "".join(words).lower())  # noqa: E731
    assert letters(said) and letters(text(message).split()) == letters(said)


def test_a_return_is_short_and_says_whether_anybody_confirmed() -> None:
    gone = notice(event="returned", at_ms=AT_MS + 42 * 60_000, value=3190.0, state="returned to normal unacknowledged")
    message = made(gone)
    assert message["Subject"] == ("Quillmarsh Creamery B1: conductivity high, returned to normal after 42 min [1042]")
    body = " ".join(text(message).split())
    assert "Until Tue 3 Nov 2026, 02:09:12 CST (UTC-6)" in body
    assert "Lasted 42 min" in body
    assert "Confirmed by nobody yet" in body
    assert "WHAT IT WAS RAISED ON above the limit" in body
    assert "waterside ack 1042" in body
    assert KINDS["conductivity_high"].causes[0] not in body
    taken = text(made(dataclasses.replace(gone, by="Jo", state="normal")))
    assert re.search(r"Confirmed by\s+Jo", taken)
    assert "waterside ack" not in taken


def test_what_has_no_number_cannot_be_acknowledged_and_says_no_command() -> None:
    for event in ("raised", "returned"):
        state = "unacknowledged" if event == "raised" else "returned to normal unacknowledged"
        message = made(notice(occurrence=0, kind="logger_store", target="logger", event=event, state=state))
        assert "waterside ack" not in text(message)
        assert "acknowledge" not in page(message).lower().replace("unacknowledged", "")
        assert "[0]" not in message["Subject"]
        assert "Number" not in text(message)


def test_what_the_boiler_being_off_holds_back_is_named_in_the_interlocks_mail() -> None:
    held = (KINDS["conductivity_high"].title, "Sample line\r\ncold", "")
    message = made(notice(kind="interlock_open", value=None, limit=None, unit="", held_back=held))
    lines = text(message).splitlines()
    at = lines.index("NO MAIL OF ITS OWN WHILE THIS STANDS")
    assert lines[at + 1 : at + 4] == ["- Conductivity high", "- Sample line cold", ""]
    assert page(message).count("Sample line cold") == 1
    assert "water level is watched on" in " ".join(text(message).split())
    assert forbidden(text(message)) == []


def test_a_kind_of_a_later_version_begins_with_a_capital_and_has_a_caution() -> None:
    message = made(notice(kind="a_kind_of_tomorrow"))
    assert ">A kind of tomorrow</h1>" in page(message)
    assert "B1: a kind of tomorrow" in message["Subject"]
    assert "Local codes and licensed operators decide." in text(message)


def test_an_alarm_taken_off_by_the_plant_file_and_one_held_back_say_so() -> None:
    assert "removed from the plant file [1042]" in made(notice(event="removed"))["Subject"]
    held = text(made(notice(event="suppressed", state="suppressed by design")))
    assert "may still be there" in " ".join(held.split())


def test_the_demo_is_loud() -> None:
    message = made(notice(), demo_speed=60.0)
    assert message["Subject"].startswith("DEMO at 60x speed: ")
    assert text(message).startswith("*** DEMO at 60x speed")
    assert text(message).count("DEMO at 60x speed") == 2
    assert page(message).count("DEMO at 60x speed.") == 2
    assert (
        "DEMO" not in wire(compose(telling(notice(), ON_CALL, plant(ON_CALL)), plant(ON_CALL), now_ms=AT_MS)).decode()
    )


def test_a_late_mail_says_that_it_is_late() -> None:
    assert "This mail is late" not in text(made(notice(), now_ms=AT_MS + 60_000))
    late = made(notice(), now_ms=AT_MS + 23 * 3_600_000)
    assert re.search(r"This mail is late\s+it could not be sent for 23 h", text(late))
    assert late["Date"].datetime.timestamp() == AT_MS / 1000 + 23 * 3600


def test_a_reading_at_the_top_of_its_range_is_at_least_that() -> None:
    top = notice(kind="conductivity_very_high", value=5000.0, limit=3750.0, evidence="at least 5000 umho/cm")
    assert made(top)["Subject"] == (
        "Quillmarsh Creamery B1: conductivity very high at least 5,000 umho/cm (limit 3,750) [1042]"
    )


def test_the_highest_priority_gives_no_figure_that_reads_as_time_left() -> None:
    low = notice(kind="low_water", priority="highest", value=None, limit=None)
    body = text(made(low))
    assert re.search(r"To respond\s+at once, by site procedure", body)
    assert "min" not in body.split("CAUTION")[0].split("To respond")[1].split("Mailed")[0]
    assert body.index("CAUTION") < body.index("LOOK AT FIRST"), "what kills is read before anybody goes to look"
    assert made(low)["Importance"] == "high"


def test_the_plants_own_time_to_respond_counts() -> None:
    own = plant(ON_CALL, more='[alarms.conductivity_high]\nrespond_within = "90 min"\n')
    assert re.search(
        r"To respond\s+within 90 min \(by 02:57 CST\), says the plant file", " ".join(text(made(notice(), own)).split())
    )


# ---------------------------------------------------------------------------------------------- figures and times


@pytest.mark.parametrize(
    ("si", "value", "unit", "shown"),
    [  # conversions: exact definitions, as in tests of config.units
        (False, 3420.3, "uS/cm", "3,420 umho/cm"),
        (True, 3420.3, "uS/cm", "3420 uS/cm"),
        (False, 827.371, "kPa", "120 psig"),
        (True, 827.371, "kPa", "8.274 barg"),
        (False, 100.0, "°C", "212 °F"),
        (False, 1.0, "m3/h", "4.403 gpm"),
        (True, 1.0, "m3/h", "1 m3/h"),
        (False, 3.2, "mA", "3.2 mA"),
        (False, 500.0, "MB", "500 MB"),
        (False, 15300.0, "s", "4 h 15 min"),
        (False, float("nan"), "uS/cm", "not a number"),
    ],
)
def test_figures_come_in_the_units_of_the_plant(si: bool, value: float, unit: str, shown: str) -> None:
    assert " ".join(filter(None, figure(value, unit, plant(si=si)))) == shown


def test_a_signal_of_the_plants_own_keeps_the_unit_it_was_written_in() -> None:
    n = notice(target="deaerator", kind="analogue_high", value=12.4544, limit=9.96356, unit="kPa")
    assert made(n)["Subject"] == "Quillmarsh Creamery signal deaerator: reading high 50 inWC (limit 40) [1042]"


def test_one_name_for_two_things_is_told_apart_by_the_kind() -> None:
    subjects = [
        made(notice(target="scavenger", kind=k, value=None, limit=None))["Subject"]
        for k in ("tank_low", "pump_overrun")
    ]
    assert subjects == [
        "Quillmarsh Creamery tank scavenger: tank low [1042]",
        "Quillmarsh Creamery chemical scavenger: chemical pump overrun [1042]",
    ]
    assert "module ai" in made(notice(target="ai", kind="module_silent"))["Subject"]
    assert "link panel" in made(notice(target="panel", kind="link_down"))["Subject"]
    assert "Creamery logger: disk" in made(notice(target="logger", kind="logger_disk"))["Subject"]


def test_the_hour_that_comes_twice_in_autumn_is_told_apart() -> None:
    zone = zone_of(plant())  # America/Chicago left summer time on 1 Nov 2026 at 07:00 UTC (IANA tz database)
    assert local(1_793_514_600_000, zone) == "Sun 1 Nov 2026, 01:30:00 CDT (UTC-5)"
    assert local(1_793_518_200_000, zone) == "Sun 1 Nov 2026, 01:30:00 CST (UTC-6)"


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        ("Asia/Kolkata", "Tue 3 Nov 2026, 12:57:12 IST (UTC+5:30)"),
        ("America/Sao_Paulo", "Tue 3 Nov 2026, 04:27:12 UTC-3"),
        ("UTC", "Tue 3 Nov 2026, 07:27:12 UTC"),
        ("Nowhere/AtAll", "Tue 3 Nov 2026, 07:27:12 UTC"),
    ],
)
def test_zones_far_and_wide(zone: str, shown: str) -> None:
    site = plant().model_copy(update={"plant": Site(name="Q", zone=zone)})
    assert local(AT_MS, zone_of(site)) == shown


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(45, "45 s"), (119, "119 s"), (720, "12 min"), (25920, "7 h 12 min"), (7200, "2 h"), (273_600, "3 days 4 h")],
)
def test_times_in_words(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


# ---------------------------------------------------------------------------------------------- threads and headers


def test_raise_acknowledge_and_return_are_one_conversation_a_person() -> None:
    first = made(notice())
    later = [made(notice(event=e, at_ms=AT_MS + 1000 * i)) for i, e in enumerate(EVENTS[1:], 1)]
    assert first["In-Reply-To"] is None
    assert {m["In-Reply-To"] for m in later} == {m["References"] for m in later} == {first["Message-ID"]}
    assert len({m["Message-ID"] for m in (first, *later)}) == len(EVENTS)
    stem = "Quillmarsh Creamery B1: conductivity high"
    assert all(m["Subject"].startswith(stem) and m["Subject"].endswith("[1042]") for m in (first, *later))
    assert made(notice(), to=CHIEF)["Message-ID"] != first["Message-ID"]


def test_the_same_row_makes_the_same_bytes_and_a_new_store_makes_new_threads() -> None:
    one, two = (
        wire(compose(telling(notice(), ON_CALL, plant(ON_CALL)), plant(ON_CALL), now_ms=AT_MS)) for _ in range(2)
    )
    assert one == two
    later = made(notice(since_ms=AT_MS + 86_400_000, at_ms=AT_MS + 86_400_000))  # numbers began anew
    assert later["Message-ID"] != made(notice())["Message-ID"]


def test_headers_are_those_of_a_machine_and_name_no_program() -> None:
    message = made(notice())
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834
    assert message["Date"] == "Tue, 03 Nov 2026 01:27:14 -0600"
    assert not [h for h in message if h.lower().startswith(("x-", "list-", "precedence", "user-agent"))]
    assert str(message["To"]) == f"Oncall <{ON_CALL}>"
    assert str(message["From"]) == "Quillmarsh Creamery <waterside@waterside.invalid>"


def test_the_sender_may_have_a_name_of_its_own() -> None:
    mail = 'server = "localhost"\nsender = "Boiler house <boilers@quillmarsh.example>"'
    message = made(notice(), plant(ON_CALL, mail=mail))
    assert str(message["From"]) == "Boiler house <boilers@quillmarsh.example>"
    assert message["Message-ID"].endswith("@quillmarsh.example>")


# ---------------------------------------------------------------------------------------------- care


@pytest.mark.parametrize("kind", [*KINDS, "a_kind_of_tomorrow"])
def test_no_mail_says_what_may_never_be_said(kind: str) -> None:
    for event in EVENTS:
        known = KINDS.get(kind)
        n = notice(kind=kind, event=event, priority=known.priority if known else "high", evidence="", by="Jo")
        message = made(n, demo_speed=60.0, now_ms=AT_MS + 10**8)
        assert forbidden(text(message)) == []
        assert forbidden(str(message["Subject"])) == []


def test_the_page_fetches_nothing_and_knows_the_dark() -> None:
    html = page(made(notice()))
    assert "prefers-color-scheme: dark" in html
    assert "width=device-width" in html
    assert not re.search(r"https?:|src=|url\(|@import|<script|<link|<img", html)


LINES = st.text(st.characters(), max_size=60)
NUMBERS = st.none() | st.floats(allow_nan=True, allow_infinity=True)
TIMES = st.integers(-(2**62), 2**62)
NOTICES = st.builds(
    Notice,
    occurrence=st.integers(0, 2**62),
    event=st.sampled_from(EVENTS) | LINES,
    target=st.sampled_from(("B1", "ai", "panel", "makeup", "scavenger", "deaerator", "logger")) | LINES,
    kind=st.sampled_from(tuple(KINDS)) | LINES,
    name=LINES,
    priority=st.sampled_from(("highest", "high", "medium", "low")) | LINES,
    at_ms=TIMES,
    since_ms=TIMES,
    value=NUMBERS,
    limit=NUMBERS,
    unit=st.sampled_from(("uS/cm", "mA", "s", "%", "", "kPa", "°C", "m3/h")) | LINES,
    evidence=LINES,
    quality=LINES,
    state=LINES,
    held_back=st.lists(LINES, max_size=3).map(tuple),
    key=LINES,
    by=LINES,
)
NASTY = ('O\'Neil, "Pat" <x@y>\r\nBcc: all@quillmarsh.example', "Zoë Ünal 水", "a" * 300, "=?utf-8?q?x?=", "\ud800", "")


@given(n=NOTICES, name=st.sampled_from(NASTY) | LINES, site=st.sampled_from(NASTY) | LINES, si=st.booleans())
def test_every_notice_makes_a_mail_that_any_server_takes(n: Notice, name: str, site: str, si: bool) -> None:
    p = plant(ON_CALL, si=si)
    p = p.model_copy(
        update={
            "plant": p.plant.model_copy(update={"name": site}),
            "persons": (p.persons[0].model_copy(update={"name": name}),),
        }
    )
    raw = wire(compose(telling(n, ON_CALL, p), p, now_ms=AT_MS, demo_speed=60.0, host=name))
    assert raw.isascii()
    lines = raw.split(b"\r\n")
    assert not any(b"\n" in line or b"\r" in line for line in lines), "only CRLF ends a line"
    assert max(map(len, lines)) <= 998  # RFC 5322, 2.1.1
    message = parsed(raw)
    known = {"Subject", "From", "To", "Date", "Message-ID", "In-Reply-To", "References", "Auto-Submitted", "Importance"}
    assert set(message.keys()) <= known | {"MIME-Version", "Content-Type"}, "no header comes in by a name"
    assert len(message.keys()) == len(set(message.keys()))
    assert [a.addr_spec for a in message["To"].addresses] == [ON_CALL]
    assert text(message)
    Words(page(message))


@given(user=st.from_regex(r"[^@\s<>]+", fullmatch=True).filter(str.isprintable))
def test_odd_addresses_are_kept_as_they_are(user: str) -> None:
    address = f"{user}@quillmarsh.example"
    message = compose(telling(notice(), address, plant(ON_CALL)), plant(ON_CALL), now_ms=AT_MS)
    assert message["To"].addresses[0].addr_spec.replace('"', "").replace("\\", "") == address.replace('"', "").replace(
        "\\", ""
    )
    wire(message)


# ---------------------------------------------------------------------------------------------- rows


def test_a_row_a_person_and_never_two_of_the_same_mail() -> None:
    rows = outbox_rows(notice(key="1042.raised"), plant(ON_CALL, CHIEF, ON_CALL))
    assert [r.recipient for r in rows] == [ON_CALL, CHIEF]
    assert len({r.key for r in rows}) == 2
    assert rows == outbox_rows(notice(key="1042.raised"), plant(ON_CALL, CHIEF))
    other = outbox_rows(notice(key="1042.returned"), plant(ON_CALL, CHIEF))
    assert not {r.key for r in rows} & {r.key for r in other}
    assert rows[0].at_ms == AT_MS


def test_a_kind_that_does_not_mail_makes_no_row_and_an_unknown_one_does() -> None:
    assert outbox_rows(notice(kind="calibration_step"), plant(ON_CALL)) == []
    assert len(outbox_rows(notice(kind="a_kind_of_tomorrow"), plant(ON_CALL))) == 1


@given(NOTICES)
def test_a_notice_comes_back_from_its_row(n: Notice) -> None:
    assert repr(from_json(to_json(n))) == repr(n)  # repr: a number that is no number equals nothing


def test_rows_of_other_versions_can_be_read_and_rubbish_is_refused() -> None:
    assert from_json('{"kind":"low_water","tomorrow":1}').kind == "low_water"
    for rubbish in ("[]", "{}", "no json"):
        with pytest.raises(ValueError):
            from_json(rubbish)


def test_plain_text_keeps_to_72_columns() -> None:
    lines = text(made(notice(evidence="word " * 60), demo_speed=60.0)).splitlines()
    assert max(map(len, lines)) <= 72
    assert textwrap.dedent(lines[0]) == lines[0]
