"""Acts that hold for a time: out of service, a boiler's state by word, work by hand, an alarm put aside.

Each has a person, a reason and an end. Ends come by the clock (`ended`), by an act, or, for a boiler said to be laid
up or drained, by what its wires show (`contradicted`). Pure. May import: config, daemon.core, daemon.measure,
daemon.alarms, the engine's doing.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from config.kinds import NEVER_SHELVED
from config.model import Plant
from daemon.alarms.withheld import OF_TAG
from daemon.core.outcome import Entry, ManualReading
from daemon.core.scan import Act
from daemon.engine.doing import Doing, noted
from daemon.measure.aside import (
    BLOW_BY_HAND,
    DRAINED,
    ON_SITE,
    SOME_STEAM,
    SPOKEN,
    Row,
    Said,
    every,
    is_over,
    said_of,
    without,
)
from daemon.measure.blow import HandBlow
from daemon.measure.senses import Senses, good_value, role_now
from daemon.measure.wiring import BoilerWiring

HOUR_MS: Final = 3_600_000
LONGEST_OUT_MS: Final = 400 * 24 * HOUR_MS  # a lay-up over a year's season (common practice, no source)
LONGEST_ON_SITE_MS: Final = 12 * HOUR_MS
LONGEST_BLOW_MS: Final = 12 * HOUR_MS
LONGEST_SHELVED_MS: Final = 7 * 24 * HOUR_MS
AFTER_BLOW_MS: Final = HOUR_MS  # so long a blow by hand explains what conductivity does (common practice, no source)
EARLY_MS: Final = 300_000
TEXT: Final = 400


def out(doing: Doing, act: Act) -> str:
    """Take a boiler, a tag or another part out of service; with `drained` its low-water alarm too."""
    target, why = _text(act, "target"), _text(act, "why")
    if refused := _target(doing, target):
        return refused
    if not why:
        return f"taking {target} out of service needs a reason: --why"
    until = _until(doing, act, LONGEST_OUT_MS)
    if isinstance(until, str):
        return until
    drained = act.body.get("drained") is True
    if drained and (refused := _spoken(doing, act, target, "drained", until, why)):
        return refused
    if refused := _low_water_by(doing.p.plant, target):
        return refused
    s = doing.cells.senses
    s.outs = (*without(s.outs, target), _row(doing, act, target, "", doing.group.at_ms, until))
    s.aside_new = True
    more = "; declared drained: its low-water alarm is out of service too" if drained else ""
    noted(doing, act, "out_of_service", target, f"out of service until {clock(doing, until)}: {why}{more}")
    return ""


def back(doing: Doing, act: Act) -> str:
    """Put a target back into service; what was said of the boiler's state is over with it."""
    target, s = _text(act, "target"), doing.cells.senses
    if said_of(s.outs, target) is None and said_of(s.words, target) is None:
        known = ", ".join(dict.fromkeys(o.target for o in (*every(s.outs), *every(s.words)))) or "nothing"
        return f'"{target}" is not out of service; out of service now: {known}'
    s.outs, s.words = without(s.outs, target), without(s.words, target)
    s.aside_new = True
    why = _text(act, "why")
    noted(doing, act, "out_of_service", target, "back in service" + (f": {why}" if why else ""))
    return ""


def word(doing: Doing, act: Act) -> str:
    """A person says what state a boiler is in, until a time."""
    target, what, why = _text(act, "target"), _text(act, "state"), _text(act, "why")
    if what not in SPOKEN:
        return f"a boiler is said to be {', '.join(SPOKEN)}; found {what!r}"
    until = _until(doing, act, LONGEST_OUT_MS)
    if isinstance(until, str):
        return until
    return _spoken(doing, act, target, what, until, why)


def hand(doing: Doing, act: Act) -> str:
    """A technician is on site, or somebody blows a boiler down by hand."""
    target, what, s = _text(act, "target"), _text(act, "what"), doing.cells.senses
    boilers = [b.name for b in doing.p.wiring.boilers]
    if target not in boilers and not (target == "" and what in (ON_SITE, "left")):
        return f'there is no boiler "{target}"; known here: {", ".join(boilers)}'
    if what == "left":
        if not any(h.target == target and h.what == ON_SITE for h in every(s.hands)):
            return f"nobody is said to be at {target or 'the house'}"
        s.hands, s.aside_new = without(s.hands, target, ON_SITE), True
        noted(doing, act, "hand_work", target, "the technician has left")
        return ""
    if what == ON_SITE:
        until = _until(doing, act, LONGEST_ON_SITE_MS)
        if isinstance(until, str):
            return until
        _hand(doing, act, target, ON_SITE, doing.group.at_ms, until)
        why = _text(act, "why")
        noted(doing, act, "hand_work", target, f"{ON_SITE} until {clock(doing, until)}" + (f": {why}" if why else ""))
        return ""
    if what == BLOW_BY_HAND:
        return _blow(doing, act, target)
    return f"this version knows no work by hand called {what!r}"


def shelve(doing: Doing, act: Act) -> str:
    """Put a standing alarm aside for a time."""
    number, why = act.body.get("occurrence"), _text(act, "why")
    found = _standing(doing, number)
    if found is None:
        return f"no alarm {str(number)[:20]} stands; `waterside status` lists those that do"
    alarm = doing.p.alarms[found]
    if alarm.never_hidden or alarm.kind in NEVER_SHELVED:
        return f"{alarm.kind} is never put aside: it stands until its condition is gone"
    if not alarm.shelving:
        return f"the plant file says that {alarm.kind} is never put aside: [alarms.{alarm.kind}] shelving = false"
    if not why:
        return f"putting alarm {number} aside needs a reason: --why"
    until = _until(doing, act, LONGEST_SHELVED_MS)
    if isinstance(until, str):
        return until
    text = f"put aside until {clock(doing, until)}: {why}"
    if not doing.put_aside(found, act.by, text):
        return f"alarm {number} is {doing.cells.alarms[found].state}: it cannot be put aside"
    row = (alarm.target, alarm.kind, alarm.name, until, act.by, why, _ends(doing, until))
    doing.cells.shelved = (*(r for r in doing.cells.shelved if r[:3] != row[:3]), row)
    return ""


def unshelve(doing: Doing, act: Act) -> str:
    """Take an alarm that was put aside up again."""
    number = act.body.get("occurrence")
    found = _standing(doing, number)
    identity = doing.p.alarms[found].identity if found is not None else ()
    if not any(r[:3] == identity for r in doing.cells.shelved):
        return f"alarm {str(number)[:20]} is not put aside"
    assert found is not None
    doing.cells.shelved = tuple(r for r in doing.cells.shelved if r[:3] != identity)
    doing.take_up(found, act.by, "taken up again")
    return ""


def ended(doing: Doing) -> None:
    """What has come to its end by the clock is over, and the journal says so."""
    s, at, real, cells = doing.cells.senses, doing.group.at_ms, doing.group.elapsed_ms, doing.cells
    for rows, text in ((s.outs, "back in service: its time is over"), (s.words, ""), (s.hands, "")):
        for o in every(rows):
            if is_over(o, at, real):
                _over(doing, o, text or f"{o.what}: its time is over")
    if any(is_over(o, at, real) for rows in (s.outs, s.words, s.hands) for o in every(rows)):
        s.outs, s.words, s.hands = (
            tuple(row for row in rows if not is_over(Said(*row), at, real)) for rows in (s.outs, s.words, s.hands)
        )
        s.aside_new = True
    over = [row for row in cells.shelved if row[3] <= at or 0 <= row[6] <= real]
    if over:
        cells.shelved = tuple(row for row in cells.shelved if row not in over)
        for i, alarm in enumerate(doing.p.alarms):
            if any(row[:3] == alarm.identity for row in over):
                doing.take_up(i, "", "its time is over")


def contradicted(doing: Doing) -> None:
    """A boiler that fires or holds pressure is neither laid up nor drained, whatever was said."""
    s = doing.cells.senses
    for o in every(s.words):
        w = next((b for b in doing.p.wiring.boilers if b.name == o.target), None)
        if w is not None and (sign := _steam(s, w, o.what)):
            s.words, s.aside_new = without(s.words, o.target), True
            _over(doing, o, f"no longer taken as {o.what}: {sign}")


def clock(doing: Doing, at_ms: int) -> str:
    """An instant on the plant's clock: "Wed 2026-11-25 17:00"."""
    return f"{datetime.fromtimestamp(at_ms // 1000, doing.p.wiring.daytime.zone):%a %Y-%m-%d %H:%M}"


def _over(doing: Doing, o: Said, text: str) -> None:
    kind = "hand_work" if o.what in (ON_SITE, BLOW_BY_HAND) else "out_of_service"
    doing.journal.append(Entry(doing.group.at_ms, 0, o.target, kind, "", "note", "", "", evidence=text))


def _steam(s: Senses, w: BoilerWiring, what: str) -> str:
    firing = role_now(s, w.running) if w.state_rule.contact == "burner" else role_now(s, w.burner)
    if firing:
        return "its burner fires"
    if SPOKEN[what] == DRAINED and w.state_rule.contact == "limit" and role_now(s, w.running):
        return "its limit circuit is closed, as it is with water in the boiler"
    pressure = good_value(s, w.steam_pressure)
    if pressure is not None and w.state_rule.pressure_kpa > 0 and pressure >= SOME_STEAM * w.state_rule.pressure_kpa:
        return "it holds pressure"
    return ""


def _spoken(doing: Doing, act: Act, target: str, what: str, until: int, why: str) -> str:
    w = next((b for b in doing.p.wiring.boilers if b.name == target), None)
    if w is None:
        known = ", ".join(b.name for b in doing.p.wiring.boilers)
        return f'only a boiler can be {what}, and there is no boiler "{target}"; known here: {known}'
    if not why:
        return f"saying that {target} is {what} needs a reason: --why"
    s = doing.cells.senses
    if sign := _steam(s, w, what):
        return f"{target} is not taken as {what}: {sign}"
    s.words = (*without(s.words, target), _row(doing, act, target, what, doing.group.at_ms, until))
    s.aside_new = True
    noted(doing, act, "out_of_service", target, f"{what} until {clock(doing, until)}: {why}")
    return ""


def _blow(doing: Doing, act: Act, target: str) -> str:
    begin, end, at = act.body.get("from_ms"), act.body.get("until_ms"), doing.group.at_ms
    if not _whole(begin) or not _whole(end):
        return "a blow by hand wants its begin and its end: --blow-by-hand 09:00 09:10"
    assert isinstance(begin, int)
    assert isinstance(end, int)
    if not 0 <= begin < end:
        return "a blow by hand begins before it ends"
    if end - begin > LONGEST_BLOW_MS or begin > at + EARLY_MS:
        return f"a blow by hand begins no later than now and lasts {LONGEST_BLOW_MS // HOUR_MS} h at most"
    s, why = doing.cells.senses, _text(act, "why")
    b = next(b for b, w in zip(s.boilers, doing.p.wiring.boilers, strict=True) if w.name == target)
    if b.hand.from_at >= 0:
        return f"a blow by hand of {target} is on record until {clock(doing, b.hand.to_at)} already: one at a time"
    b.hand = HandBlow(begin, end)
    b.ref = None
    minutes = (end - begin) / 60_000
    doing.manual.append(ManualReading(target, BLOW_BY_HAND, begin, minutes, "min", why, act.number))
    names = []
    for i, (alarm, c) in enumerate(zip(doing.p.alarms, doing.cells.alarms, strict=True)):
        if alarm.target != target or not begin <= c.raised_at <= end + AFTER_BLOW_MS or not c.active:
            continue
        if alarm.kind in ("valve_stuck_open", "conductivity_low"):
            names.append(f"{c.occurrence} ({alarm.kind})")
        if alarm.kind == "valve_stuck_open" and c.memo is not None:  # found by the fall that is explained now
            doing.explained(i, f"the fall is explained by a blow by hand, says {act.by}")
    if end + AFTER_BLOW_MS > at:
        _hand(doing, act, target, BLOW_BY_HAND, begin, end + AFTER_BLOW_MS)
    text = f"blown by hand from {clock(doing, begin)} for {minutes:g} min" + (f": {why}" if why else "")
    noted(doing, act, "hand_work", target, text + (f"; explains alarm {', '.join(names)}" if names else ""))
    return ""


def _hand(doing: Doing, act: Act, target: str, what: str, begin: int, until: int) -> None:
    s = doing.cells.senses
    s.hands, s.aside_new = (*without(s.hands, target, what), _row(doing, act, target, what, begin, until)), True


def _row(doing: Doing, act: Act, target: str, what: str, begin: int, until: int) -> Row:
    return tuple(Said(target, what, begin, until, act.by, _text(act, "why"), act.number, _ends(doing, until)))


def _ends(doing: Doing, until: int) -> int:
    return doing.group.elapsed_ms + until - doing.group.at_ms


def _target(doing: Doing, target: str) -> str:
    plant = doing.p.plant
    parts = (plant.boilers, plant.meters, plant.tanks, plant.chemicals, plant.analogues, plant.modules, plant.links)
    names = [x.name for part in parts for x in part]
    boiler, _, tag = target.partition(".")
    if target in names:
        return ""
    if boiler in {b.name for b in plant.boilers} and tag == "low_water":
        return (
            "low water is never out of service by itself: only with its boiler, declared drained, by name and until "
            "a time"
        )
    wired = [t.name for t in doing.p.wiring.tags if t.target]
    if target in wired and (boiler in names):
        return ""
    if tag == "conductivity" and tag in OF_TAG and f"{boiler}.probe" in wired:
        return ""
    return f'there is nothing called "{target[:40]}" to take out of service; known here: {", ".join(names)}, and tags'


def _low_water_by(plant: Plant, target: str) -> str:
    """Why a module or a link stays in service: silence of it is silence of a low water contact. "" where it may go."""
    modules = {m.name for m in plant.modules if target in (m.name, m.link)}
    for b in plant.boilers:
        if b.low_water is not None and b.low_water.contact.partition(".")[0] in modules:
            return (
                f"the low water contact of {b.name} is read by it: that it does not answer is told as long as it does "
                "not. Take the boiler out, or tags one by one"
            )
    return ""


def _until(doing: Doing, act: Act, longest_ms: int) -> int | str:
    until, at = act.body.get("until_ms"), doing.group.at_ms
    if not _whole(until):
        return "this holds for a time only: give its end with --until"
    assert isinstance(until, int)
    if until <= at:
        return "the end lies behind: give a time that is still to come"
    if until - at > longest_ms:
        hours = longest_ms // HOUR_MS
        return f"that is too long: {f'{hours // 24} days' if hours > 48 else f'{hours} h'} at most, then say it again"
    return until


def _standing(doing: Doing, number: object) -> int | None:
    if not _whole(number) or not number:
        return None
    for i, c in enumerate(doing.cells.alarms):
        if c.occurrence == number and c.state != "normal":
            return i
    return None


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _text(act: Act, key: str) -> str:
    value = act.body.get(key, "")
    return value.strip()[:TEXT] if isinstance(value, str) else ""
