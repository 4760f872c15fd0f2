"""From the panel to the mailbox: a service of its own, a peer whose water gets worse, a real mail server."""

from __future__ import annotations

import re
import signal
import time
from email.message import EmailMessage
from pathlib import Path

import pytest

from daemon.notify.compose import telling_id
from daemon.notify.stored import telling_of
from daemon.notify.telling import Telling
from daemon.store.reader import Reader
from daemon.store.records import StoredMail
from tests.campaign.kill import PLANT
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import PASSWORD, USER, Exim, free_ports
from tests.support.service import TIMEOUT_S, Running, running
from tests.support.wording import forbidden

ON_CALL, FACILITIES = "oncall@quillmarsh.example", "facilities@quillmarsh.example"
HIGH = r"Quillmarsh Creamery B1: conductivity high [\d,]+ umho/cm \(limit 3,300\) \[\d+\]"


def write(folder: Path, peer: LivingPeer, port: int, server: Exim) -> Path:
    """The plant file, with its mail server at `port`."""
    (folder / "password").write_text(PASSWORD + "\n", "utf-8")
    text, _, _ = PLANT.format(port=peer.tap.port, smtp=port, snapshot="5 s", priority="high").partition("[mail]")
    text += f"""[mail]
server = "localhost"
port = {port}
security = "starttls"
sender = "Boiler house <boilers@quillmarsh.example>"
user = "{USER}"
password_file = "{folder / "password"}"
ca_file = "{server.certificates.ca}"
"""
    text = text.replace('set_point = "3000 uS/cm"', 'set_point = "3000 uS/cm", high = "3300 uS/cm"')
    file = folder / "plant.toml"
    file.write_text(text, "utf-8")
    return file


def mails(store: Path, state: str | None = None) -> list[StoredMail]:
    with Reader(store) as reader:
        return list(reader.mails(state))


def told(row: StoredMail) -> Telling:
    found = telling_of(row.body)
    assert found is not None
    return found[0]


def arrived(server: Exim, service: Running, subject: str, people: int = 2) -> list[EmailMessage]:
    """Mails with such a subject, once they have come to so many people."""
    for _ in range(int(TIMEOUT_S / 0.05)):
        found = [m for m in server.received() if re.fullmatch(subject, m["Subject"])]
        if len({m["Envelope-to"] for m in found}) >= people:
            return found
        assert service.process.poll() is None, service.log
        time.sleep(0.05)
    raise AssertionError(f"no {subject!r}; came {[m['Subject'] for m in server.received()]}; {service.log}")


def part(message: EmailMessage, subtype: str) -> str:
    body = message.get_body((subtype,))
    assert body is not None
    return str(body.get_content())


def wait_states(store: Path, wanted: set[str]) -> list[StoredMail]:
    """The stored mails, once each of those first seen is in one of these states."""
    keys = {m.key for m in mails(store)}
    for _ in range(int(TIMEOUT_S / 0.05)):
        now = [m for m in mails(store) if m.key in keys]
        if all(m.state in wanted for m in now):
            return now
        time.sleep(0.05)
    raise AssertionError(f"mails stay as they are: {mails(store)}")


def test_water_that_gets_worse_is_a_mail_to_each_person_and_its_end_another(postbox: Exim, tmp_path: Path) -> None:
    store = tmp_path / "waterside.db"
    with LivingPeer(7) as peer, running(write(tmp_path, peer, postbox.port, postbox), store) as service:
        raised = arrived(postbox, service, HIGH)
        number = re.search(r"\[(\d+)\]$", raised[0]["Subject"])
        assert number is not None
        title = rf"Quillmarsh Creamery B1: conductivity high, returned to normal after .* \[{number[1]}\]"
        returned = arrived(postbox, service, title)
        wait_states(store, {"sent"})
        assert service.end() == 0
    first = {m["Envelope-to"]: m for m in raised if m["Subject"].endswith(number[0])}
    assert set(first) == {ON_CALL, FACILITIES}
    with Reader(store) as reader:
        entry = next(e for e in reader.journal() if e.event == "raised" and str(e.occurrence) == number[1])
        plant = reader.plant(1)
    assert entry.value is not None
    for person, message in first.items():
        assert message["From"].addresses[0].addr_spec == "boilers@quillmarsh.example"
        assert message["To"].addresses[0].addr_spec == person
        said = re.search(r"^([\d,]+) umho/cm, limit", part(message, "plain"), re.MULTILINE)
        assert said is not None
        assert float(said[1].replace(",", "")) == pytest.approx(entry.value, abs=0.5)  # 1 umho/cm is 1 uS/cm
        assert f"waterside ack {number[1]} --by NAME" in part(message, "plain")
        assert f"waterside ack {number[1]} --by NAME" in part(message, "html")
        assert forbidden(part(message, "plain")) == []
        later = next(m for m in returned if m["Envelope-to"] == person)
        assert later["In-Reply-To"] == message["Message-ID"]
    rows = {(m.recipient, telling_id(told(m), plant)) for m in mails(store)}
    came = [(m["Envelope-to"], m["Message-ID"]) for m in postbox.received()]
    assert sorted(rows & set(came)) == sorted(came), "each once, and none that is not stored"


def test_mails_that_found_no_server_are_not_lost_with_the_process_and_go_once_the_plant_file_is_mended(
    postbox: Exim, tmp_path: Path
) -> None:
    store = tmp_path / "waterside.db"
    with LivingPeer(11) as peer:
        with running(write(tmp_path, peer, free_ports(1)[0], postbox), store) as service:
            service.wait_log("cannot be reached")
            while not mails(store):
                service.wait_groups()
            service.signal(signal.SIGKILL)
            service.process.wait(TIMEOUT_S)
        waiting = mails(store)
        assert {m.state for m in waiting} == {"waiting"}
        assert postbox.received() == []
        with running(write(tmp_path, peer, postbox.port, postbox), store) as service:
            arrived(postbox, service, HIGH)
            wait_states(store, {"sent"})
            assert service.end() == 0
    sent = {m.key: m for m in mails(store, "sent")}
    assert {m.key for m in waiting} <= sent.keys()
    with Reader(store) as reader:
        plant = reader.plant(1)
    came = [(m["Envelope-to"], m["Message-ID"]) for m in postbox.received()]
    for m in waiting:
        assert came.count((m.recipient, telling_id(told(m), plant))) == 1
