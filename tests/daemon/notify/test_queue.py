"""Mails through crash, restart, a store in trouble and a stop: none lost, none twice."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import Any

import pytest

from daemon.core.scan import Group
from daemon.notify.outbox import outbox_rows
from daemon.store.errors import StoreError, StoreFull
from daemon.store.writer import Writer
from tests.support.clock import HandClock
from tests.support.mailserver import (
    Script,
    free_ports,
    scripted,
    until,
)
from tests.support.notices import AT_MS, CHIEF, GONE, ON_CALL, notice, outcome, plant
from tests.support.post import Post, post, running, server, steps


class Forgetful(Writer):
    """A store that cannot note a mail as sent, as with a full disk."""

    fails = 3

    async def mail_sent(self, mail_id: int, at_ms: int, said: str = "") -> None:
        if self.fails:
            self.fails -= 1
            raise StoreFull("no space")
        await super().mail_sent(mail_id, at_ms, said)


async def test_a_mail_the_store_could_not_note_is_not_sent_again(tmp_path: Path) -> None:
    script, clock = Script(), HandClock(AT_MS)
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port)), clock, Forgetful) as p,
        running(p.sender),
    ):
        await p.store(notice())
        await steps(clock, lambda: p.states() == ["sent", "sent"], "the notes")
    assert sorted(script.to) == sorted((ON_CALL, CHIEF))


async def test_a_crash_between_taking_and_noting_leads_to_the_same_mail_again_and_no_other(tmp_path: Path) -> None:
    script = Script()
    async with scripted(script) as port:
        site = plant(ON_CALL, mail=server(port))
        async with post(tmp_path, site, writer=Forgetful) as p:
            await p.store(notice())
            task = asyncio.create_task(p.sender.run())
            await until(lambda: script.taken, "the mail")
            task.cancel()  # nothing is noted: the process is gone
            await asyncio.gather(task, return_exceptions=True)
        async with contextlib.AsyncExitStack() as stack:
            writer = await Writer.open(tmp_path / "store.db", owner="Quillmarsh Creamery", reserve_bytes=0)
            stack.push_async_callback(writer.aclose)
            again = Post(writer, tmp_path / "store.db", site, tmp_path / "outbox", HandClock(AT_MS + 5000))
            await stack.enter_async_context(running(again.sender))
            await again.settled(1)
    first, second = script.taken
    assert first["Message-ID"] == second["Message-ID"]


async def test_a_queue_goes_on_where_it_was_after_a_restart(tmp_path: Path) -> None:
    script = Script(before_250=lambda: asyncio.sleep(0.005))
    async with scripted(script) as port:
        site = plant(ON_CALL, CHIEF, mail=server(port))
        async with post(tmp_path, site) as p, running(p.sender):
            for n in range(1, 31):
                await p.store(notice(occurrence=n))
            await until(lambda: len(script.taken) >= 17, "some of the mails")
        left = p.states().count("waiting")
        assert 0 < left < 60
        assert len(script.taken) == 60 - left, "stop leaves nothing taken and not noted"
        async with contextlib.AsyncExitStack() as stack:
            writer = await Writer.open(tmp_path / "store.db", owner="Quillmarsh Creamery", reserve_bytes=0)
            stack.push_async_callback(writer.aclose)
            again = Post(writer, tmp_path / "store.db", site, tmp_path / "outbox", HandClock(AT_MS + 5000))
            await stack.enter_async_context(running(again.sender))
            await again.settled(60)
    assert again.states() == ["sent"] * 60
    for address in (ON_CALL, CHIEF):
        mine = [m for m in script.taken if m["To"].addresses[0].addr_spec == address]
        assert [int(m["Message-ID"].split(".")[0][1:]) for m in mine] == list(range(1, 31))


class Blind(Writer):
    """A store that cannot be read for mails for a while, and cannot put one off."""

    fails = 3

    async def pending_mails(self, now_ms: int, limit: int) -> Any:
        if self.fails:
            self.fails -= 1
            raise StoreError("disk I/O error")
        return await super().pending_mails(now_ms, limit)

    async def mail_later(self, mail_id: int, next_ms: int, why: str) -> None:
        raise StoreError("disk I/O error")


async def test_trouble_with_the_store_does_not_end_the_sender(tmp_path: Path) -> None:
    script, clock = Script(), HandClock(AT_MS)
    script.rcpt[ON_CALL] = ["450 later"] * 2
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), clock, Blind) as p,
        running(p.sender),
    ):
        await p.store(notice())
        await steps(clock, lambda: p.states() == ["sent"], "the mail")
    assert script.to == [ON_CALL]
    assert script.rcpt[ON_CALL] == []
    assert isinstance(p.writer, Blind)
    assert p.writer.fails == 0


async def test_a_store_that_cannot_be_read_does_not_hold_up_mails_from_memory(tmp_path: Path) -> None:
    script = Script()
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), writer=Blind) as p,
        running(p.sender),
    ):
        assert isinstance(p.writer, Blind)
        p.writer.fails = 10**9
        await p.sender.send_direct(outbox_rows(notice(kind="logger_store", target="logger", occurrence=0), p.plant))
        await until(lambda: script.taken, "the mail")  # plant time stands still: nothing else wakes the sender
    assert script.to == [ON_CALL]


async def test_mails_from_memory_go_first_hold_up_nobody_and_are_not_sent_again_when_stored(tmp_path: Path) -> None:
    script, (port,) = Script(), free_ports(1)
    clock = HandClock(AT_MS)
    async with post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p, running(p.sender):
        full = notice(kind="logger_store", target="logger", occurrence=0, value=None, limit=None)
        rows = outbox_rows(full, p.plant)
        await p.sender.send_direct(rows)  # the server is down: this must return all the same
        await until(lambda: p.sender._failures, "a failure")
        assert not p.sender.sent_directly(rows[0].key)
        async with scripted(script, port):
            await clock.jump(61)
            await until(lambda: p.sender.sent_directly(rows[0].key), "the mail")
            await p.store(full)
            await p.settled(1)
    assert p.states() == ["sent"]
    assert len(script.taken) == 1
    assert "readings cannot be kept" in script.taken[0]["Subject"]


async def test_stop_begins_no_new_mail_and_leaves_what_hangs(tmp_path: Path) -> None:
    hold = asyncio.Event()
    script = Script(before_250=hold.wait)
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port))) as p:
        task = asyncio.create_task(p.sender.run())
        await p.store(notice())
        await until(lambda: script.at_work, "a mail in hand")
        await p.sender.stop(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert p.states() == ["waiting", "waiting"]
        hold.set()
    assert len(script.to) <= 1


@pytest.mark.parametrize("turns", range(6))
async def test_a_cancel_in_the_very_moment_of_an_answer_is_not_lost(tmp_path: Path, turns: int) -> None:
    loop = asyncio.get_running_loop()

    def cancel_in(left: int) -> None:  # so many turns of the loop after the server's answer
        loop.call_soon(cancel_in, left - 1) if left else task.cancel()

    async def answered() -> None:
        cancel_in(turns)

    script = Script(before_250=answered)
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port))) as p:
        task = asyncio.create_task(p.sender.run())
        await p.store(notice())
        await until(lambda: script.taken, "the mail")
        ended, _ = await asyncio.wait((task,), timeout=20)
        task.cancel()  # a second one, for a sender that has lost the first
        await asyncio.gather(task, return_exceptions=True)
        assert ended
        assert task.cancelled()
    assert len(script.to) == 1


@pytest.mark.parametrize("stored", [True, False])
async def test_stop_lets_the_mail_in_hand_end_and_run_ends_after_it(tmp_path: Path, stored: bool) -> None:
    hold = asyncio.Event()
    script = Script(before_250=hold.wait)
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port))) as p:
        task = asyncio.create_task(p.sender.run())
        if stored:
            await p.store(notice(), notice(occurrence=1043))
        else:
            await p.sender.send_direct([*outbox_rows(notice(), p.plant), *outbox_rows(notice(occurrence=1), p.plant)])
        await until(lambda: script.at_work, "a mail in hand")
        stopping = asyncio.create_task(p.sender.stop(60))
        await asyncio.sleep(0)
        hold.set()
        await stopping
        await asyncio.wait_for(task, 60)
        assert len(script.to) == 1
        assert p.states() == (["sent", "waiting", "waiting", "waiting"] if stored else [])


async def test_a_stored_mail_that_cannot_be_read_does_not_stop_the_next(tmp_path: Path) -> None:
    async with post(tmp_path, plant(ON_CALL)) as p, running(p.sender):
        group = Group(1, AT_MS, 0, 1, 1, ())
        good = outbox_rows(notice(), p.plant)[0]
        bad = type(good)("bad", ON_CALL, AT_MS - 1, "[]")
        await p.writer.commit(p.plant, group, outcome(1), [bad, good])
        p.sender.wake()
        await p.settled(2)
    assert p.states() == ["refused", "sent"]
    assert "could not be written" in p.mails()[0].note


async def test_a_reload_names_new_people_and_forgets_trouble_with_those_gone(tmp_path: Path) -> None:
    script = Script()
    script.rcpt[GONE] = ["550 no such person"]
    async with scripted(script) as port, post(tmp_path, plant(GONE, mail=server(port))) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        p.plant = plant(ON_CALL, mail=server(port))
        p.sender.use(p.plant)
        await p.store(notice(occurrence=1043))
        await p.settled(2)
    assert [bool(t) for t in p.told] == [True, False]
