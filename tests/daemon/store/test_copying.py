"""The copy to a central server: Debian's victoria-metrics takes it; outages, refusals, bad lines, corrected dates."""

from __future__ import annotations

import asyncio
import http.server
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Copy
from daemon.core.outcome import Blow, Entry
from daemon.core.reasons import Quality, quality
from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.store.copying import MOST_GROUPS, Copier, CopyTrouble, Server, pause_s
from daemon.store.line_protocol import Lines, key
from daemon.store.reader import Reader
from daemon.store.records import ClockCorrection, Cursor
from daemon.store.writer import Writer
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery
from tests.support.small_store import BOILER, cond, counted, every, store
from tests.support.timeseries import TimeSeries, same

T0 = 1_790_000_000_000
PLANT = "quillmarsh-creamery"


@pytest.fixture(scope="module")
def central(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeSeries]:
    with TimeSeries(tmp_path_factory.mktemp("central")) as server:
        yield server


def copier(path: Path, url: str, name: str = PLANT, cursor: Cursor | None = None) -> Copier:
    return Copier(path, name, Server(Copy(url=url)), cursor or Cursor())


def copy_all(c: Copier) -> int:
    lines = 0
    while True:
        done = c.round()
        lines += done.lines
        assert done.left_out == []
        if not done.more:
            return lines


def test_every_reading_of_the_creamery_arrives_as_it_is_stored(central: TimeSeries) -> None:
    path = creamery_store()
    copy_all(copier(path, central.url))
    found = central.export(f'waterside_reading_value{{plant="{PLANT}"}}')
    quality_of = central.export(f'waterside_reading_quality{{plant="{PLANT}"}}')
    by_tag = {dict(labels)["tag"]: points for labels, points in found.items()}
    verdict_of = {dict(labels)["tag"]: points for labels, points in quality_of.items()}
    plant = creamery().plant
    want: dict[str, dict[int, float]] = {}
    said: dict[str, dict[int, float]] = {}
    rank = {Quality.GOOD: 0.0, Quality.UNCERTAIN: 1.0, Quality.BAD: 2.0}
    with Reader(path) as reader:
        for s in reader.groups():
            at = s.group.at_ms
            for scan, verdicts in zip(s.group.scans, s.verdicts, strict=True):
                for tag in (t for t in raw_tags(plant) if t.module == scan.module):
                    count, verdict = scan.counts[tag.channel], verdicts[tag.channel]
                    said.setdefault(tag.name, {})[at] = rank[quality(verdict)]
                    value: Any = count
                    if tag.kind == "analogue":
                        value = to_reading(count, tag, at, verdict).value
                    if value is not None:
                        want.setdefault(tag.name, {})[at] = float(value)
            for d in s.derived:
                tag_name = derived_tags(plant)[d.tag].name
                said.setdefault(tag_name, {})[at] = rank[quality(d.reason)]
                if not (derived_tags(plant)[d.tag].figure and quality(d.reason) is Quality.BAD):
                    want.setdefault(tag_name, {})[at] = d.value
        journal, blows = list(reader.journal()), list(reader.blows())
    assert by_tag.keys() == want.keys()
    assert [tag for tag, values in want.items() if not same(by_tag[tag], values)] == []
    assert verdict_of == said
    alarms = central.export(f'waterside_alarm_standing{{plant="{PLANT}"}}')
    raised = {(e.target, e.kind) for e in journal if e.event == "raised"}
    assert raised and {(dict(x)["target"], dict(x)["kind"]) for x in alarms} >= raised
    sent = central.export(f'waterside_blow_open_s{{plant="{PLANT}"}}')
    assert sum(map(len, sent.values())) == len(blows) > 3


def filled(folder: Path, polls: int, **more: Any) -> Path:
    scans = [counted(cond(2000 + k % 900), k // 2, int(k % 40 < 3), 1) for k in range(polls)]
    return store(folder / "w.db", every(T0, 10_000, scans), **more)


def points(central: TimeSeries, name: str, tag: str = "B1.probe") -> dict[int, float]:
    found = central.export(f'waterside_reading_value{{plant="{name}",tag="{tag}"}}')
    assert len(found) <= 1
    return next(iter(found.values()), {})


def test_an_outage_costs_nothing_and_a_repeat_changes_nothing(central: TimeSeries, tmp_path: Path) -> None:
    path = filled(tmp_path, 1300)
    c = copier(path, central.url, "outage")
    first = c.round()
    assert first.more and first.cursor.group == MOST_GROUPS
    central.stop()
    for _ in range(3):
        with pytest.raises(CopyTrouble, match="is not reached") as e:
            c.round()
        assert not e.value.refused and c.cursor == first.cursor
    central.start()
    copy_all(c)
    once = points(central, "outage")
    assert sorted(once) == [T0 + 10_000 * k for k in range(1300)]
    copy_all(copier(path, central.url, "outage"))  # from the beginning again, as after a lost note
    assert points(central, "outage") == once


def test_dates_that_were_corrected_are_sent_again(central: TimeSeries, tmp_path: Path) -> None:
    path = filled(tmp_path, 30)
    c = copier(path, central.url, "moved")
    copy_all(c)
    assert min(points(central, "moved")) == T0

    async def correct() -> None:
        writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
        slow = ClockCorrection(1, 3_600_000, T0 + 400_000, "the clock was an hour slow", "J. Ortiz")
        await writer.correct_clock(slow)
        await writer.aclose()

    asyncio.run(correct())
    copy_all(c)
    now = points(central, "moved")
    assert sorted(now)[-30:] == [T0 + 3_600_000 + 10_000 * k for k in range(30)]
    assert c.cursor.corrections == 1


class _Picky(http.server.BaseHTTPRequestHandler):
    """A server by the protocol's book: 204 for what it takes, 400 for a request with a line it will not take."""

    refuse: ClassVar[str] = ""
    status: ClassVar[int] = 204
    taken: ClassVar[list[str]] = []
    token: ClassVar[str] = ""

    def do_POST(self) -> None:
        import gzip

        body = gzip.decompress(self.rfile.read(int(self.headers["Content-Length"]))).decode()
        lines = body.splitlines()
        cls = type(self)
        status = cls.status
        if cls.token and self.headers.get("Authorization") != f"Token {cls.token}":
            status = 401
        elif status == 204 and cls.refuse and any(cls.refuse in x for x in lines):
            status = 400
        if status == 204:
            cls.taken += lines
        self.send_response(status)
        said = b'{"code":"invalid","message":"unable to parse"}'
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", "0" if status == 204 else str(len(said)))
        self.end_headers()
        if status != 204:
            self.wfile.write(said)

    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def picky() -> Iterator[tuple[str, type[_Picky]]]:
    handler = type("Picky", (_Picky,), {"taken": [], "refuse": "", "status": 204, "token": ""})
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", handler
    server.shutdown()
    server.server_close()
    thread.join(5)


def test_a_line_that_is_refused_is_found_and_told_and_all_others_arrive(
    picky: tuple[str, type[_Picky]], tmp_path: Path
) -> None:
    url, handler = picky
    path = filled(tmp_path, 60)
    handler.refuse = f" {T0 + 130_000}"
    c = copier(path, url)
    done = c.round()
    per_poll = sum(x.endswith(handler.refuse) for x in lines_of(path))
    assert len(done.left_out) == per_poll > 3
    assert all("400" in text and "unable to parse" in text for text in done.left_out)
    assert len(handler.taken) == done.lines - per_poll
    assert done.cursor.group == 60 and not done.more


def lines_of(path: Path) -> list[str]:
    with Reader(path) as reader:
        lines = Lines(reader.plant(1), PLANT, 1)
        return [x for s in reader.groups() for x in lines.of(s)]


@pytest.mark.parametrize(("status", "refused"), [(401, True), (403, True), (404, True), (429, False), (503, False)])
def test_what_the_server_answers_is_judged(
    picky: tuple[str, type[_Picky]], tmp_path: Path, status: int, refused: bool
) -> None:
    url, handler = picky
    handler.status = status
    c = copier(filled(tmp_path, 3), url)
    with pytest.raises(CopyTrouble, match=str(status)) as e:
        c.round()
    assert e.value.refused is refused and c.cursor == Cursor() and handler.taken == []


def test_the_token_comes_from_its_file(picky: tuple[str, type[_Picky]], tmp_path: Path) -> None:
    url, handler = picky
    handler.token = "kettle"
    path, token = filled(tmp_path, 3), tmp_path / "token"
    token.write_text("wrong\n")
    with pytest.raises(CopyTrouble, match="refuses the token"):
        Copier(path, PLANT, Server(Copy(url=url, token_file=str(token))), Cursor()).round()
    token.write_text("kettle\n")
    assert Copier(path, PLANT, Server(Copy(url=url, token_file=str(token))), Cursor()).round().lines == len(
        handler.taken
    )
    with pytest.raises(CopyTrouble, match="cannot be read"):
        Server(Copy(url=url, token_file=str(tmp_path / "none")))


def test_a_cursor_outlives_the_service_and_belongs_to_its_destination(tmp_path: Path) -> None:
    async def go() -> None:
        writer = await Writer.open(tmp_path / "w.db", owner="Quillmarsh Creamery", reserve_bytes=0)
        assert await writer.copy_cursor("a") == Cursor()
        await writer.copied("a", Cursor(812, 2), T0)
        await writer.aclose()
        writer = await Writer.open(tmp_path / "w.db", owner="Quillmarsh Creamery", reserve_bytes=0)
        assert await writer.copy_cursor("a") == Cursor(812, 2)
        assert await writer.copy_cursor("b") == Cursor()
        await writer.aclose()

    asyncio.run(go())


def test_pauses_grow_to_five_minutes() -> None:
    assert [pause_s(n) for n in (1, 2, 3, 9, 400)] == [2.0, 4.0, 8.0, 300.0, 300.0]


def test_lines_of_alarms_and_blows() -> None:
    from config.load import loads

    lines = Lines(loads(BOILER).plant, "Quillmarsh, B=1", 3)
    raised = Entry(T0, 7, "B1", "conductivity_high", "", "raised", "unacknowledged", "high", 3300.5, 3200.0)
    event, alarm = lines.alarms([raised], 1000)
    head = "plant=Quillmarsh\\,\\ B\\=1,target=B1,kind=conductivity_high"
    assert event == f"waterside_event,{head},event=raised number=7 {T0 + 1000}"
    assert alarm == (
        f"waterside_alarm,{head},priority=high standing=1,unacknowledged=1,quiet=0,number=7,value=3300.5,limit=3200.0 "
        f"{T0 + 1000}"
    )
    blow = Blow("B1", T0, T0 + 9000, 2, 8000, 3300.0, None, True, 1000, kg=12.5)
    assert lines.blow(blow).endswith(f"open_s=8.0,openings=2,kg=12.5,sampled=3300.0 {T0 + 9000}")


@given(st.text(max_size=40))
def test_a_tag_is_never_empty_nor_breaks_a_line(text: str) -> None:
    found = key(text)
    assert found and "\n" not in found and "\r" not in found and not found.endswith("\\")
    assert all(found[i - 1] == "\\" for i, c in enumerate(found) if c in " ,=")
