"""Who is told of what and when: cases that read like a shift log, and what must hold for any shift."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.notify.moments import FLOOD
from daemon.notify.roster import roster
from tests.support.shift import ALL, ANA, BEN, CLEO, TWO_SHIFTS, Shift, at, site

HIGHEST = {"priority": "highest", "kind": "conductivity_very_high"}


def names(went: list[tuple[str, str, str, tuple[int, ...]]]) -> set[str]:
    return {w[0] for w in went}


def test_without_a_rota_everybody_is_told_at_once_and_of_the_end_too() -> None:
    s = Shift(site())
    s.alarm(1)
    assert s.tick() == [(n, "news", "raised", (1,)) for n in (ANA, BEN, CLEO)]
    assert s.tick(1) == []
    s.over(1)
    assert s.tick(1) == [(n, "news", "returned", (1,)) for n in (ANA, BEN, CLEO)]
    assert s.tick(60 * 24 * 3) == []
    assert not [k for k in s.kept if k.startswith("call")]


def test_with_a_rota_the_first_on_duty_is_told_then_after_the_time_to_respond_everybody() -> None:
    s = Shift(site(TWO_SHIFTS + '[alarms.conductivity_high]\nrespond_within = "30 min"\n'))
    s.alarm(1)
    assert s.tick() == [(ANA, "news", "raised", (1,))]
    telling = s.sent[-1][1]
    assert telling.next_told is not None
    assert (telling.next_told.name, telling.next_told.at_ms - s.now) == ("Ben, Cleo", 30 * 60_000)
    assert s.tick(29) == []
    assert s.tick(1) == [(n, "escalation", "raised", (1,)) for n in (BEN, CLEO)]
    assert {t.name for t in s.sent[-1][1].told} == {ANA, BEN}


def test_two_on_duty_are_told_one_after_the_other() -> None:
    both = '[[rota.turn]]\nperson = "Ben"\n[[rota.turn]]\nperson = "Ana"\n'
    s = Shift(site(both + '[alarms.conductivity_high]\nrespond_within = "30 min"\n'))
    s.alarm(1)
    assert names(s.tick()) == {ANA}  # the order of the plant file, not of the turns
    assert names(s.tick(30)) == {BEN}
    assert names(s.tick(30)) == {CLEO} | {ANA, BEN}  # an hour is over: those on duty are reminded
    assert [w[1] for w in s.tick(0)] == []


def test_acknowledged_stops_it_and_the_others_who_know_are_told_so() -> None:
    s = Shift(site(TWO_SHIFTS + '[alarms.conductivity_high]\nrespond_within = "30 min"\n'))
    s.alarm(1)
    s.tick()
    s.tick(30)
    s.ack(1, "ana@quillmarsh.example")
    assert s.tick(1) == [(n, "news", "acknowledged", (1,)) for n in (BEN, CLEO)]
    assert s.tick(60 * 24) == []
    s.over(1)
    assert names(s.tick(1)) == ALL


@pytest.mark.parametrize("alarm", [HIGHEST, {"priority": "low", "kind": "low_water"}])
def test_the_gravest_go_to_everybody_on_duty_at_once_at_any_hour(alarm: dict[str, Any]) -> None:
    both = '[[rota.turn]]\nperson = "Ben"\n[[rota.turn]]\nperson = "Ana"\n'
    s = Shift(site(both + '[tell]\nquiet = { low = "22:00..06:00", medium = "22:00..06:00" }\n'))
    s.now = at("2026-11-03 23:00")
    s.alarm(1, **alarm)
    assert names(s.tick()) == {ANA, BEN}


def test_nobody_on_duty_means_everybody_and_the_mail_says_so() -> None:
    s = Shift(site('[[rota.turn]]\nperson = "Ana"\nhours = "06:00..14:00"\n'), now=at("2026-11-03 15:00"))
    s.alarm(1)
    assert names(s.tick()) == ALL
    assert s.sent[0][1].remarks == ("Nobody is on duty now by the rota, so everybody is told.",)


def test_quiet_hours_hold_what_is_low_until_the_morning_and_then_join_it() -> None:
    s = Shift(site('[tell]\nquiet = { low = "22:00..06:00" }\n'), now=at("2026-11-03 22:00"))
    s.alarm(1, "low")
    s.alarm(2, "medium")
    s.alarm(3, "low")
    assert {w[3] for w in s.tick()} == {(2,)}
    assert s.last is not None
    assert (s.last.held, s.last.next_ms) == (2, at("2026-11-03 23:00"))  # by then a reminder of 2 is due
    s.over(1)
    s.ack(2, "Ana")
    s.tick(7 * 60)
    assert [w for w in s.send() if w[3] != (2,)] == []
    went = s.tick(60)
    assert went == [(n, "news", "raised+returned", (1, 3, 1)) for n in (ANA, BEN, CLEO)]


def test_reminders_grow_rarer_and_wait_through_quiet_hours() -> None:
    s = Shift(site('[tell]\nquiet = { medium = "22:00..06:00" }\n'), now=at("2026-11-03 06:30"))
    s.alarm(1)
    s.tick()
    told = []
    for _ in range(24 * 12 * 3):
        if s.tick(5):
            told.append((s.now - at("2026-11-03 06:30")) / 3_600_000)
            assert s.sent[-1][1].why == "reminder"
    assert told == [1, 3, 7, 15, 39, 63]  # after 1, 2, 4, 8 h, then daily
    assert s.sent[-1][1].nth == 7


def test_a_flood_is_one_mail_a_person_and_the_gravest_passes_it() -> None:
    s = Shift(site())
    s.alarm(1)
    assert len(s.tick()) == 3
    for n in range(2, 10):
        s.alarm(n)
    assert s.tick(0.2) == [(p, "news", "raised", tuple(range(2, 10))) for p in (ANA, BEN, CLEO)]
    s.alarm(10)
    assert s.tick(0.2) == []
    s.alarm(11, **HIGHEST)
    assert s.tick(0.2) == [(p, "news", "raised", (11,)) for p in (ANA, BEN, CLEO)]
    assert s.last is not None
    assert 0 < s.last.next_ms - s.now <= 120_000
    assert s.tick(2) == [(p, "news", "raised", (10,)) for p in (ANA, BEN, CLEO)]


def test_a_few_alarms_are_mails_of_their_own() -> None:
    s = Shift(site())
    for n in range(1, FLOOD):
        s.alarm(n)
        assert len(s.tick(1)) == 3
    assert all(len(t.notices) == 1 for _, t in s.sent)


def test_a_mail_that_could_not_go_for_a_day_goes_to_whoever_is_on_duty_then_once() -> None:
    s = Shift(site(TWO_SHIFTS + '[alarms.conductivity_high]\nrespond_within = "2 d"\n'), now=at("2026-11-03 14:00"))
    s.server = False
    s.alarm(1)
    s.tick()
    assert [q.recipient for q in s.waiting] == ["ana@quillmarsh.example"]
    for n in range(2, 12):
        s.tick(10)
        s.alarm(n)
    s.over(1)
    s.tick(10)
    assert len(s.waiting) <= 2  # what is new waits undecided; a mail to Ana is there to try the server with
    s.tick((at("2026-11-03 19:00") - s.now) / 60_000)
    assert {q.recipient for q in s.waiting} == {"ben@quillmarsh.example"}
    s.server = True
    s.tick((at("2026-11-04 01:00") - s.now) / 60_000)
    s.tick(1)
    heard = s.heard()
    assert {name for _, name in heard} == {BEN}
    assert {key: why for (key, _), why in heard.items() if key.startswith(("1.", "2."))} == {
        "1.raised": ["news"],
        "1.returned": ["news"],
        "2.raised": ["news"],
    }
    assert len(heard) == 12


def test_a_raise_and_its_end_that_are_put_off_past_the_change_of_duty_go_to_the_next_together() -> None:
    s = Shift(site(TWO_SHIFTS), now=at("2026-11-03 17:50"), puts_off=True)
    s.alarm(1)
    s.tick()
    s.over(1)
    s.tick(1)
    assert [q.recipient for q in s.waiting] == ["ana@quillmarsh.example"] * 2
    s.tick(20)
    assert [q.recipient for q in s.waiting] == ["ben@quillmarsh.example"] * 2
    s.puts_off = False
    assert s.tick(1) == [(BEN, "news", "raised", (1,)), (BEN, "news", "returned", (1,))]


def test_a_mail_to_somebody_who_is_no_longer_in_the_plant_file_goes_to_those_who_are() -> None:
    s = Shift(site('[[rota.turn]]\nperson = "Cleo"\n'), server=False)
    s.alarm(1)
    s.tick()
    assert [q.recipient for q in s.waiting] == ["cleo@quillmarsh.example"]
    plant = site()
    s.plant = plant.model_copy(update={"persons": plant.persons[:2]})
    s.server = True
    assert names(s.tick(1)) == {ANA, BEN}


def test_what_went_from_memory_while_nothing_could_be_stored_is_not_told_again_but_watched() -> None:
    s = Shift(site())
    s.alarm(1)
    row = s.notices.pop()
    s.notices.append(type(row)(row.id, row.key, row.at_ms, row.body, True))
    assert s.tick() == []
    assert names(s.tick(61)) == ALL
    assert s.sent[-1][1].why == "reminder"


def test_a_text_address_gets_a_short_copy() -> None:
    plant = site().model_copy()
    ana = plant.persons[0].model_copy(update={"text_address": "555@text.quillmarsh.example"})
    s = Shift(plant.model_copy(update={"persons": (ana,)}))
    s.alarm(1)
    assert len(s.tick()) == 2
    assert [(t.address, t.short) for _, t in s.sent] == [
        ("ana@quillmarsh.example", False),
        ("555@text.quillmarsh.example", True),
    ]


def test_the_same_moment_decided_again_makes_the_same_mails() -> None:
    """A crash between deciding and storing changes nothing: keys and bodies are those of the first time."""
    one, two = (Shift(site(TWO_SHIFTS)) for _ in range(2))
    for s in (one, two):
        s.server = False
        s.alarm(1)
        s.alarm(2)
        s.tick(1)
    assert one.waiting == two.waiting


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["raise", "raise", "over", "ack", "wait", "wait", "wait", "cut", "mend"]),
        st.integers(0, 600),
        st.sampled_from(["low", "medium", "high", "highest"]),
    ),
    max_size=40,
)
QUIET = '[tell]\nquiet = { low = "22:00..06:00", medium = "23:00..05:00" }\n'


@settings(max_examples=150, deadline=None)
@example([("cut", 0, "low"), ("raise", 0, "low"), *(("wait", m, "low") for m in (184, 131, 329, 329))], TWO_SHIFTS)
@given(MOVES, st.sampled_from(["", TWO_SHIFTS, '[[rota.turn]]\nperson = "Ben"\ndays = ["Tue"]\n']))
def test_nobody_is_forgotten_and_no_event_is_told_twice(moves: list[tuple[str, int, str]], rota: str) -> None:
    s = Shift(site(rota + QUIET))
    number = 0
    for move, minutes, priority in moves:
        if move == "raise":
            number += 1
            s.alarm(number, priority)
        elif move == "over" and (up := [n for n, a in s.standing.items() if a.state.startswith(("un", "ack"))]):
            s.over(up[minutes % len(up)])
        elif move == "ack" and s.standing:
            s.ack(list(s.standing)[minutes % len(s.standing)], BEN)
        elif move in ("cut", "mend"):
            s.server = move == "mend"
        s.tick(minutes if move == "wait" else 1)
    s.server = True
    for _ in range(40):  # the end of any quiet hours, and of any flood
        s.tick(30)
    assert s.notices == []
    heard = s.heard()
    for n in range(1, number + 1):
        assert any(key == f"{n}.raised" for key, _ in heard), f"nobody was told of {n}"
    for (key, name), whys in heard.items():
        assert whys.count("news") + whys.count("escalation") <= 1, f"{name} was told of {key} twice: {whys}"
    for (key, name), _ in heard.items():
        if key.endswith(".returned") and (key.replace("returned", "raised"), name) not in heard:
            raise AssertionError(f"{name} was told of the end of {key} alone")
    on = {p.name for p in roster(s.plant, s.now).on_duty(s.now)} or ALL
    for n, a in s.standing.items():  # still standing and unconfirmed twenty hours on: those on duty now know
        if a.state == "unacknowledged":
            assert on & {name for key, name in heard if key == f"{n}.raised"}
