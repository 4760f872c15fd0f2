"""Mails as files, where the plant has no mail server."""

from __future__ import annotations

import asyncio
from dataclasses import astuple
from pathlib import Path

from daemon.core.scan import Group
from daemon.notify.outbox import outbox_rows
from tests.support.clock import HandClock
from tests.support.mailserver import (
    parsed,
    until,
)
from tests.support.notices import AT_MS, CHIEF, ON_CALL, notice, outcome, plant
from tests.support.post import post, running, steps


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


async def test_a_file_written_again_after_a_crash_is_the_same_file(tmp_path: Path) -> None:
    clock = HandClock(AT_MS)
    async with post(tmp_path, plant(ON_CALL), clock) as p:
        await p.store(notice())
        task = asyncio.create_task(p.sender.run())
        await p.settled(1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        before = {f: f.read_bytes() for f in p.folder.iterdir()}
        (p.folder / f".{eml(p.folder)[0].name}.part").write_bytes(b"half of it")  # as a power cut leaves it
        row = outbox_rows(notice(), p.plant)[0]
        await p.writer.commit(
            p.plant, Group(2, AT_MS + 2, 2, 1, 1, ()), outcome(2), [type(row)("again", *astuple(row)[1:])]
        )
        async with running(p.new_sender()):
            await p.settled(2)
    assert {f: f.read_bytes() for f in p.folder.iterdir()} == before


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
