"""What was decided is stored whole or not at all, whichever write fails."""

from __future__ import annotations

from pathlib import Path

import apsw
import pytest

from daemon.core.outcome import MailRow, NoticeRow
from daemon.store.errors import StoreError, StoreRefused
from daemon.store.records import Dealt
from daemon.store.writer import Writer
from tests.support.faultvfs import FaultDisk
from tests.support.stores import PLANT, START_MS, begin, made

ANA = "ana@quillmarsh.example"


async def with_notice(path: Path, vfs: str | None = None) -> Writer:
    writer = await begin(path, vfs=vfs)
    one = made(1)
    await writer.commit(PLANT, one.group, one.outcome, notices=[NoticeRow("1.raised", 1, "{}")])
    return writer


def decided(notice: int, withdrawn: tuple[int, ...] = ()) -> Dealt:
    mail = MailRow(f"1.raised>{ANA}", ANA, 1, '{"telling":{}}')
    return Dealt((mail,), (notice,), withdrawn, {"call 1": "{}", "recent": "1"})


async def test_after_a_write_that_failed_nothing_is_decided_and_the_next_try_decides_it_once(tmp_path: Path) -> None:
    for n in range(1, 12):
        with FaultDisk() as disk:
            writer = await with_notice(tmp_path / f"{n}.db", disk.name)
            try:
                notice = (await writer.to_deal()).notices[0].id
                fail_nth(disk, n)
                failed = False
                try:
                    await writer.deal(decided(notice), 5)
                except StoreError:
                    failed = True
                disk.fail = lambda number, kind: None
                found = await writer.to_deal()
                if failed:
                    assert ([x.id for x in found.notices], found.waiting, found.kept) == ([notice], (), {})
                    await writer.deal(decided(notice), 5)
                    found = await writer.to_deal()
                assert found.notices == ()
                assert [q.recipient for q in found.waiting] == [ANA]
                assert found.kept == {"call 1": "{}", "recent": "1"}
            finally:
                await writer.aclose()


def fail_nth(disk: FaultDisk, n: int) -> None:
    seen: list[str] = []

    def fail(number: int, kind: str) -> Exception | None:
        seen.append(kind)
        return apsw.IOError("as told") if len(seen) == n else None

    disk.fail = fail


async def test_a_notice_is_decided_once_and_a_mail_withdrawn_while_it_waits_alone(tmp_path: Path) -> None:
    writer = await with_notice(tmp_path / "a.db")
    try:
        notice = (await writer.to_deal()).notices[0].id
        await writer.deal(decided(notice), 5)
        with pytest.raises(StoreRefused, match="does not wait for a decision"):
            await writer.deal(decided(notice), 6)
        mail = (await writer.to_deal()).waiting[0]
        await writer.deal(Dealt(withdrawn=(mail.id,), kept={"recent": ""}), 7)
        found = await writer.to_deal()
        assert (found.waiting, found.kept) == ((), {"call 1": "{}"})
        again = Dealt((MailRow(mail.key, ANA, 9, "{}"),))
        await writer.deal(again, 8)
        sent = (await writer.to_deal()).waiting[0]
        await writer.mail_sent(sent.id, 9, "OK")
        await writer.deal(Dealt(again.mails, withdrawn=(sent.id,)), 10)  # it went: neither withdrawn nor written again
        assert (await writer.to_deal()).waiting == ()
    finally:
        await writer.aclose()


async def test_the_same_notice_again_is_ignored_and_another_under_its_key_refused(tmp_path: Path) -> None:
    writer = await with_notice(tmp_path / "a.db")
    try:
        two = made(2)
        with pytest.raises(StoreRefused, match="different notice"):
            await writer.commit(PLANT, two.group, two.outcome, notices=[NoticeRow("1.raised", 2, "{}")])
        await writer.commit(PLANT, two.group, two.outcome, notices=[NoticeRow("1.raised", 1, "{}")])
        assert len((await writer.to_deal()).notices) == 1
        assert (await writer.to_deal()).notices[0].at_ms < START_MS
    finally:
        await writer.aclose()
