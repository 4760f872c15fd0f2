"""Mail servers for tests: Debian's exim4 as a real one, and aiosmtpd where the answers have to be scripted."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pwd
import shutil
import signal
import socket
import ssl
import subprocess
import tempfile
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

USER, PASSWORD = "waterside", "kettle 7 &é"
TOKEN = "q7.Kettle-9_token"
NAME = "mail.quillmarsh.example"


def parsed(raw: bytes) -> EmailMessage:
    """A message as a mail reader takes it."""
    message = message_from_bytes(raw, policy=policy.default)
    assert isinstance(message, EmailMessage)
    assert not message.defects
    return message


def need(program: str, package: str) -> str:
    """The path of a program; without it the test fails and says what to install."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin")
    assert found, f"{program} is missing: apt-get install -y {package}"
    return found


@dataclass(frozen=True, slots=True)
class Certificates:
    """A made-up authority, a server's certificate by it (for localhost), and another authority that knows nothing."""

    ca: Path
    cert: Path
    key: Path
    stranger: Path


def certificates(folder: Path) -> Certificates:
    """Make them by the openssl command."""
    openssl = need("openssl", "openssl")

    def run(*args: str) -> None:
        done = subprocess.run([openssl, *args], cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr

    for name in ("ca", "stranger"):
        subject = f"/CN=Quillmarsh {name}"
        new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
        run("req", "-x509", *new, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", subject, "-days", "3650")
    new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    run("req", *new, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=localhost")
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    signed = ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-extfile", "names", "-days", "3650"]
    run("x509", "-req", "-in", "server.csr", "-out", "server.pem", *signed)
    return Certificates(folder / "ca.pem", folder / "server.pem", folder / "server.key", folder / "stranger.pem")


def expired(folder: Path, certs: Certificates) -> tuple[Path, Path]:
    """A certificate for localhost by the same authority that ended long ago, and its key."""
    openssl = need("openssl", "openssl")
    (folder / "index").write_text("")
    (folder / "ca.conf").write_text(
        f"[ca]\ndefault_ca = here\n[here]\ndatabase = {folder}/index\nnew_certs_dir = {folder}\n"
        "rand_serial = yes\ndefault_md = sha256\npolicy = any\n[any]\ncommonName = supplied\n"
        "[names]\nsubjectAltName = DNS:localhost\n"
    )
    by = ["-cert", str(certs.ca), "-keyfile", str(certs.ca.with_suffix(".key")), "-batch", "-notext"]
    dates = ["-startdate", "20200101000000Z", "-enddate", "20210101000000Z"]
    what = ["-in", str(certs.cert.with_suffix(".csr")), "-out", str(folder / "old.pem"), "-extensions", "names"]
    done = subprocess.run(
        [openssl, "ca", "-config", str(folder / "ca.conf"), *by, *dates, *what],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder / "old.pem", certs.key


def free_ports(count: int) -> list[int]:
    """TCP ports of the loopback that nobody listens on."""
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [s.getsockname()[1] for s in held]
    for s in held:
        s.close()
    return ports


# ---------------------------------------------------------------------------------------------- exim4

_EXIM = r"""
primary_hostname = {name}
spool_directory = {d}/spool
log_file_path = {d}/log/%slog
pid_file_path = {d}/spool/exim.pid
local_interfaces = 127.0.0.1
daemon_smtp_ports = {port} : {tls_port}
tls_on_connect_ports = {tls_port}
tls_advertise_hosts = *
tls_certificate = {d}/server.pem
tls_privatekey = {d}/server.key
auth_advertise_hosts = ${{if def:tls_in_cipher {{*}}{{}}}}
domainlist ours = quillmarsh.example
host_lookup =
rfc1413_query_timeout = 0s
acl_smtp_rcpt = rcpt
acl_smtp_data = body
keep_environment =
begin acl
rcpt:
  deny message = log in first
    !authenticated = *
  deny message = no such person here
    local_parts = gone
  defer message = come back later
    local_parts = slow
    condition = ${{if exists{{{d}/spool/busy}}}}
  accept domains = +ours
  deny message = this server does not relay
body:
  deny message = a header line is malformed
    !verify = header_syntax
  accept
begin routers
here:
  driver = accept
  domains = +ours
  transport = boxes
begin transports
boxes:
  driver = appendfile
  directory = {d}/spool/box
  maildir_format
  create_directory
  envelope_to_add
  return_path_add
  user = Debian-exim
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${{if and{{{{eq{{$auth2}}{{{user}}}}}{{eq{{$auth3}}{{{password}}}}}}}}}
  server_set_id = $auth2
bearer:
  driver = plaintext
  public_name = OAUTHBEARER
  server_prompts = :
  server_condition = ${{if match{{$auth1}}{{\N^n,a={user},\x01.*auth=Bearer {token}\x01\x01$\N}}}}
  server_set_id = {user}
"""


@dataclass(frozen=True, slots=True)
class Exim:
    """A running exim4 with a login, STARTTLS at `port` and TLS from the first byte at `tls_port`."""

    folder: Path
    port: int
    tls_port: int
    certificates: Certificates

    def received(self) -> list[EmailMessage]:
        """What was delivered, in order of delivery."""
        files = sorted((self.folder / "spool/box/new").glob("*"), key=lambda p: p.stat().st_mtime_ns)
        return [parsed(p.read_bytes()) for p in files]

    async def delivered(self, count: int) -> list[EmailMessage]:
        """As `received`, once there are so many."""
        await until(lambda: len(self.received()) >= count, f"{count} mails in {self.folder}; {self.log()}")
        return self.received()

    def clear(self) -> None:
        """Take away what was delivered."""
        for p in (self.folder / "spool/box/new").glob("*"):
            p.unlink()

    def busy(self, on: bool) -> None:
        """Whether slow@quillmarsh.example is put off."""
        (self.folder / "spool/busy").touch() if on else (self.folder / "spool/busy").unlink(missing_ok=True)

    def log(self) -> str:
        return "".join(p.read_text("utf-8", "replace") for p in sorted((self.folder / "log").glob("*")))


@contextlib.contextmanager
def exim() -> Iterator[Exim]:
    """Run exim4 in a folder of its own until the end of the block."""
    with tempfile.TemporaryDirectory(prefix="waterside-mail-", ignore_cleanup_errors=True) as name:
        # not in pytest's folder: each pytest that starts shuts that against all other users, and exim4 is one
        folder = Path(name)
        folder.chmod(0o755)
        with _exim(folder) as server:
            yield server


@contextlib.contextmanager
def _exim(folder: Path) -> Iterator[Exim]:
    program = need("exim4", "exim4-daemon-light")
    assert os.geteuid() == 0, "exim4 changes to its own user, so this test wants to be run as root"
    certs = certificates(folder)
    owner = pwd.getpwnam("Debian-exim")
    shut = [str(p) for p in folder.parents if not p.stat().st_mode & 0o001]
    assert not shut, f"exim4's own user cannot go through {shut}: set TMPDIR to a folder that all may enter"
    for sub in ("spool", "log"):
        (folder / sub).mkdir()
        os.chown(folder / sub, owner.pw_uid, owner.pw_gid)
    os.chown(certs.key, 0, owner.pw_gid)
    certs.key.chmod(0o640)
    port, tls_port = free_ports(2)
    text = _EXIM.format(name=NAME, d=folder, port=port, tls_port=tls_port, user=USER, password=PASSWORD, token=TOKEN)
    (folder / "exim.conf").write_text(text)
    daemon = subprocess.Popen(
        [program, "-C", str(folder / "exim.conf"), "-bdf", "-q1m"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    try:
        for _ in range(600):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            assert daemon.poll() is None, (daemon.stderr.read() if daemon.stderr else b"").decode()
            time.sleep(0.05)
        yield Exim(folder, port, tls_port, certs)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(daemon.pid, signal.SIGTERM)  # its queue runners too: the group is its own
        daemon.wait(30)
        if daemon.stderr:
            daemon.stderr.close()


# ---------------------------------------------------------------------------------------------- scripted


@dataclass(slots=True)
class Script:
    """How a scripted server answers, and what it has seen. Answers are used up in order; without one it takes all."""

    rcpt: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    sender: list[str] = field(default_factory=list)
    data: list[str] = field(default_factory=list)
    per_connection: int = 0  # mails until it closes, 0: as many as come
    before_250: Any = None  # awaited with a message in hand
    taken: list[EmailMessage] = field(default_factory=list)
    to: list[str] = field(default_factory=list)
    connections: int = 0
    hello: list[str] = field(default_factory=list)
    at_work: int = 0
    most_at_work: int = 0

    # the names of the methods are aiosmtpd's
    async def handle_EHLO(self, server: SMTP, session: Session, envelope: Envelope, name: str, lines: list[str]) -> Any:
        session.host_name = name
        self.hello.append(name)
        return lines

    async def handle_MAIL(self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]) -> str:
        if self.per_connection and getattr(session, "mails", 0) >= self.per_connection:
            return "421 so many and no more"
        if self.sender and not (answer := self.sender.pop(0)).startswith("2"):
            return answer
        envelope.mail_from, envelope.mail_options = address, options
        return "250 go on"

    async def handle_RCPT(self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]) -> str:
        answers = self.rcpt[address]
        if answers and not (answer := answers.pop(0)).startswith("2"):
            return answer
        envelope.rcpt_tos.append(address)
        return "250 go on"

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        self.at_work += 1
        self.most_at_work = max(self.at_work, self.most_at_work)
        try:
            if self.data and not (answer := self.data.pop(0)).startswith("2"):
                return answer
            if self.before_250 is not None:
                await self.before_250()
            assert isinstance(envelope.content, bytes)
            self.taken.append(parsed(envelope.content))
            self.to += envelope.rcpt_tos
            session.mails = getattr(session, "mails", 0) + 1
        finally:
            self.at_work -= 1
        return "250 taken"


@contextlib.asynccontextmanager
async def scripted(script: Script, port: int = 0, *, tls: ssl.SSLContext | None = None) -> AsyncIterator[int]:
    """A scripted server on the loopback until the end of the block; gives its port. `tls`: STARTTLS is offered."""

    made: list[SMTP] = []

    def factory() -> SMTP:
        script.connections += 1

        def login(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
            good = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
            return AuthResult(success=good, handled=good)

        made.append(SMTP(script, hostname=NAME, tls_context=tls, authenticator=login, enable_SMTPUTF8=True))
        return made[-1]

    server = await asyncio.get_running_loop().create_server(factory, "127.0.0.1", port)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for one in made:
            if one.transport is not None:
                one.transport.close()
        await server.wait_closed()
        tasks = [one._handler_coroutine for one in made if one._handler_coroutine is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def until(true: Any, what: str, seconds: float = 60) -> None:
    """Wait until something is so; the limit is for a test that has failed, not a measure of speed."""
    for _ in range(round(seconds / 0.01)):
        if true():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"waited {seconds:g} s for {what}")
