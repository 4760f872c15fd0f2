"""Signs of life: a service and a listener as two processes; a plant that falls silent is a mail, and its return too."""

from __future__ import annotations

import http.client
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import pytest

from config.listening import ListeningError, load_listening
from daemon.notify.sign import SIGNATURE, signature
from tests.campaign.kill import PLANT
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import free_ports
from tests.support.service import running

SECRET = "seven kettles"


def files(folder: Path, port: int) -> Path:
    (folder / "secret").write_text(SECRET + "\n")
    file = folder / "office.toml"
    file.write_text(f"""
name = "Office"
zone = "America/Chicago"
listen = "127.0.0.1:{port}"
[[expect]]
name = "Quillmarsh Creamery"
every = "3 s"
secret_file = "{folder / "secret"}"
[[person]]
name = "Chief"
mail = "chief@quillmarsh.example"
""")
    return file


@contextmanager
def listener(file: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    with (file.parent / "listen.log").open("ab") as log:
        command = [sys.executable, "-P", "-m", "daemon", "listen-for", str(file)]
        process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            for _ in range(600):
                if "listening at" in (file.parent / "listen.log").read_text():
                    break
                assert process.poll() is None, (file.parent / "listen.log").read_text()
                time.sleep(0.05)
            yield process
        finally:
            process.terminate()
            process.wait(20)


def mails(folder: Path) -> list[EmailMessage]:
    found = [
        message_from_bytes(p.read_bytes(), policy=policy.default) for p in sorted((folder / "outbox").glob("*.eml"))
    ]
    return [m for m in found if isinstance(m, EmailMessage)]


def wait_mail(folder: Path, subject: str) -> EmailMessage:
    for _ in range(600):
        for m in mails(folder):
            if re.search(subject, m["Subject"]):
                return m
        time.sleep(0.05)
    raise AssertionError(f"no {subject!r} among {[m['Subject'] for m in mails(folder)]}")


def test_a_plant_that_falls_silent_is_mailed_by_another_process_and_so_is_its_return(tmp_path: Path) -> None:
    port = free_ports(1)[0]
    office = tmp_path / "office"
    office.mkdir()
    file = files(office, port)
    text, _, _ = PLANT.format(port="{tap}", smtp=1, snapshot="5 s", priority="low").partition("[mail]")
    with LivingPeer(3) as peer:
        plant = tmp_path / "plant.toml"
        sign = f'[sign_of_life]\nevery = "1 s"\nurl = "http://127.0.0.1:{port}/"\nsecret_file = "{office / "secret"}"\n'
        plant.write_text(text.replace("{tap}", str(peer.tap.port)) + sign)
        store = tmp_path / "waterside.db"
        with listener(file, port) as process:
            with running(plant, store) as service:
                service.wait_groups(60)  # six seconds and more: longer than it takes to be called silent
                assert mails(office) == []
                service.signal(signal.SIGKILL)
                service.process.wait(20)
            silent = wait_mail(office, "Office: nothing heard from Quillmarsh Creamery")
            body = silent.get_body(("plain",))
            assert body is not None
            said = " ".join(str(body.get_content()).split())
            assert "one is expected at least every 3 s" in said
            assert silent["To"].addresses[0].addr_spec == "chief@quillmarsh.example"
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        with listener(file, port), running(plant, store) as service:  # what was told is remembered over a restart
            wait_mail(office, "Office: heard again: Quillmarsh Creamery")
            assert service.end() == 0
    assert sum("nothing heard" in m["Subject"] for m in mails(office)) == 1


def test_only_a_signed_and_new_sign_from_an_expected_plant_counts(tmp_path: Path) -> None:
    port = free_ports(1)[0]

    def ask(method: str, body: bytes, headers: dict[str, str]) -> int:
        c = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        c.request(method, "/", body, headers)
        answer = c.getresponse()
        answer.read()
        c.close()
        return answer.status

    body = json.dumps({"plant": "Quillmarsh Creamery", "at_ms": 1000}).encode()
    with listener(files(tmp_path, port), port):
        assert ask("GET", b"", {}) == 405
        assert ask("POST", b"no json", {}) == 400
        assert ask("POST", body, {}) == 403
        assert ask("POST", body, {SIGNATURE: signature(body, "another")}) == 403
        assert ask("POST", body, {SIGNATURE: "sha256=\u00e9"}) == 403
        assert ask("POST", b"[]", {}) == 400
        assert ask("POST", b"", {"Content-Length": "9" * 5000}) == 413
        assert ask("POST", json.dumps({"plant": "Other", "at_ms": 1}).encode(), {}) == 404
        assert ask("POST", b"x" * 20_000, {}) == 413
        assert ask("POST", body, {SIGNATURE: signature(body, SECRET)}) == 200
        assert ask("POST", body, {SIGNATURE: signature(body, SECRET)}) == 409  # caught on the way and sent again


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "expect: missing"),
        (
            "listen = 'here'\n[[expect]]\nname='Q'\nevery='1 h'\n[[person]]\nname='C'\nmail='c@q.example'",
            "0.0.0.0:8780",
        ),
        ("[[expect]]\nname='Q'\nevery='soon'\n[[person]]\nname='C'\nmail='c@q.example'", "expect 1 every"),
        ("[[expect]]\nname='Q'\nevery='1 h'\nfoo=1\n[[person]]\nname='C'\nmail='c@q.example'", "there is no such key"),
        ("[[expect", "it is no TOML"),
    ],
)
def test_what_is_wrong_in_its_file_is_named(tmp_path: Path, text: str, wanted: str) -> None:
    (tmp_path / "office.toml").write_text(text)
    with pytest.raises(ListeningError, match=re.escape(wanted)):
        load_listening(tmp_path / "office.toml")
