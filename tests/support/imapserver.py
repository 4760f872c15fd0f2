"""Debian's dovecot as the mailbox: TLS and STARTTLS, a login by password, over a maildir that exim4 delivers to."""

from __future__ import annotations

import contextlib
import os
import pwd
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.mailserver import Certificates, free_ports, need

USER, PASSWORD = "boilers", "kettle-9-and-steam"

_CONF = """
base_dir = {d}/run
log_path = {d}/dovecot.log
protocols = imap
listen = 127.0.0.1
ssl = required
ssl_cert = <{cert}
ssl_key = <{key}
disable_plaintext_auth = yes
auth_mechanisms = plain login
mail_location = maildir:{maildir}
mail_uid = {owner}
mail_gid = {group}
first_valid_uid = 1
first_valid_gid = 1
default_internal_user = {internal}
default_login_user = {login}
default_internal_group = {internal_group}
passdb {{
  driver = static
  args = password={password}
}}
userdb {{
  driver = static
  args = uid={owner} gid={group} home={d}/home
}}
service imap-login {{
  inet_listener imap {{
    port = {port}
  }}
  inet_listener imaps {{
    port = {tls_port}
    ssl = yes
  }}
  chroot =
}}
service anvil {{
  chroot =
}}
service stats {{
  chroot =
}}
"""


@dataclass(slots=True)
class Dovecot:
    """A running dovecot: STARTTLS at `port`, TLS from the first byte at `tls_port`."""

    folder: Path
    maildir: Path
    port: int
    tls_port: int
    certificates: Certificates
    _process: subprocess.Popen[bytes] | None = field(default=None)

    def start(self) -> None:
        program = need("dovecot", "dovecot-imapd")
        with (self.folder / "stderr").open("ab") as said:
            self._process = subprocess.Popen(
                [program, "-F", "-c", str(self.folder / "dovecot.conf")],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=said,
                start_new_session=True,
            )
        for _ in range(400):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.tls_port), 1):
                return
            assert self._process.poll() is None, self.log()
            time.sleep(0.05)
        raise AssertionError(f"dovecot did not start: {self.log()}")

    def stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(15)
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)

    def log(self) -> str:
        files = (self.folder / "stderr", self.folder / "dovecot.log")
        return "".join(f.read_text("utf-8", "replace") for f in files if f.exists())

    def flags(self) -> list[str]:
        """Names of the mails that a reader has looked at, with their flags."""
        return [p.name for p in (self.maildir / "cur").glob("*")]


@contextlib.contextmanager
def dovecot(maildir: Path, certificates: Certificates) -> Iterator[Dovecot]:
    """Serve a maildir of exim4's until the end of the block."""
    owner = pwd.getpwnam("Debian-exim")
    with tempfile.TemporaryDirectory(prefix="waterside-imap-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        for sub in ("run", "home"):
            (folder / sub).mkdir()
        os.chown(folder / "home", owner.pw_uid, owner.pw_gid)
        maildir.mkdir(parents=True, exist_ok=True)
        os.chown(maildir, owner.pw_uid, owner.pw_gid)
        port, tls_port = free_ports(2)
        (folder / "dovecot.conf").write_text(
            _CONF.format(
                d=folder,
                cert=certificates.cert,
                key=certificates.key,
                maildir=maildir,
                owner="Debian-exim",
                group=owner.pw_gid,
                internal="dovecot",
                internal_group="dovecot",
                login="dovenull",
                password=PASSWORD,
                port=port,
                tls_port=tls_port,
            )
        )
        server = Dovecot(folder, maildir, port, tls_port, certificates)
        server.start()
        try:
            yield server
        finally:
            server.stop()
