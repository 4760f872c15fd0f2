"""Mails on their way: real servers, a real store, plant time by hand or fast."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import re
import ssl
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from config.model import Plant
from daemon.core.clock import Clock, FastClock
from daemon.core.outcome import Notice
from daemon.core.scan import Group
from daemon.notify.outbox import outbox_rows
from daemon.notify.sender import LONGEST_PAUSE_S, Sender, pause_s
from daemon.store.errors import StoreFull
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.clock import HandClock
from tests.support.mailserver import (
    PASSWORD,
    USER,
    Certificates,
    Exim,
    Script,
    free_ports,
    parsed,
    scripted,
    until,
)
from tests.support.notices import AT_MS, CHIEF, GONE, ON_CALL, PLANT, SLOW, notice, outcome, plant

DAY_S = 86_400.0


@dataclass
class Post:
    """A store with mails in it and a sender on it."""

    writer: Writer
    path: Path
    plant: Plant
    folder: Path
    clock: Clock
    told: list[str] = field(default_factory=list)
    sender: Sender = field(init=False)
    groups: int = 0

    def __post_init__(self) -> None:
        self.sender = self.new_sender()

    def new_sender(self, **more: Any) -> Sender:
        async def on_trouble(text: str) -> None:
            self.told.append(text)

        return Sender(self.writer, self.plant, self.clock, self.folder, on_trouble=on_trouble, **more)

    async def store(self, *notices: Notice) -> None:
        """One group with these notices, and their mails."""
        self.groups += 1
        group = Group(self.groups, AT_MS + self.groups, self.groups, 1, 1, ())
        rows = [row for n in notices for row in outbox_rows(n, self.plant)]
        await self.writer.commit(self.plant, group, outcome(self.groups, *notices), rows)
        self.sender.wake()

    def mails(self) -> list[Any]:
        reader = Reader(self.path)
        try:
            return list(reader.mails())
        finally:
            reader.close()

    def states(self) -> list[str]:
        return [m.state for m in self.mails()]

    async def settled(self, count: int) -> None:
        """Wait until so many mails do not wait any more."""
        await until(lambda: sum(s != "waiting" for s in self.states()) >= count, f"{count} mails of {self.mails()}")


@contextlib.asynccontextmanager
async def post(
    tmp_path: Path, site: Plant, clock: Clock | None = None, writer: type[Writer] = Writer, **more: Any
) -> AsyncIterator[Post]:
    path = tmp_path / "store.db"
    w = await writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0, durable=False)
    try:
        await w.add_plant_version(PLANT, hashlib.sha256(PLANT.encode()).hexdigest(), AT_MS)
        await w.open_segment("run", 0, AT_MS, "start")
        out = Post(w, path, site, tmp_path / "outbox", clock or HandClock(AT_MS))
        if more:
            out.sender = out.new_sender(**more)
        yield out
    finally:
        await w.aclose()


@contextlib.asynccontextmanager
async def running(sender: Sender) -> AsyncIterator[None]:
    task = asyncio.create_task(sender.run())
    try:
        yield
        await sender.stop(10)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def steps(clock: HandClock, true: Callable[[], Any], what: str) -> float:
    """Move plant time on, 10 s at a time, until something is so; gives how far."""
    begun = clock.elapsed()
    for _ in range(2000):
        if true():
            return clock.elapsed() - begun
        await clock.forward(10)
        await asyncio.sleep(0.01)
    raise AssertionError(f"waited in vain for {what}")


def server(port: int, security: str = "none", *more: str) -> str:
    lines = (f'server = "localhost"\nport = {port}\nsecurity = "{security}"\nsender = "waterside@quillmarsh.example"',)
    return "\n".join((*lines, *more))


def login(folder: Path, password: str = PASSWORD) -> tuple[str, str]:
    (folder / "password").write_text(password + "\n", "utf-8")
    return f'user = "{USER}"', f'password_file = "{folder / "password"}"'


def trusting(c: Certificates) -> str:
    return f'ca_file = "{c.ca}"'


# ---------------------------------------------------------------------------------------------- a real server


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_mail_goes_encrypted_and_logged_in_and_arrives_whole(
    postbox: Exim, tmp_path: Path, security: str
) -> None:
    port = postbox.port if security == "starttls" else postbox.tls_port
    mail = server(port, security, *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, CHIEF, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        arrived = await postbox.delivered(2)
        await p.settled(2)
    assert p.states() == ["sent", "sent"]
    assert p.told == [""]
    assert {m["Envelope-to"] for m in arrived} == {ON_CALL, CHIEF}
    for m in arrived:
        assert m["Subject"] == "Quillmarsh Creamery B1: conductivity high 3,420 umho/cm (limit 3,300) [1042]"
        assert m["Auto-Submitted"] == "auto-generated"
        plain, html = m.get_body(("plain",)), m.get_body(("html",))
        assert plain is not None
        assert html is not None
        assert "waterside ack 1042 --by NAME" in plain.get_content()
        assert "waterside ack 1042 --by NAME" in html.get_content()
    assert re.search(r"<= waterside@quillmarsh\.example .*X=TLS\S+ .*A=plain:waterside", postbox.log())


async def test_one_refused_for_good_stops_nobody_and_is_told_once(postbox: Exim, tmp_path: Path) -> None:
    mail = server(postbox.port, "starttls", *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(GONE, ON_CALL, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        await p.settled(2)
        # what the service does with trouble: an alarm of its own, mailed to the same people
        await p.store(notice(target="logger", kind="logger_mail", occurrence=1043, value=None, limit=None))
        await p.settled(4)
        await p.store(notice(event="returned", at_ms=AT_MS + 60_000))
        await p.settled(6)
    assert p.states() == ["refused", "sent"] * 3
    assert "550 no such person here" in p.mails()[0].note
    assert len(p.told) == 1, "a refusal of the mail about refusals must not lead to another"
    assert GONE in p.told[0]
    assert "550 no such person here" in p.told[0]
    assert [m["Envelope-to"] for m in await postbox.delivered(3)] == [ON_CALL] * 3


async def test_a_wrong_password_is_said_at_once_keeps_the_mail_and_is_read_anew_at_each_try(
    postbox: Exim, tmp_path: Path
) -> None:
    clock = HandClock(AT_MS)
    mail = server(postbox.port, "starttls", *login(tmp_path, "wrong"), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail), clock) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert "refused the login of waterside: 535" in p.told[0]
        assert "password_file" in p.told[0]
        assert p.states() == ["waiting"]
        login(tmp_path)
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60
        await postbox.delivered(1)
    assert p.states() == ["sent"]
    assert len(p.told) == 2
    assert p.told[1] == ""


async def test_a_certificate_nobody_vouches_for_gets_no_password_and_a_clear_word(
    postbox: Exim, tmp_path: Path
) -> None:
    strange = f'ca_file = "{postbox.certificates.stranger}"'
    mail = server(postbox.port, "starttls", *login(tmp_path), strange)
    logins = postbox.log().count("A=plain")
    async with post(tmp_path, plant(ON_CALL, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
    assert "shows a certificate that is not trusted" in p.told[0]
    assert "ca_file" in p.told[0]
    assert p.states() == ["waiting"]
    assert postbox.log().count("A=plain") == logins


async def test_a_certificate_of_another_name_is_not_trusted(postbox: Exim, tmp_path: Path) -> None:
    mail = server(postbox.tls_port, "tls", *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail.replace("localhost", "127.0.0.1"))) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
    assert "shows a certificate that is not trusted" in p.told[0]
    assert p.states() == ["waiting"]


async def test_one_put_off_waits_and_goes_later_without_alarm(postbox: Exim, tmp_path: Path) -> None:
    clock = HandClock(AT_MS)
    mail = server(postbox.port, "starttls", *login(tmp_path), trusting(postbox.certificates))
    postbox.busy(True)
    async with post(tmp_path, plant(SLOW, ON_CALL, mail=mail), clock) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
        assert p.states() == ["waiting", "sent"]
        assert "come back later" in p.mails()[0].note
        postbox.busy(False)
        assert await steps(clock, lambda: p.states()[0] == "sent", "the second try") >= 60
    assert p.states() == ["sent", "sent"]
    assert p.told == [""]


# ---------------------------------------------------------------------------------------------- a day without


async def test_nothing_is_lost_while_the_server_is_down_for_a_day(tmp_path: Path) -> None:
    script, (port,) = Script(), free_ports(1)
    clock = FastClock(28_800.0, AT_MS)
    async with post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port)), clock) as p, running(p.sender):
        for n in range(15):
            await p.store(notice(occurrence=n + 1), notice(occurrence=n + 1, event="returned", at_ms=AT_MS + 1 + n))
        await until(lambda: clock.elapsed() >= DAY_S, "the end of the day")
        assert set(p.states()) == {"waiting"}
        assert len(p.told) == 1
        assert "cannot be reached" in p.told[0]
        tries = sum(m.tries for m in p.mails())
        assert 24 <= tries <= 60, "growing pauses: a day of half hours and a few shorter ones"
        async with scripted(script, port):
            await p.settled(60)
    assert p.states() == ["sent"] * 60
    assert p.told[1:] == [""]
    ids = [m["Message-ID"] for m in script.taken]
    assert len(ids) == len(set(ids)) == 60
    for address in (ON_CALL, CHIEF):
        mine = [m["Message-ID"].split(".") for m in script.taken if m["To"].addresses[0].addr_spec == address]
        assert [(int(i[0][1:]), i[1]) for i in mine] == [(n + 1, e) for n in range(15) for e in ("raised", "returned")]
    body = script.taken[0].get_body(("plain",))
    assert body is not None
    assert "This mail is late" in body.get_content()


@pytest.mark.parametrize(("tries", "seconds"), [(1, 60), (2, 120), (3, 240), (5, 960), (6, 1800), (99999, 1800)])
def test_pauses_double_up_to_half_an_hour(tries: int, seconds: float) -> None:
    assert pause_s(tries) == seconds
    assert pause_s(tries) <= LONGEST_PAUSE_S


async def test_a_new_mail_is_a_reason_to_try_a_dead_server_again(tmp_path: Path) -> None:
    script, (port,) = Script(), free_ports(1)
    clock = HandClock(AT_MS)
    async with post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p, running(p.sender):
        await p.store(notice())
        for _ in range(4):  # 1, 2, 4, 8 minutes
            await until(lambda: p.sender._failures, "a failure")
            failures = p.sender._failures
            await clock.jump(pause_s(failures) + 1)
            await until(lambda f=failures: p.sender._failures > f, "the next failure")
        async with scripted(script, port):
            await clock.forward(61)
            assert script.taken == [], "16 minutes are not over"
            await p.store(notice(occurrence=1043))
            await p.settled(2)
    assert len(script.taken) == 2


# ---------------------------------------------------------------------------------------------- odd servers


async def test_a_server_that_closes_after_a_few_mails_gets_them_all(tmp_path: Path) -> None:
    script = Script(per_connection=3)
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(*(notice(occurrence=n) for n in range(1, 11)))
        await p.settled(10)
    assert [int(m["Message-ID"].split(".")[0][1:]) for m in script.taken] == list(range(1, 11))
    assert script.connections == 4
    assert p.told == [""]


async def test_never_two_mails_at_once_however_often_it_is_woken(tmp_path: Path) -> None:
    script = Script(before_250=lambda: asyncio.sleep(0.005))
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port))) as p,
        running(p.sender),
    ):
        for n in range(1, 16):
            await p.store(notice(occurrence=n))
        for _ in range(20):
            p.sender.wake()
            await asyncio.sleep(0.002)
        await p.settled(30)
    assert script.most_at_work == 1
    assert len({m["Message-ID"] for m in script.taken}) == len(script.taken) == 30


async def test_a_sender_refused_is_the_plant_files_fault_and_no_mail_is_lost(tmp_path: Path) -> None:
    script, clock = Script(sender=["550 who are you"]), HandClock(AT_MS)
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p,
        running(p.sender),
    ):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert "refused the sender waterside@quillmarsh.example: 550 who are you" in p.told[0]
        assert p.states() == ["waiting"]
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60


async def test_a_message_refused_for_good_is_recorded_with_the_servers_words(tmp_path: Path) -> None:
    script = Script(data=["554 not of this kind"])
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(notice(), notice(occurrence=1043))
        await p.settled(2)
    assert p.states() == ["refused", "sent"]
    assert "554 not of this kind" in p.mails()[0].note
    assert p.told == [p.told[0], ""]
    assert "554 not of this kind" in p.told[0]


async def test_without_starttls_nothing_is_sent_in_the_clear(tmp_path: Path, certs: Certificates) -> None:
    script = Script()
    mail = plant(ON_CALL, mail="")
    async with scripted(script) as port:
        mail = plant(ON_CALL, mail=server(port, "starttls", *login(tmp_path), trusting(certs)))
        async with post(tmp_path, mail) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.told, "the trouble")
    assert "STARTTLS" in p.told[0]
    assert p.states() == ["waiting"]
    assert script.taken == []


async def test_a_server_that_says_nothing_is_left_after_a_while(tmp_path: Path) -> None:
    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    async with await asyncio.start_server(mute, "127.0.0.1", 0) as silent:
        port = silent.sockets[0].getsockname()[1]
        async with post(tmp_path, plant(ON_CALL, mail=server(port)), timeout_s=0.2) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.mails()[0].tries, "a try")
    assert p.states() == ["waiting"]
    assert "cannot be reached" in p.mails()[0].note


async def test_a_temporary_refusal_that_does_not_end_is_said(tmp_path: Path) -> None:
    script, clock = Script(), HandClock(AT_MS)
    script.rcpt[ON_CALL] = ["450 later"] * 6
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p,
        running(p.sender),
    ):
        await p.store(notice())
        for tries in range(1, 7):
            waited = await steps(clock, lambda t=tries: p.mails()[0].tries == t, f"try {tries}")
            assert waited >= (pause_s(tries - 1) if tries > 1 else 0)
            await until(lambda: p.sender._idle.is_set(), "rest")
            assert any(p.told) == (tries >= 5)
        await steps(clock, lambda: p.states() == ["sent"], "the mail")
    assert "put off again and again" in p.told[-2]
    assert p.told[-1] == ""


async def test_the_name_given_in_the_greeting_is_one_a_strict_server_takes(tmp_path: Path) -> None:
    script = Script()
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
    assert re.fullmatch(r"[A-Za-z0-9.-]+", script.hello[0])


# ---------------------------------------------------------------------------------------------- crash and store


class Forgetful(Writer):
    """A store that cannot note a mail as sent, as with a full disk."""

    fails = 3

    async def mail_sent(self, mail_id: int, at_ms: int) -> None:
        if self.fails:
            self.fails -= 1
            raise StoreFull("no space")
        await super().mail_sent(mail_id, at_ms)


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


# ---------------------------------------------------------------------------------------------- files


def eml(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.eml"))


async def test_without_a_server_mails_are_files_named_by_time_number_and_event(tmp_path: Path) -> None:
    async with post(tmp_path, plant(ON_CALL, CHIEF), demo_speed=60.0) as p, running(p.sender):
        await p.store(notice(), notice(event="returned", at_ms=AT_MS + 60_000))
        await p.settled(4)
    names = [f.name for f in eml(p.folder)]
    assert names == [
        "20261103-012712_1042-raised_B1-conductivity-high_chief@quillmarsh.example.eml",
        "20261103-012712_1042-raised_B1-conductivity-high_oncall@quillmarsh.example.eml",
        "20261103-012812_1042-returned_B1-conductivity-high_chief@quillmarsh.example.eml",
        "20261103-012812_1042-returned_B1-conductivity-high_oncall@quillmarsh.example.eml",
    ]
    assert len(list(p.folder.iterdir())) == 4, "nothing half written is left"
    message = parsed(eml(p.folder)[0].read_bytes())
    assert message["Subject"].startswith("DEMO at 60x speed: Quillmarsh Creamery B1: conductivity high")
    assert p.states() == ["sent"] * 4


async def test_a_folder_that_takes_no_file_is_trouble_and_the_mail_waits(tmp_path: Path) -> None:
    clock = HandClock(AT_MS)
    (tmp_path / "outbox").write_text("a file is in the way")
    async with post(tmp_path, plant(ON_CALL), clock) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert str(p.folder) in p.told[0]
        p.folder.unlink()
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60
    assert len(eml(p.folder)) == 1
    assert p.told[-1] == ""


async def test_tls_of_a_scripted_server_is_used_when_it_is_offered(tmp_path: Path, certs: Certificates) -> None:
    script = Script()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certs.cert, certs.key)
    more: tuple[str, ...] = (*login(tmp_path), trusting(certs))
    site: Callable[[int], Plant] = lambda port: plant(ON_CALL, mail=server(port, "starttls", *more))  # noqa: E731
    async with scripted(script, tls=context) as port, post(tmp_path, site(port)) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
    assert len(script.taken) == 1
