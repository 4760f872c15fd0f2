"""Alarm to mailbox and back: exim4 delivers, dovecot serves, a person replies, the service acknowledges."""

from __future__ import annotations

import base64
import re
import smtplib
import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path

import pytest

from config.model import Mailbox
from daemon.app.doctor.command import examine
from daemon.notify.mailbox import Box, MailboxTrouble
from daemon.notify.telling import TOKEN_LINE
from daemon.store.reader import Reader
from tests.campaign.kill import PLANT
from tests.support.imapserver import PASSWORD as BOX_PASSWORD
from tests.support.imapserver import USER as BOX_USER
from tests.support.imapserver import Dovecot, dovecot
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import PASSWORD, USER, Exim, exim, parsed
from tests.support.service import Running, running

ON_CALL, FACILITIES = "oncall@quillmarsh.example", "facilities@quillmarsh.example"
BOILERS = "boilers@quillmarsh.example"
REFUSED = (
    "mallory@elsewhere.example acknowledges nothing: its sender is no person",
    f"{FACILITIES} acknowledges nothing: its token was not written by this log to {FACILITIES}",
    f"{ON_CALL} acknowledges nothing: an automatic mail (Auto-Submitted: auto-replied)",
    f'{ON_CALL} acknowledges nothing: its first own word wants to be "ack"; found "i"',
)


@pytest.fixture(scope="module")
def post() -> Iterator[Exim]:
    with exim() as server:
        yield server


@pytest.fixture
def box(post: Exim, tmp_path: Path) -> Iterator[Dovecot]:
    """Serves what exim4 delivers; all addresses of the creamery share one maildir."""
    post.clear()
    with dovecot(post.folder / "spool/box", post.certificates) as server:
        (tmp_path / "box password").write_text(BOX_PASSWORD + "\n")
        yield server


def mailbox(box: Dovecot, beside: Path, **more: object) -> Mailbox:
    given = {
        "server": "localhost",
        "port": box.tls_port,
        "user": BOX_USER,
        "password_file": str(beside / "box password"),
        "ca_file": str(box.certificates.ca),
        **more,
    }
    return Mailbox.model_construct(**{"security": "tls", "folder": "INBOX", "token_file": None, "every": 1.0, **given})


def plant_file(folder: Path, peer: LivingPeer, post: Exim, box: Dovecot) -> Path:
    (folder / "password").write_text(PASSWORD + "\n", "utf-8")
    text, _, _ = PLANT.format(port=peer.tap.port, smtp=0, snapshot="5 s", priority="high").partition("[mail]")
    text = text.replace('every = "100 ms"', 'every = "200 ms"')
    text += f"""[[analogue]]
name = "tank_level"
channel = "m.cond"
range = "4..20 mA = 0..100 %"
high = 1
[alarms.analogue_high]
on_delay = "0 s"
[mail]
server = "localhost"
port = {post.port}
sender = "Boiler house <{BOILERS}>"
user = "{USER}"
password_file = "{folder / "password"}"
ca_file = "{post.certificates.ca}"
[mailbox]
server = "localhost"
port = {box.port}
security = "starttls"
user = "{BOX_USER}"
password_file = "{folder / "box password"}"
ca_file = "{box.certificates.ca}"
every = "500 ms"
"""
    file = folder / "plant.toml"
    file.write_text(text, "utf-8")
    return file


def send(post: Exim, sender: str, body: str, **headers: str) -> str:
    """A person's mail program sends a mail to the boiler house; its Message-ID."""
    m = EmailMessage()
    m["From"], m["To"], m["Subject"] = sender, BOILERS, "Re: alarm"
    m["Message-ID"] = f"<{time.monotonic_ns()}@phone.example>"
    for name, value in headers.items():
        m[name.replace("_", "-")] = value
    m.set_content(body)
    login = base64.b64encode(f"\0{USER}\0{PASSWORD}".encode()).decode()
    with smtplib.SMTP("localhost", post.port) as client:
        client.starttls(context=ssl.create_default_context(cafile=str(post.certificates.ca)))
        client.ehlo()
        assert client.docmd("AUTH", f"PLAIN {login}")[0] == 235
        client.send_message(m)
    return str(m["Message-ID"])


def wait(there: Callable[[], object], what: str, service: Running) -> None:
    for _ in range(600):
        if there():
            return
        assert service.process.poll() is None, service.log
        time.sleep(0.05)
    raise AssertionError(f"{what} did not come: {service.log}")


def arrived(post: Exim) -> list[EmailMessage]:
    """Everything delivered, in order. A reader may move a mail between the two folders meanwhile."""
    mails: dict[str, tuple[int, bytes]] = {}
    for folder in ("new", "cur", "new"):
        for p in (post.folder / "spool/box" / folder).glob("*"):
            with suppress(FileNotFoundError):
                mails.setdefault(p.name.partition(":")[0], (p.stat().st_mtime_ns, p.read_bytes()))
    return [parsed(raw) for _, raw in sorted(mails.values())]


def journal(store: Path) -> list[tuple[str, int, str]]:
    with Reader(store) as reader:
        return [(e.event, e.occurrence, e.by) for e in reader.journal()]


def plain(m: EmailMessage) -> str:
    part = m.get_body(("plain",))
    assert part is not None
    return str(part.get_content())


def test_a_reply_acknowledges_and_is_answered_and_a_forged_one_is_not(post: Exim, box: Dovecot, tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with LivingPeer(11) as peer:
        file = plant_file(tmp_path, peer, post, box)
        with running(file, store) as service:
            service.wait_log("the mailbox of boilers is read from here on")

            def alarm() -> EmailMessage | None:
                """A mail to the one on call about an alarm that waits for somebody."""
                with Reader(store) as reader:
                    waits = {s.occurrence for s in reader.standing() if "unack" in s.state}
                for m in arrived(post):
                    n = re.search(r"\[(\d+)\]", str(m["Subject"]))
                    if (
                        m["Envelope-to"] == ON_CALL
                        and "tank_level" in str(m["Subject"])
                        and n
                        and int(n[1]) in waits
                        and TOKEN_LINE in plain(m)
                    ):
                        return m
                return None

            wait(alarm, "a mail with a token", service)
            mail = alarm()
            assert mail is not None
            found = re.search(r"\[(\d+)\]", str(mail["Subject"]))
            assert found is not None
            number = int(found[1])
            quoted = "".join(f"> {line}\n" for line in plain(mail).splitlines())

            # four that must not count: forged sender, another's token, an automatic one, no word of its own
            send(post, "mallory@elsewhere.example", f"ack\n\n{quoted}")
            send(post, FACILITIES, f"ack\n\n{quoted}")
            send(post, ON_CALL, f"ack\n\n{quoted}", Auto_Submitted="auto-replied")
            send(post, ON_CALL, f"I am asleep\n\n{quoted}")
            wait(lambda: all(x in service.log for x in REFUSED), "the refusals", service)
            assert not any(event == "acknowledged" for event, _, _ in journal(store))

            box.stop()
            reply = send(post, ON_CALL, f"Ack, on my way\n\nOn Wed, Boiler house wrote:\n{quoted}")
            service.wait_groups(5)
            box.start()
            wait(lambda: any(e == "acknowledged" for e, _, _ in journal(store)), "the acknowledgement", service)
            wait(lambda: any(m["In-Reply-To"] == reply for m in arrived(post)), "the answer", service)
            answers = [m for m in arrived(post) if m["In-Reply-To"] == reply]
            assert [m["Envelope-to"] for m in answers] == [ON_CALL]
            assert f"{number}" in plain(answers[0])
            told = [m for m in arrived(post) if m["Auto-Submitted"] == "auto-replied" and "Nothing was" in plain(m)]
            assert {m["Envelope-to"] for m in told} == {FACILITIES, ON_CALL}  # the stranger gets no answer
            assert service.end() == 0
    acknowledged = [(n, by) for event, n, by in journal(store) if event == "acknowledged"]
    assert acknowledged == [(number, "On call")]
    assert f"Alarm {number} is acknowledged by On call." in plain(answers[0])
    with Reader(store) as reader:
        acts = [a for a in reader.acts() if a.act.kind == "ack"]
        refused = [e.text for e in reader.events() if e.kind == "reply"]
    assert {a.act.by for a in acts} == {"On call"} and {a.act.body.get("way") for a in acts} == {"mail"}
    assert [a.act.body["occurrence"] for a in acts] == [number]
    assert len(refused) == 3 and any("mallory" in text for text in refused)  # the automatic one is in the log alone
    assert (tmp_path / "w.db.mailkey").stat().st_mode & 0o777 == 0o600
    report = examine(store)
    assert not [f for f in report.findings if f.area == "mailbox" and f.level == "error"], report.as_text()


def test_the_box_gives_each_mail_once_and_starts_at_its_end(post: Exim, box: Dovecot, tmp_path: Path) -> None:
    send(post, ON_CALL, "before\n")
    post_count = len(arrived(post))
    for _ in range(200):
        if len(arrived(post)) > post_count - 1 and arrived(post):
            break
        time.sleep(0.05)
    m = mailbox(box, tmp_path)
    for _ in range(200):
        with Box(m) as found:
            place = found.open()
        if place.uid:
            break
        time.sleep(0.05)
    assert place.validity > 0 and place.uid >= 1
    send(post, ON_CALL, "after\n")
    mails: list[bytes] = []
    for _ in range(200):
        with Box(m) as found:
            again = found.open()
            new = found.new(place.uid)
        assert again.validity == place.validity
        if new:
            mails = [x.raw for x in new]
            break
        time.sleep(0.05)
    assert len(mails) == 1 and b"after" in mails[0]
    with Box(m) as found:
        found.open()
        found.seen(new[0].uid)
        assert found.new(new[0].uid) == []
    assert any(":2,S" in name for name in box.flags())


@pytest.mark.parametrize(
    ("change", "said", "stays"),
    [
        ({"password_file": "wrong"}, "refuses the login", True),
        ({"password_file": "none"}, "cannot be read", True),
        ({"ca_file": "stranger"}, "certificate is not accepted", True),
        ({"folder": "Nowhere"}, "has no folder Nowhere", True),
        ({"port": 9}, "is not reached", False),
        ({"token_file": "wrong"}, "refuses the login", True),
    ],
)
def test_what_is_wrong_with_a_mailbox_is_said(
    box: Dovecot, tmp_path: Path, change: dict[str, object], said: str, stays: bool
) -> None:
    (tmp_path / "wrong").write_text("kettle\n")
    if change.get("ca_file"):
        change = {"ca_file": str(box.certificates.stranger)}
    for key in ("password_file", "token_file"):
        if key in change:
            change = {**change, key: str(tmp_path / str(change[key]))}
    with pytest.raises(MailboxTrouble, match=said) as e, Box(mailbox(box, tmp_path, **change)) as found:
        found.open()
    assert e.value.stays is stays
