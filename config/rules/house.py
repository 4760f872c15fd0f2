"""The house: who is told, by what way, boiler states, pressures and records.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from config.findings import Found, Path
from config.model import Boiler
from config.rules.view import View
from config.units import NUMBER, UNITS

_DAY = 86400.0
_FIVE_YEARS = 5 * 365 * 86400.0
_LONGEST_CUTOFF_TEST = 180.0
_LONGEST_BETWEEN_TESTS = 366 * 86400.0
_LONGEST_HAND_BLOW = 12 * 3600.0  # s, as an act may say of one
_CRITICAL_KPA = 22064.0 - 101.325  # gauge; IAPWS-IF97


def people(v: View) -> Iterator[Found]:
    """Somebody is told, once each."""
    if not v.plant.persons:
        yield Found(("person",), "no [[person]]: nobody will be told of any alarm", "warning")
    seen: set[str] = set()
    for i, p in enumerate(v.plant.persons):
        if p.mail.lower() in seen:
            yield Found(("person", i, "mail"), f"{p.mail} is written for another person too; wants it once")
        seen.add(p.mail.lower())


def mail(v: View) -> Iterator[Found]:
    """The relay can be used as written."""
    m = v.plant.mail
    if v.plant.mailbox is not None and m is None:
        yield Found(("mailbox",), "replies come to mails that were sent; wants a [mail] too")
    if m is None:
        yield Found(("mail",), "no [mail]: mails are written as files into the outbox folder and not sent", "note")
        return
    if "@" not in m.sender:
        yield Found(("mail", "sender"), f'wants a mail address, like "boilers@quillmarsh.example"; found "{m.sender}"')
    if m.password_file and m.token_file:
        yield Found(("mail", "token_file"), "found beside password_file; wants one of the two")
    if m.user and not (m.password_file or m.token_file):
        yield Found(("mail", "user"), "a user wants a password_file beside it: the path of a file with the password")
    if m.token_file and not m.user:
        yield Found(("mail", "token_file"), "a token wants a user beside it")
    if m.token_file and m.security == "none":
        yield Found(("mail", "security"), "none: a token is sent only encrypted (RFC 6750, 5.3); wants starttls or tls")
    if m.password_file and not m.user:
        yield Found(("mail", "password_file"), "a password wants a user beside it")
    if m.security == "none" and m.user and not m.token_file:
        yield Found(("mail", "security"), "none: user and password go over the network unprotected", "warning")


def copy_and_records(v: View) -> Iterator[Found]:
    """How the copy goes, and how long readings are kept."""
    if (c := v.plant.copy_to) is not None and c.token_file and c.url.startswith("http://"):
        yield Found(("copy", "url"), "http: the token and all readings go over the network unprotected", "warning")
    if v.plant.store.keep < _FIVE_YEARS:
        yield Found(
            ("store", "keep"),
            f"readings are kept {v.plant.store.keep / 86400:.0f} days: "
            "jurisdiction and insurer decide how long they must be",
            "note",
        )
    if v.plant.store.hot < 2 * _DAY:
        days = v.plant.store.hot / _DAY
        yield Found(
            ("store", "hot"),
            f'wants at least "2 d"; found {days:.2g} d: after a start the newest days must be at hand',
        )
    if v.plant.store.keep < v.plant.store.hot:
        yield Found(
            ("store", "keep"),
            f"{v.plant.store.keep / _DAY:.0f} days is less than hot, {v.plant.store.hot / _DAY:.0f} days: "
            "readings stay at least as long as hot",
            "warning",
        )
    if v.plant.store.keep_minutes < _DAY:
        hours = v.plant.store.keep_minutes / 3600
        yield Found(("store", "keep_minutes"), f'wants at least "1 d"; found {hours:g} h: the open day is made of them')
    if not v.plant.store.durable:
        yield Found(("store", "durable"), "false: a power cut may lose the last seconds", "note")


def boilers(v: View) -> Iterator[Found]:
    """What can be told of each boiler with what is wired."""
    if not v.plant.boilers and not v.raw.get("boiler"):
        yield Found(("boiler",), "no [[boiler]]: values are recorded and nothing is judged", "warning")
    for i, b in enumerate(v.plant.boilers):
        path: Path = ("boiler", i)
        if not 0 <= b.pressure < _CRITICAL_KPA:
            yield Found(
                (*path, "pressure"),
                f"wants a working pressure of 0 to {_CRITICAL_KPA / 100:.0f} barg; found {b.pressure / 100:.4g} barg",
            )
        yield from _states(path, b)
        if b.low_water is None:
            yield Found(
                path,
                f"no low_water contact: low water of {b.name} is not told here. This log is never a low-water cut-off",
                "note",
            )
        yield from _hand_blow(path, b)
        for k, t in enumerate(b.cutoff_test):
            yield from _window((*path, "cutoff_test", k, "window"), t.window)
        yield from _cutoff(path, b)


def _cutoff(path: Path, b: Boiler) -> Iterator[Found]:
    """What a declared test of the low-water cut-off keeps back, and what it wants."""
    for k, t in enumerate(b.cutoff_test):
        where: Path = (*path, "cutoff_test", k, "longest")
        if t.longest > _LONGEST_CUTOFF_TEST:
            yield Found(where, f"wants {_LONGEST_CUTOFF_TEST:g} s at most; found {t.longest:g} s")
        elif b.low_water is not None:
            yield Found(
                where,
                f"in {t.window} low water of {b.name} that is shorter than {t.longest:g} s, with the burner seen off, "
                "is journalled as a test and not mailed; whatever is in doubt is low water at once",
                "note",
            )
    wanted = "cutoff_test" if b.cutoff_test else "cutoff_test_every" if b.cutoff_test_every else ""
    burner = b.burner is not None or (b.interlock is not None and b.interlock.closed_means == "firing")
    if wanted and (b.low_water is None or not (burner or b.interlock is not None)):
        yield Found(
            (*path, wanted),
            f"says nothing without low_water and a burner or interlock contact of {b.name}: no test can be told from "
            "low water",
            "warning",
        )
    elif b.cutoff_test_every and not burner:
        yield Found(
            (*path, "cutoff_test_every"),
            f"wants a burner contact of {b.name}: no test is proven by the limit circuit alone",
        )
    if b.cutoff_test_every and not 3600 <= b.cutoff_test_every <= _LONGEST_BETWEEN_TESTS:
        days = b.cutoff_test_every / _DAY
        yield Found((*path, "cutoff_test_every"), f'wants "1 h" to "366 d"; found {days:.3g} d')


def _hand_blow(path: Path, b: Boiler) -> Iterator[Found]:
    if b.hand_blow is None:
        return
    if b.hand_blow > _LONGEST_HAND_BLOW:
        yield Found(
            (*path, "hand_blow"), f"wants {_LONGEST_HAND_BLOW / 3600:g} h at most; found {b.hand_blow / 3600:g} h"
        )
    elif b.conductivity is None and b.blowdown_valve is None:
        yield Found((*path, "hand_blow"), "says nothing without conductivity or a blowdown_valve", "note")
    else:
        yield Found(
            (*path, "hand_blow"),
            f"low conductivity and a valve stuck open on {b.name} are mailed only when they stand for "
            f"{b.hand_blow / 60:g} min; the journal has them at once",
            "note",
        )


def _states(path: Path, b: Boiler) -> Iterator[Found]:
    firing = b.burner is not None or (b.interlock is not None and b.interlock.closed_means == "firing")
    if b.interlock is None and not firing and b.steam_pressure is None:
        yield Found(
            path,
            f"nothing wired tells whether {b.name} is off or steaming (interlock, burner or steam_pressure): alarms "
            "are not held back while it is off",
            "warning",
        )
    elif b.steam_pressure is None and not firing:
        yield Found(
            path,
            f"warming, steaming and hot standby of {b.name} cannot be told apart without burner or steam_pressure",
            "note",
        )
    elif b.interlock is None:
        yield Found(path, f"no interlock: an open limit circuit of {b.name} is not told", "note")
    if b.duty != "lead" and not firing and b.steam_pressure is None:
        yield Found(
            (*path, "duty"),
            f"{b.duty}, and neither burner nor steam_pressure is wired: waiting and steaming cannot be told apart",
            "note",
        )


def _window(path: Path, text: str) -> Iterator[Found]:
    begin, end = text.split("..")
    for t in (begin, end):
        if int(t[:2]) > 23:
            yield Found(path, f'wants times from 00:00 to 23:59; found "{t}"')
    if begin == end:
        yield Found(path, f'wants two different times; found "{text}"')


def pressures(v: View) -> Iterator[Found]:
    """Bare psi, bar and kPa are gauge; absolute ones are reckoned with the air pressure of the site."""
    for path, text in _texts(v.raw, ()):
        m = re.search(rf"{NUMBER}\s*([^\s\d]\S*)\s*$", text, re.ASCII)
        unit = UNITS["pressure"].get(m[1]) if m and path[-1] in ("pressure", "range") else None
        if unit is None or m is None:
            continue
        if unit.bare:
            yield Found(path, f'{m[1]} is taken as gauge; found "{text}"', "note")
        elif unit.absolute and not v.plant.plant.altitude:
            yield Found(path, f'[plant] has no altitude: "{text}" is reckoned at sea level', "note")


def _texts(value: Any, path: Path) -> Iterator[tuple[Path, str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, Mapping):
        for key, part in value.items():
            yield from _texts(part, (*path, key))
    elif isinstance(value, list):
        for i, part in enumerate(value):
            yield from _texts(part, (*path, i))


def rates(v: View) -> Iterator[Found]:
    """A dosing rate has the day it was drawn down."""
    for i, c in enumerate(v.plant.chemicals):
        if c.rate is not None and c.rate_date is None:
            yield Found(("chemical", i, "rate"), "wants the day of its draw-down test beside it: rate_date", "note")


def day(v: View) -> Iterator[Found]:
    """The hours in which things for the day are told are two times of the clock."""
    yield from _window(("plant", "day"), v.plant.plant.day)


RULES = (day, people, mail, copy_and_records, boilers, pressures, rates)
