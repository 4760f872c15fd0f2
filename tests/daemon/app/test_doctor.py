"""What `doctor` finds, each with its remedy, and that it sends nothing and finds nothing where nothing is."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from pathlib import Path
from threading import Thread

import apsw
import pytest
from typer.testing import CliRunner

from config.load import loads
from config.model import Mail
from daemon.app.commands import app
from daemon.app.doctor import log, machine, reach
from daemon.app.doctor.command import examine
from daemon.app.doctor.report import Report
from daemon.store.reader import Reader
from tests.daemon.store.test_dates import YEARS_MS, three_segments
from tests.support.creamery_store import creamery_store
from tests.support.plants import HEAD
from tests.support.stores import START_MS, TEXT, begin, commit, made
from tests.support.wording import forbidden

RUN = CliRunner()


async def filled(path: Path, groups: int = 12) -> Path:
    writer = await begin(path)
    for n in range(1, groups + 1):
        await commit(writer, made(n))
    await writer.aclose()
    return path


def edited(path: Path, sql: str) -> Path:
    db = apsw.Connection(str(path))
    db.execute(sql)
    db.close()
    return path


def found(report: Report, level: str, area: str) -> list[str]:
    """Also: whatever is said is fit to be said."""
    for f in report.findings:
        assert forbidden(f.text) == []
        assert f.level == "note" or f.remedy
    return [f.text for f in report.findings if (f.level, f.area) == (level, area)]


def test_a_sound_log_has_no_error_and_no_warning_of_its_own() -> None:
    report = examine(creamery_store(), offline=True)
    own = ("log", "records", "plant file", "state", "journal", "disk", "program")
    assert [f for f in report.findings if f.level != "note" and f.area in own] == []
    assert report.figures["last_group"] == 1261
    assert report.figures["records"] > 3


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE journal SET evidence = 'no' WHERE id = 2", "journal 2 was changed"),
        ("UPDATE journal SET value = NULL WHERE id = 1", "journal 1 was changed"),
        ("DELETE FROM journal WHERE id = 3", "journal 3 is gone"),
        ("UPDATE plant_version SET text = text || ' '", "plant_version 1 was changed"),
        ("UPDATE manual_reading SET value = 1", "manual_reading 1 was changed"),
        ("UPDATE calibration SET from_ms = 1 WHERE id = 2", "calibration 2 was changed"),
        ("DELETE FROM chain WHERE seq = 4", "records 4 to 4 of the chain are gone"),
        ("INSERT INTO journal SELECT 99, group_number, at_ms, occurrence, target, kind, name, event, state, priority, "
         "value, limit_value, unit, evidence, person, quality FROM journal WHERE id = 1",
         "5 records, 4 of them chained"),
    ],
)  # fmt: skip
async def test_a_later_edit_is_found_and_named(tmp_path: Path, sql: str, said: str) -> None:
    path = edited(await filled(tmp_path / "a.db"), sql)
    report = examine(path, offline=True)
    assert any(said in text for text in found(report, "error", "records"))
    assert report.exit_code == 1


async def test_a_chain_written_anew_is_found_by_the_head_noted_before(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db")
    with Reader(path) as reader:
        noted = reader.head()
    writer_report = examine(path, noted, offline=True)
    assert found(writer_report, "error", "records") == []
    assert any("are those that were there" in t for t in found(writer_report, "note", "records"))
    db = apsw.Connection(str(path))  # somebody who knows how the chain is made edits and chains again
    from daemon.store.chain import SOURCES, START, link
    from daemon.store.query import every, first

    db.execute("UPDATE journal SET evidence = 'nothing' WHERE id = 2")
    before = START
    for seq, source, row in every(db, "SELECT seq, source, row FROM chain ORDER BY seq"):
        record = first(db, SOURCES[source], (row,))
        assert record is not None
        before = link(before, source, record)
        db.execute("UPDATE chain SET hash = ? WHERE seq = ?", (before, seq))
    db.close()
    assert found(examine(path, offline=True), "error", "records") == []
    assert any("is not what it was" in t for t in found(examine(path, noted, offline=True), "error", "records"))
    more = (noted[0] + 5, noted[1])
    assert any("are there now" in t for t in found(examine(path, more, offline=True), "error", "records"))


async def test_a_damaged_page_is_found(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db", 300)
    data = bytearray(path.read_bytes())
    data[20 * 4096 : 21 * 4096] = os.urandom(4096)
    path.write_bytes(data)
    report = examine(path, offline=True)
    assert found(report, "error", "log")
    assert any("--salvage-to" in f.remedy for f in report.findings)


async def test_a_plant_file_and_states_that_cannot_be_read_are_found(tmp_path: Path) -> None:
    path = edited(await filled(tmp_path / "a.db"), "UPDATE plant_version SET text = 'no plant'")
    report = examine(path, offline=True)
    assert any("plant version 1 cannot be read" in t for t in found(report, "warning", "plant file"))
    assert any("none of the 3 stored states" in t for t in found(report, "warning", "state"))


async def test_events_of_the_store_are_told(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    await writer.add_event("journal differs", "group 7: stored 1 entries", START_MS)
    await writer.add_event("store was refusing", "nothing could be stored for 3 minutes", START_MS)
    await writer.aclose()
    report = examine(tmp_path / "a.db", offline=True)
    assert any("group 7" in t for t in found(report, "error", "journal"))
    assert any("for 3 minutes" in t for t in found(report, "note", "log"))


async def test_space_and_growth(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db")
    plant = loads(TEXT + "[store]\nlow_space = 1e12\n").plant
    report = Report()
    with Reader(path) as reader:
        machine.look_at_space(report, reader, plant)
    assert any("the limit is" in t for t in found(report, "error", "disk"))
    edited(path, "UPDATE scan_group SET elapsed_ms = elapsed_ms + 86400000 * 4 WHERE number = 12")
    with Reader(path) as reader:
        report = Report()
        machine.look_at_space(report, reader, None)
    size = path.stat().st_size
    assert report.figures["grows_bytes_per_day"] == pytest.approx(size / 4, rel=0.01)


def test_what_a_service_writes_a_day_is_read_from_the_kernel(tmp_path: Path) -> None:
    (tmp_path / "a.db.lock").write_text('{"pid": 77, "plant": "x"}')
    proc = tmp_path / "proc"
    (proc / "77").mkdir(parents=True)
    ticks = os.sysconf("SC_CLK_TCK")
    (proc / "77" / "io").write_text("rchar: 1\nwrite_bytes: 5000000\n")
    (proc / "77" / "stat").write_text(f"77 (a (b) c) S {' '.join(['0'] * 18)} {1000 * ticks} 0 0\n")
    (proc / "uptime").write_text("4600.0 9000.0\n")
    written = machine.wear(tmp_path / "a.db", proc)
    assert written is not None
    assert (written.bytes, written.seconds) == (5_000_000, 3600.0)
    assert written.per_day == 120_000_000
    (proc / "uptime").write_text("1001.0 9000.0\n")
    assert machine.wear(tmp_path / "a.db", proc) is None  # a second tells nothing of a day
    assert machine.wear(tmp_path / "none.db", proc) is None


async def test_the_clock(tmp_path: Path) -> None:
    writer, _ = await three_segments(tmp_path / "a.db", correct=False)
    await writer.aclose()
    with Reader(tmp_path / "a.db") as reader:
        report = Report()
        machine.look_at_clock(report, reader, START_MS - 60_000, False)
        assert any("before the newest poll" in t for t in found(report, "error", "clock"))
        assert any("time server" in t for t in found(report, "warning", "clock"))
        assert any("behind the last group" in t for t in found(report, "warning", "clock"))
        assert any("was set forward by 7 years" in t for t in found(report, "note", "clock"))
        report = Report()
        machine.look_at_clock(report, reader, 0, True)
        assert any("1970-01-01" in t for t in found(report, "error", "clock"))
    other = tmp_path / "corrected.db"
    writer, _ = await three_segments(other)
    await writer.aclose()
    with Reader(other) as reader:
        report = Report()
        machine.look_at_clock(report, reader, START_MS + 60_000, True)
    assert found(report, "warning", "clock") == found(report, "error", "clock") == []
    assert any(f"{-YEARS_MS / 3_600_000:.1f} h later" in t for t in found(report, "note", "clock"))


async def test_a_folder_anybody_may_write_is_found(tmp_path: Path) -> None:
    path = await filled(tmp_path / "log" / "a.db")
    with Reader(path) as reader:
        report = Report()
        machine.look_at_files(report, reader)
        assert found(report, "warning", "files") == []
        path.parent.chmod(0o777)
        machine.look_at_files(report, reader)
        assert len(found(report, "warning", "files")) == 1


async def test_a_service_whose_letterbox_is_gone_is_found(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    with Reader(tmp_path / "a.db") as reader:
        report = Report()
        machine.look_at_files(report, reader)
    await writer.aclose()
    assert any("nobody answers" in t for t in found(report, "warning", "letterbox"))


async def test_mails_that_wait_or_were_refused(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    for n in range(1, 9):
        await commit(writer, made(n))
    await writer.mail_later(1, START_MS, "421 try later")
    await writer.mail_refused(2, "550 no such user")
    await writer.aclose()
    report = examine(tmp_path / "a.db", offline=True)
    said = found(report, "warning", "mail")
    assert any("2 wait, the oldest of 2026-09-10 00:26:42 UTC: 421 try later (1 tries)" in t for t in said)
    assert any("oncall@quillmarsh.example: 550 no such user" in t for t in said)


class Listening:
    """A socket that keeps what it is sent, after an optional greeting."""

    def __init__(self, greeting: bytes = b"") -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.got = b""
        self._greeting = greeting
        self._thread = Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        client, _ = self._server.accept()
        with client:
            if self._greeting:
                client.sendall(self._greeting)
            while data := client.recv(4096):
                self.got += data
                if self._greeting:
                    client.sendall(b"221 bye\r\n" if data.lower().startswith(b"quit") else b"250 hello\r\n")

    def ended(self) -> bytes:
        self._thread.join()
        self._server.close()
        return self.got


def test_the_mail_server_is_greeted_and_nothing_is_sent() -> None:
    server = Listening(b"220 mail.quillmarsh.example\r\n")
    report = Report()
    mail = Mail(server="127.0.0.1", port=server.port, security="none", sender="boilers@quillmarsh.example")
    reach.look_at_relay(report, mail)
    words = {line.split()[0].lower() for line in server.ended().split(b"\r\n") if line}
    assert words == {b"ehlo", b"quit"}
    assert found(report, "error", "mail") == []
    report = Report()
    reach.look_at_relay(report, mail)  # it is gone now
    assert any("is not reached" in t for t in found(report, "error", "mail"))


def plant_with(link: str) -> object:
    return loads(f"{HEAD}[[link]]\nname = 'panel'\n{link}\n[[module]]\nname='ai'\nlink='panel'\n[module.channels]\n"
                 "a = { function = 'input', address = 0 }\n").plant  # fmt: skip


def test_a_tcp_link_takes_a_connection_and_is_asked_nothing() -> None:
    server, report = Listening(), Report()
    plant = plant_with(f"kind = 'modbus-tcp'\nhost = '127.0.0.1'\nport = {server.port}")
    reach.look_at_links(report, plant, running=True)  # type: ignore[arg-type]
    assert any("not tried" in t for t in found(report, "note", "link"))
    reach.look_at_links(report, plant, running=False)  # type: ignore[arg-type]
    assert server.ended() == b""
    assert found(report, "error", "link") == []
    reach.look_at_links(report, plant, running=False)  # type: ignore[arg-type]
    assert any("takes no connection" in t for t in found(report, "error", "link"))


def test_a_serial_link_wants_its_device_and_a_short_timer(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    plant, report = plant_with(f"kind = 'modbus-rtu'\ndevice = '{device}'"), Report()
    reach.look_at_links(report, plant, running=True)  # type: ignore[arg-type]
    assert any("is not there" in t for t in found(report, "error", "link"))
    device.write_text("")
    timer = tmp_path / "bus/usb-serial/devices/ttyUSB0"
    timer.mkdir(parents=True)
    (timer / "latency_timer").write_text("16\n")
    report = Report()
    reach.look_at_links(report, plant, running=True, sysfs=tmp_path)  # type: ignore[arg-type]
    assert any("16 ms" in t for t in found(report, "warning", "link"))


async def test_as_typed_and_for_programs(tmp_path: Path) -> None:
    path = edited(await filled(tmp_path / "a.db"), "DELETE FROM journal WHERE id = 2")
    done = RUN.invoke(app, ["doctor", "--store", str(path), "--offline"])
    assert done.exit_code == 1
    assert done.stdout.startswith("ERROR ")
    said = json.loads(RUN.invoke(app, ["doctor", "--store", str(path), "--offline", "--json"]).stdout)
    assert said["error"] >= 1
    assert {"level": "error", "area": "records"}.items() <= said["findings"][0].items()
    assert said["figures"]["records"]
    assert RUN.invoke(app, ["doctor", "--store", str(path), "--against", "12"]).exit_code == 2
    assert RUN.invoke(app, ["doctor", "--store", str(tmp_path / "none.db")]).exit_code == 2
    (tmp_path / "text.db").write_text("minutes of the meeting\n" * 400)
    text = RUN.invoke(app, ["doctor", "--store", str(tmp_path / "text.db"), "--offline"])
    assert text.exit_code == 1
    assert "is damaged" in text.stdout


def test_times_no_calendar_has_are_told_too() -> None:
    assert log.utc(10**18).endswith(" ms")


async def test_what_can_be_read_of_a_damaged_log_is_put_into_a_new_one(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db", 300)
    whole = RUN.invoke(app, ["doctor", "--store", str(path), "--salvage-to", str(tmp_path / "b.db")])
    assert whole.exit_code == 0, whole.output
    assert "300 scan_group" in whole.stdout
    with Reader(path) as reader, Reader(tmp_path / "b.db") as other:
        assert list(other.groups()) == list(reader.groups())
        wanted = [s.group.number for s in reader.groups()]
    data = bytearray(path.read_bytes())
    data[0:4096] = bytes(4096)  # the page everything hangs on
    path.write_bytes(data)
    assert examine(path, offline=True).exit_code == 1
    said = RUN.invoke(app, ["doctor", "--store", str(path), "--salvage-to", str(tmp_path / "c.db"), "--json"])
    assert json.loads(said.stdout)["rows"]["scan_group"] == 300
    with Reader(tmp_path / "c.db") as reader:
        assert [s.group.number for s in reader.groups()] == wanted
        assert any(e.kind == "salvaged" for e in reader.events())
    again = RUN.invoke(app, ["doctor", "--store", str(path), "--salvage-to", str(tmp_path / "c.db")])
    assert again.exit_code == 2
    assert "there already" in again.stderr


async def test_averages_that_are_not_those_of_the_polls_are_found_and_worked_out_again(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db", 200)
    assert any("all are as stored" in text for text in found(examine(path, offline=True), "note", "averages"))
    edited(path, "DELETE FROM rollup_minute WHERE first_group = (SELECT max(first_group) FROM rollup_minute)")
    report = examine(path, offline=True)
    assert any("are not there" in text for text in found(report, "error", "averages"))
    assert report.exit_code == 1
    done = await asyncio.to_thread(RUN.invoke, app, ["doctor", "--rebuild-averages", "--store", str(path)])
    assert (done.exit_code, done.output[:2]) == (0, "1 ")
    assert found(examine(path, offline=True), "error", "averages") == []


async def test_an_upgraded_log_says_that_its_averages_wait(tmp_path: Path) -> None:
    path = await filled(tmp_path / "a.db", 200)
    edited(
        path, "DELETE FROM rollup_minute; INSERT INTO rollup_mend (level, first_group, last_group) VALUES (0, 1, 200)"
    )
    report = examine(path, offline=True)
    assert any("up to 200 earlier polls are not worked out yet" in t for t in found(report, "note", "averages"))
    assert found(report, "error", "averages") == []
