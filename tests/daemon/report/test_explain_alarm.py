"""An alarm by its number: where its limit comes from, what was read in its delay, its states, who was mailed."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from daemon.app.stepping import advance
from daemon.core.outcome import Entry
from daemon.engine.alarm_list import alarms_of
from daemon.measure.wiring import wire
from daemon.report.explain_alarm import _of_alarm, explain_alarm
from daemon.report.explain_kinds import judged
from daemon.report.explain_made import Unknown
from daemon.report.explain_parts import Explained
from daemon.report.explain_past import Past
from daemon.store.reader import Reader
from tests.daemon.report.test_explain import step
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery
from tests.support.small_store import BOILER, cond, counted, every, store
from tests.support.wording import forbidden

START = 1_789_000_000_000


def explained(path: Path, number: int) -> Explained:
    with Reader(path) as reader:
        return explain_alarm(Past(reader, advance), number)


def occurrences() -> dict[int, list[Entry]]:
    with Reader(creamery_store()) as reader:
        found: dict[int, list[Entry]] = {}
        for e in reader.journal():
            if e.occurrence:
                found.setdefault(e.occurrence, []).append(e)
        return found


def test_every_alarm_of_the_demo_is_explained_from_its_raise_on() -> None:
    for number, entries in occurrences().items():
        told = explained(creamery_store(), number)
        assert told.facts["target"] == entries[0].target and told.facts["evidence"] == entries[0].evidence
        assert told.facts["state"] == entries[-1].state
        assert [(h["at_ms"], h["event"]) for h in told.facts["history"]] == [(e.at_ms, e.event) for e in entries]
        assert told.differs == ()
        assert len(next(s for s in told.steps if s.title == "States").rows) >= len(entries)
        assert not forbidden(told.as_text()), number
        values = next(s for s in told.steps if s.title == "Values in the delay").rows
        assert "beyond" in values[-1]  # it was raised on what it judged last


def test_a_proposed_limit_is_reckoned_from_the_set_point() -> None:
    number = next(n for n, e in occurrences().items() if e[0].kind == "conductivity_high")
    told = explained(creamery_store(), number)
    limit = step(told, "Limit")
    assert "3000 x 1.1 = 3300 umho/cm" in limit and "to be confirmed" in limit
    line = int(re.findall(r"set point: plant file line (\d+)", limit)[0])
    assert "set_point" in creamery().text.splitlines()[line - 1]
    assert "clears below 3234 umho/cm" in step(told, "Deadband")
    mailed = next(s for s in told.steps if s.title == "Who was mailed").rows
    assert any("oncall@quillmarsh.example" in r and r.startswith("raised") for r in mailed)


def test_the_values_of_the_delay_are_those_that_were_read(tmp_path: Path) -> None:
    """Continuous sample, limit 3300 from the set point: beyond it from the 41st poll on, raised a minute later."""
    scans = [counted(cond(3000 if k < 40 else 3400 + k), 5, 0, 1) for k in range(48)]
    path = store(tmp_path / "w.db", every(START, 10_000, scans))
    kept = store(tmp_path / "kept.db", every(START, 10_000, scans), snapshot_every=1)  # a state after each of the last
    assert explained(kept, 1).as_json() == explained(path, 1).as_json()
    told = explained(path, 1)
    assert told.facts["kind"] == "conductivity_high" and told.facts["group"] == 47 and told.differs == ()
    rows = next(s for s in told.steps if s.title == "Values in the delay").rows
    beyond = [r for r in rows if "beyond" in r]
    assert len(beyond) == 7 and len(rows) == 9
    for k, text in enumerate(beyond, 40):
        assert float(text.split()[1]) == pytest.approx(3400 + k, abs=0.1)
    assert "for 60 s" in step(told, "On-delay and off-delay")


def test_a_written_limit_and_a_written_delay_name_their_lines(tmp_path: Path) -> None:
    text = BOILER.replace('set_point = "3000 uS/cm"', 'set_point = "3000 uS/cm"\nhigh = "3200 uS/cm"')
    text += '\n[alarms.conductivity_high]\non_delay = "20 s"\ndeadband = 50\n'
    scans = [counted(cond(3000 if k < 40 else 3300), 5, 0, 1) for k in range(60)]
    path = store(tmp_path / "w.db", every(START, 10_000, scans), {1: text})
    told = explained(path, 1)
    lines = text.splitlines()
    for title, key in (("Limit", "high = "), ("Deadband", "deadband = "), ("On-delay and off-delay", "on_delay = ")):
        number = int(re.findall(r"plant file line (\d+)", step(told, title))[0])
        assert lines[number - 1].startswith(key), (title, number)
    assert "written: 3200 umho/cm" in step(told, "Limit")
    assert "clears below 3150 umho/cm" in step(told, "Deadband")


def test_an_acknowledgement_has_its_person(tmp_path: Path) -> None:
    scans = [counted(cond(3000 if k < 40 else 3400), 5, 0, 1) for k in range(60)]
    acts = {50: ("ack", {"occurrence": 1})}
    path = store(tmp_path / "w.db", every(START, 10_000, scans), acts=acts)
    told = explained(path, 1)
    assert "acknowledged by J. Ortiz: acknowledged" in step(told, "States")
    assert told.facts["state"] == "acknowledged" and told.facts["history"][1]["by"] == "J. Ortiz"
    assert "nobody" in step(told, "Who was mailed")  # this store was filled without mails


def test_an_unknown_number_says_which_there_are(tmp_path: Path) -> None:
    with pytest.raises(Unknown, match=r"There is no alarm 99. The log holds alarms 1 to \d"):
        explained(creamery_store(), 99)
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), 5, 0, 1)] * 3))
    with pytest.raises(Unknown, match="holds no alarm yet"):
        explained(path, 0)


def test_every_condition_of_the_demo_is_said_in_words() -> None:
    plant = creamery().plant
    for alarm in alarms_of(plant, wire(plant)):
        assert len(judged(alarm)) > 20 and "`" not in judged(alarm)
        assert not forbidden(judged(alarm))


def test_a_mail_about_several_alarms_or_a_reminder_is_told_of_each() -> None:
    def body(why: str, *numbers: int, short: bool = False) -> str:
        notices = [{"occurrence": n, "event": "raised"} for n in numbers]
        return json.dumps({"telling": {"why": why, "notices": notices, "short": short}, "by": "duty"})

    assert _of_alarm("x>a@quillmarsh.example", body("news", 7, 8, 9), 8) == "raised (with 2 more)"
    assert _of_alarm("x>a@quillmarsh.example", body("reminder", 7), 7) == "raised (reminder)"
    assert _of_alarm("x>a@quillmarsh.example", body("news", 7, short=True), 7) == "raised (short copy)"
    assert _of_alarm("7.raised>a@quillmarsh.example", body("news", 70), 7) == ""
    assert _of_alarm("7.raised>a@quillmarsh.example", "{}", 7) == "raised"  # of an earlier version
