"""The whole board of alarms against a simple model of its own: conditions, delays, every act, rests and restarts.

The model below keeps no cell and no table: it writes down when a contact turned, and decides by the words of the
standards' state diagram (IEC 62682 / ISA-18.2). Whatever is tried in whatever order, states, journal, persons and mails
of the engine are those of the model, and low water is never quiet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Act
from daemon.engine import dump, restore
from daemon.engine.state import Programme
from daemon.measure.boiler_state import STEAMING
from tests.support.feed import START_MS, WATER, Feed, boiler, plant

LOCKOUT = 'lockout = { contact = "m.opened", closed_means = "lockout" }\n'
MORE = "[alarms.controller_alarm]\nlatching = true\n[alarms.logger_disk]\nshelving = false\n"
PLANT = plant(boiler("continuous", more=WATER + LOCKOUT), MORE)
CONTACTS = {"low_water": "low", "high_water": "high", "lockout": "opened", "controller_alarm": "alarm"}
Lines = list[tuple[str, str, str, str]]
QUIET = ("shelved", "suppressed by design", "out of service")
HELD = ("latched unacknowledged", "latched acknowledged")
OCCURRENCES = st.sampled_from([*CONTACTS, "logger_disk", "nobody's"])


def with_a_rest(p: Programme) -> Programme:
    """The programme with the controller's alarm held back while the boiler is off, as conductivity's limits are."""
    alarms = tuple(replace(a, suppressed_when_off=a.kind == "controller_alarm") for a in p.alarms)

    def again(asks: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(
            x._replace(alarm=alarms[x.i], boiler=0 if alarms[x.i].suppressed_when_off else x.boiler) for x in asks
        )

    return replace(
        p,
        alarms=alarms,
        asks=again(p.asks),
        asks_minute=again(p.asks_minute),
        asks_group=again(p.asks_group),
    )


@dataclass
class Model:
    """One alarm as a person would keep it on paper."""

    kind: str
    on_s: int
    off_s: int
    state: str = "normal"
    is_on: bool = False  # the condition, delays applied
    since: int | None = None  # when its contact turned on, None while it is off
    gone: int | None = None  # since when a condition that stood is seen gone
    by: str = ""
    shelved_until: int | None = None
    told_off: bool = False  # the journal spoke of its being held back or out of service

    def to(self, state: str, event: str, journal: Lines, by: str = "") -> None:
        self.state = state
        journal.append((self.kind, event, state, by))

    def forget(self) -> None:
        self.is_on, self.gone = False, None

    def turned(self, now: int, seen: bool | None) -> None:
        """What the contact shows, with its delays."""
        if seen is None:
            return
        if seen:
            self.gone = None
            assert self.since is not None
            self.is_on |= now - self.since >= self.on_s
            return
        if self.is_on and self.gone is None:
            self.gone = now
        if self.gone is not None and now - self.gone >= self.off_s:
            self.forget()

    def judged(self, journal: Lines, was_on: bool) -> None:
        """The diagram: what follows from the condition."""
        if self.state == "shelved":
            return
        if self.is_on and self.state not in ("unacknowledged", "acknowledged"):
            if self.state == "normal" or not was_on:
                self.to("unacknowledged", "raised", journal)
        elif was_on and not self.is_on:
            latches = self.kind == "controller_alarm"
            after = {
                ("unacknowledged", False): "returned to normal unacknowledged",
                ("unacknowledged", True): "latched unacknowledged",
                ("acknowledged", False): "normal",
                ("acknowledged", True): "latched acknowledged",
            }.get((self.state, latches))
            if after:
                self.to(after, "returned", journal)


class Board(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.feed = Feed(PLANT)
        self._prepare()
        self.models = {
            "low_water": Model("low_water", 5, 60),
            "high_water": Model("high_water", 5, 60),
            "lockout": Model("lockout", 5, 10),
            "controller_alarm": Model("controller_alarm", 10, 10),
            "logger_disk": Model("logger_disk", 0, 0),
        }
        self.signals: dict[str, Any] = {"low": 0, "high": 0, "opened": 0, "alarm": 0, "limit": 1}
        self.read: dict[str, int] = {}
        self.disk = False
        self.out_until: int | None = None
        self.highest = 0
        self._poll()

    def _prepare(self) -> None:
        self.feed.state = replace(self.feed.state, programme=with_a_rest(self.feed.state.programme))

    # -------------------------------------------------------------- one poll, in both

    def _poll(self, act: tuple[str, dict[str, Any]] | None = None) -> str:
        now = (self.feed.t + self.feed.every_ms) // 1000
        acts = () if act is None else (Act(self.feed.number + 1, act[0], "Kim", 0, act[1]),)
        self.before = self.numbers
        outcome = self.feed.poll(acts=acts, **self.signals)
        steams = self.feed.state.cells.senses.boilers[0].state.state == STEAMING
        journal = self._expected(now, act, steams)
        found = [
            (e.kind, e.event, e.state, e.by) for e in outcome.journal if e.kind in self.models and e.event != "note"
        ]
        assert sorted(found) == sorted(journal)
        self._numbers(outcome)
        for kind, model in self.models.items():
            target = "logger" if kind == "logger_disk" else "B1"
            assert self.feed.alarm_state(kind, target) == model.state, kind
        return outcome.acts[0][1] if acts else ""

    def _expected(self, now: int, act: tuple[str, dict[str, Any]] | None, steams: bool) -> Lines:
        journal: Lines = []
        for m in self.models.values():
            if m.shelved_until is not None and now >= m.shelved_until:
                m.shelved_until = None
                if m.state == "shelved":
                    m.to("normal", "unshelved", journal)
        over = self.out_until is not None and now >= self.out_until
        if over:
            self.out_until = None
        if act is not None:
            self._acted(act, now, journal)
        self._aside(journal)
        for kind, m in self.models.items():
            seen = self._seen(kind, now)
            if m.state == "out of service":
                continue
            if kind == "controller_alarm" and self._rests(m, steams, journal):
                continue
            was = m.is_on
            m.turned(now, seen)
            m.judged(journal, was)
        return journal

    def _seen(self, kind: str, now: int) -> bool | None:
        """What the contact shows: None when it is not read, but a water level last read on stays on."""
        m = self.models[kind]
        if kind == "logger_disk":
            m.since = now if self.disk and m.since is None else m.since if self.disk else None
            return self.disk
        value = self.signals[CONTACTS[kind]]
        if value is not None:
            before = self.read.get(kind)
            self.read[kind] = value
            if value and not before:
                m.since = now
            if not value:
                m.since = None
            return bool(value)
        return True if kind in ("low_water", "high_water") and self.read.get(kind) else None

    def _rests(self, m: Model, steams: bool, journal: Lines) -> bool:
        if steams:
            if m.state == "suppressed by design":
                m.state = "normal"
                if m.told_off:
                    journal.append((m.kind, "unsuppressed", "normal", ""))
                m.told_off = False
            return False
        if m.state in HELD or m.state == "shelved":
            m.forget()
        elif m.state != "suppressed by design":
            m.told_off = m.state != "normal"
            m.state = "suppressed by design"
            if m.told_off:
                journal.append((m.kind, "suppressed", m.state, ""))
            m.forget()
        return True

    def _aside(self, journal: Lines) -> None:
        for kind in ("lockout", "controller_alarm"):
            m = self.models[kind]
            if self.out_until is not None and m.state != "out of service":
                m.told_off = m.told_off or m.state not in ("normal", "suppressed by design")
                m.state = "out of service"
                if m.told_off:
                    journal.append((kind, "out_of_service", m.state, "Kim"))
                m.forget()
            elif self.out_until is None and m.state == "out of service":
                m.state = "normal"
                if m.told_off:
                    journal.append((kind, "in_service", "normal", ""))
                m.told_off = False

    def _acted(self, act: tuple[str, dict[str, Any]], now: int, journal: Lines) -> None:
        what, body = act
        if what == "service":
            self.disk = body["active"]
        elif what == "out":
            self.out_until = (body["until_ms"] - START_MS) // 1000
        elif what == "back":
            self.out_until = None
        else:
            m = next((x for k, x in self.models.items() if self.before.get(k) == body["occurrence"]), None)
            if m is not None:
                self._person(what, m, body, journal)

    def _person(self, what: str, m: Model, body: dict[str, Any], journal: Lines) -> None:
        if what == "ack":
            after = {
                "unacknowledged": "acknowledged",
                "returned to normal unacknowledged": "normal",
                "latched unacknowledged": "latched acknowledged",
            }.get(m.state)
            if after:
                m.to(after, "acknowledged", journal, "Kim")
        elif what == "release" and m.state == "latched acknowledged":
            m.to("normal", "released", journal, "Kim")
        elif what == "shelve" and m.state not in ("normal", *QUIET) and m.kind in ("lockout", "controller_alarm"):
            m.to("shelved", "shelved", journal, "Kim")
            m.shelved_until = (body["until_ms"] - START_MS) // 1000
        elif what == "unshelve" and m.shelved_until is not None and m.state != "normal":
            m.shelved_until = None
            if m.state == "shelved":
                m.to("normal", "unshelved", journal, "Kim")

    def _numbers(self, outcome: GroupOutcome) -> None:
        for e in outcome.journal:
            if e.event == "raised":
                assert e.occurrence > self.highest
                self.highest = e.occurrence
                if e.kind == "low_water":
                    assert [n for n in outcome.notices if n.kind == "low_water" and n.event == "raised"]

    @property
    def numbers(self) -> dict[str, int]:
        cells = zip(self.feed.state.programme.alarms, self.feed.state.cells.alarms, strict=True)
        return {a.kind: c.occurrence for a, c in cells if a.kind in self.models and c.occurrence}

    # -------------------------------------------------------------- what may happen

    @rule(
        signal=st.sampled_from(["low", "high", "opened", "alarm", "limit"]),
        value=st.sampled_from([0, 1, 1, None]),
        polls=st.sampled_from([1, 1, 2, 3, 9]),
    )
    def signal_turns(self, signal: str, value: int | None, polls: int) -> None:
        self.signals[signal] = value
        for _ in range(polls):
            self._poll()

    @rule(signal=st.sampled_from(["low", "opened", "alarm", "alarm"]), confirmed=st.booleans())
    def an_alarm_comes_and_goes(self, signal: str, confirmed: bool) -> None:
        self.signal_turns(signal, 1, 3)
        if confirmed:
            self.a_person_acts(next(k for k, x in CONTACTS.items() if x == signal), "ack")
        self.signal_turns(signal, 0, 8)

    @rule(signal=st.sampled_from(["low", "high"]))
    def a_water_level_comes_and_cannot_be_read(self, signal: str) -> None:
        self.signal_turns(signal, 1, 1)
        self.signal_turns(signal, None, 2)

    @rule(polls=st.integers(1, 6))
    def the_boiler_rests(self, polls: int) -> None:
        self.signal_turns("limit", 0, polls)
        self.signal_turns("limit", 1, polls)

    @rule(polls=st.integers(1, 40))
    def time_goes_by(self, polls: int) -> None:
        for _ in range(polls):
            self._poll()

    @rule(kind=OCCURRENCES, what=st.sampled_from(["ack", "ack", "release", "unshelve"]))
    def a_person_acts(self, kind: str, what: str) -> None:
        self._poll((what, {"occurrence": self.numbers.get(kind, 9999)}))

    @rule(kind=OCCURRENCES, seconds=st.integers(10, 900))
    def a_person_puts_aside(self, kind: str, seconds: int) -> None:
        until = START_MS + self.feed.t + self.feed.every_ms + seconds * 1000
        said = self._poll(
            ("shelve", {"occurrence": self.numbers.get(kind, 9999), "until_ms": until, "why": "on order"})
        )
        if kind in ("low_water", "high_water", "logger_disk", "nobody's"):
            assert said

    @rule(seconds=st.integers(10, 900))
    def the_boiler_leaves_service(self, seconds: int) -> None:
        until = START_MS + self.feed.t + self.feed.every_ms + seconds * 1000
        assert self._poll(("out", {"target": "B1", "until_ms": until, "why": "inspector"})) == ""

    @rule()
    def the_boiler_comes_back(self) -> None:
        self._poll(("back", {"target": "B1"}))

    @rule(active=st.booleans())
    def the_disk_fills(self, active: bool) -> None:
        self._poll(("service", {"kind": "logger_disk", "active": active, "evidence": "disk"}))

    @rule()
    def the_service_restarts(self) -> None:
        self.feed.state = restore(PLANT, dump(self.feed.state))
        self._prepare()

    # -------------------------------------------------------------- what always holds

    @invariant()
    def low_water_is_never_quiet(self) -> None:
        m = self.models["low_water"]
        assert m.state not in QUIET
        assert self.feed.alarm_state("low_water") not in QUIET
        if self.signals["low"] and m.since is not None and self.feed.t // 1000 - m.since >= 5:
            assert self.feed.alarm_state("low_water") in ("unacknowledged", "acknowledged")


Board.TestCase.settings = settings(max_examples=150, stateful_step_count=30, deadline=None)
TestBoard = Board.TestCase
