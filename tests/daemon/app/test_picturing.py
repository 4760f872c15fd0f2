"""The picture of a mail, from the store to the message: drawn by its own process, kept, and done without."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.app.picturing import NO_PICTURE, Pictures
from daemon.core.outcome import Entry, Notice
from daemon.notify.compose import compose
from daemon.notify.looking import look
from daemon.notify.telling import Telling
from daemon.store.reader import Reader
from tests.support.clock import HandClock
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery
from tests.support.wording import forbidden

PNG = b"\x89PNG\r\n\x1a\n"


def raised() -> list[Entry]:
    with Reader(creamery_store()) as reader:
        found = [e for e in reader.journal() if e.event == "raised"]
    return list({e.kind: e for e in found}.values())


def notice(e: Entry) -> Notice:
    return Notice(
        e.occurrence, "raised", e.target, e.kind, e.name, e.priority, e.at_ms, e.at_ms, e.value, e.limit, e.unit,
        e.evidence, "good", e.state,
    )  # fmt: skip


def end_ms() -> int:
    with Reader(creamery_store()) as reader:
        last = reader.last()
    assert last is not None
    return last.at_ms


@pytest.mark.parametrize("entry", raised(), ids=lambda e: e.kind)
def test_every_alarm_of_the_creamery_has_its_picture_and_says_it_in_numbers(entry: Entry) -> None:
    with Reader(creamery_store()) as reader:
        found = look(reader, notice(entry), end_ms())
    assert found is not None and found.png.startswith(PNG)
    assert 300 < found.width < 600 and 100 < found.height < 600
    assert f"Trend of {entry.target}" in found.alt and "raised at" in found.alt
    assert not forbidden(found.alt) and all(not forbidden(f"{k}: {v}") for k, v in found.numbers)


async def test_its_own_process_draws_it_once_for_all_who_are_told(tmp_path: Path) -> None:
    plant = creamery().plant
    entry = next(e for e in raised() if e.kind == "conductivity_high")
    clock = HandClock(end_ms())
    pictures = Pictures(creamery_store(), clock)
    telling = Telling("news", "On call", "oncall@quillmarsh.example", (notice(entry),))
    shown = await pictures.exhibit(telling)
    assert shown is not None and shown.png.startswith(PNG)
    assert await pictures.exhibit(replace(telling, name="Facilities")) is shown
    message = compose(telling, plant, now_ms=clock.now_ms(), exhibit=shown)
    kinds = [part.get_content_type() for part in message.walk()]
    assert "image/png" in kinds and "text/plain" in kinds
    page = message.get_body(("html",))
    assert page is not None and "cid:trend." in str(page.get_content())


async def test_a_mail_goes_without_it_where_it_cannot_be_drawn(tmp_path: Path) -> None:
    entry = raised()[0]
    pictures = Pictures(tmp_path / "none.db", HandClock(end_ms()))
    found = await pictures.exhibit(Telling("news", "On call", "oncall@quillmarsh.example", (notice(entry),)))
    assert found is not None and found.png == b"" and found.missing == NO_PICTURE
    several = Telling("news", "On call", "oncall@quillmarsh.example", (notice(entry), notice(entry)))
    assert await pictures.exhibit(several) is None
