"""The dealer on a real store: rows of earlier versions, a calendar that breaks, the sign of life, what is damaged."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from config.model import Plant
from daemon.notify.dealer import Dealer
from daemon.notify.stored import telling_of
from daemon.notify.telling import Daily, Telling
from daemon.store.records import Dealt
from daemon.store.writer import Writer
from tests.daemon.notify.test_calendar import WEEKLY, calendar
from tests.daemon.notify.test_real_dealing import brief, store
from tests.support.clock import HandClock
from tests.support.notices import notice
from tests.support.post import Post, post, running, steps
from tests.support.shift import TWO_SHIFTS, at, site

NOON = at("2026-11-05 12:00")


async def dealt(p: Post, plant: Plant, clock: HandClock, folder: Path) -> list[Telling]:
    """Decide once; the tellings that are in waiting rows."""
    await Dealer(p.writer, plant, clock, str(folder), brief=brief).deal()
    return await waiting(p.writer)


async def waiting(writer: Writer) -> list[Telling]:
    found = [telling_of(q.body) for q in await writer.pending_mails(1 << 60, 100)]
    return [t[0] for t in found if t is not None]


async def test_mails_that_an_earlier_version_wrote_still_go(tmp_path: Path) -> None:
    clock = HandClock(NOON)
    plant = site(TWO_SHIFTS)
    dealers: list[Dealer] = []

    async def deal(able: bool) -> int:
        return await dealers[0].deal(able)

    async with post(tmp_path, plant, clock, deal=deal) as p:
        dealers.append(Dealer(p.writer, plant, clock, str(tmp_path)))
        await p.store(
            notice(occurrence=7, key="7.raised", at_ms=NOON, since_ms=NOON)
        )  # rows as they were: a person each
        async with running(p.sender):
            await steps(clock, lambda: p.states() == ["sent"] * 3, "three mails as files")
    assert len(list((tmp_path / "outbox").glob("*_7-raised_*.eml"))) == 3


async def test_a_calendar_that_breaks_is_mailed_once_and_so_is_its_mending(tmp_path: Path) -> None:
    clock, plant = HandClock(at("2026-11-05 22:00")), site('[rota]\ncalendar = "oncall.ics"\n')
    file = tmp_path / "oncall.ics"
    file.write_text(calendar(WEEKLY.replace("Ben (swapped)", "Cleo")))
    async with post(tmp_path, plant, clock) as p:
        assert await dealt(p, plant, clock, tmp_path) == []
        file.write_text("broken")
        for _ in range(3):
            mails = await dealt(p, plant, clock, tmp_path)
        assert [t.name for t in mails] == ["Ana", "Ben", "Cleo"]
        assert all("it is no iCalendar file" in t.text and "The last good one is used." in t.text for t in mails)
        await store(p, 1, "raised", "unacknowledged")
        mails = await dealt(p, plant, clock, tmp_path)
        assert [t.name for t in mails if t.notices] == ["Ana"]  # by the last good one, of a dealer that never saw it
        await clock.forward(60)
        file.write_text(calendar(WEEKLY))
        mails = await dealt(p, plant, clock, tmp_path)
        assert sum("can be used again" in t.text for t in mails) == 3


async def test_a_sign_of_life_by_mail_goes_out_each_time_and_not_while_one_waits(tmp_path: Path) -> None:
    clock = HandClock(NOON)
    plant = site('[sign_of_life]\nevery = "1 h"\nmail = "watch@quillmarsh.example"\n')
    async with post(tmp_path, plant, clock) as p:
        assert [t.why for t in await dealt(p, plant, clock, tmp_path)] == ["sign of life"]
        await clock.forward(7200)
        assert len(await dealt(p, plant, clock, tmp_path)) == 1
        for q in await p.writer.pending_mails(1 << 60, 9):
            await p.writer.mail_sent(q.id, clock.now_ms())
        assert len(await dealt(p, plant, clock, tmp_path)) == 1
        assert p.mails()[-1].recipient == "watch@quillmarsh.example"


async def test_a_clock_that_was_years_ahead_puts_nothing_off(tmp_path: Path) -> None:
    plant = site('[tell]\ndaily = "07:00"\n[alarms.conductivity_high]\nrespond_within = "1 h"\n' + TWO_SHIFTS)
    ahead = HandClock(NOON + 5 * 365 * 86_400_000)
    async with post(tmp_path, plant, ahead) as p:
        await store(p, 1, "raised", "unacknowledged")
        await dealt(p, plant, ahead, tmp_path)
        right = HandClock(NOON)
        await dealt(p, plant, right, tmp_path)
        await right.forward(3601)
        assert "escalation" in [t.why for t in await dealt(p, plant, right, tmp_path)]
        await right.forward(24 * 3600)
        assert "daily" in [t.why for t in await dealt(p, plant, right, tmp_path)]


async def test_what_is_damaged_stops_nothing_else(tmp_path: Path) -> None:
    clock, plant = HandClock(NOON), site()
    async with post(tmp_path, plant, clock) as p:
        await p.writer.deal(Dealt(kept={"call 5": "[]", "call x": "{}", "call 6": '{"notice": 1}'}), NOON)
        await store(p, 1, "raised", "unacknowledged")
        assert {t.name for t in await dealt(p, plant, clock, tmp_path)} == {"Ana", "Ben", "Cleo"}
        kept = (await p.writer.to_deal()).kept
        assert [k for k in kept if k.startswith("call")] == ["call 1"]


async def test_who_wants_no_daily_mail_gets_none(tmp_path: Path) -> None:
    clock, plant = HandClock(at("2026-11-05 06:59")), site('[tell]\ndaily = "07:00"\n')
    ana = plant.persons[0].model_copy(update={"daily": False})
    plant = plant.model_copy(update={"persons": (ana, *plant.persons[1:])})
    async with post(tmp_path, plant, clock) as p:
        assert await dealt(p, plant, clock, tmp_path) == []
        await clock.forward(60)
        mails = await dealt(p, plant, clock, tmp_path)
        assert [(t.name, t.why) for t in mails] == [("Ben", "daily"), ("Cleo", "daily")]
        assert isinstance(mails[0].daily, Daily)
        assert await dealt(p, plant, clock, tmp_path) == mails


async def test_a_figure_that_cannot_be_had_does_not_keep_alarms_back(tmp_path: Path) -> None:
    clock, plant = HandClock(at("2026-11-05 06:59")), site('[tell]\ndaily = "07:00"\n')

    async def fails(from_ms: int, to_ms: int) -> Daily:
        raise RuntimeError("no figures")

    async with post(tmp_path, plant, clock) as p:
        dealer = Dealer(p.writer, plant, clock, str(tmp_path), brief=fails)
        await dealer.deal()
        await clock.forward(60)
        await store(p, 1, "raised", "unacknowledged")
        await dealer.deal()
        mails = await waiting(p.writer)
    assert {t.why for t in mails} == {"news", "daily"}
    told = next(t for t in mails if t.why == "daily")
    assert "could not be put together" in told.text


def test_a_telling_is_read_back_as_it_was_stored() -> None:
    from daemon.notify.stored import telling_json
    from daemon.notify.telling import BoilerDay, Told

    day = Daily(1, 2, (BoilerDay("B1", 2900.0, 3300.0, 5.0, 3),), ("a",), ("b",), (("Makeup", "1 gal"),), ("due",), "h")
    more: dict[str, Any] = {"told": (Told("Ben", 1),), "next_told": Told("Cleo", 2), "remarks": ("r",), "daily": day}
    one = Telling("news", "Ana", "ana@quillmarsh.example", (notice(held_back=("x",)),), nth=2, at_ms=5, **more)
    assert telling_of(telling_json(one, "duty")) == (one, "duty")
    newer = json.loads(telling_json(one, "duty"))
    newer["telling"]["of a later version"] = 1
    assert telling_of(json.dumps(newer)) == (one, "duty")
