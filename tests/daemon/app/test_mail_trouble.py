"""What hinders the mail stands in `status` as an alarm of its own, in words, and the mails go once it is mended."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from tests.daemon.app.test_commands import waterside
from tests.daemon.app.test_mail_end_to_end import mails, write
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import PASSWORD, TOKEN, Exim
from tests.support.service import TIMEOUT_S, Running, running


def alarm(service: Running) -> str:
    """The status once an alarm about mail stands."""
    for _ in range(int(TIMEOUT_S / 0.2)):
        found = waterside("status", "--store", str(service.store), "--json").stdout
        if "logger_mail" in json.dumps(json.loads(found)):
            return found
        time.sleep(0.2)
    raise AssertionError(f"{found}; {service.log}")


@pytest.mark.parametrize(("secret", "right"), [("password", PASSWORD), ("token", TOKEN)])
def test_a_refused_login_stands_in_status(postbox: Exim, tmp_path: Path, secret: str, right: str) -> None:
    with LivingPeer(7) as peer:
        file = write(tmp_path, peer, postbox.port, postbox)
        (tmp_path / secret).write_text("wrong\n")
        text = file.read_text("utf-8").replace(
            f'password_file = "{tmp_path / "password"}"', f'{secret}_file = "{tmp_path / secret}"'
        )
        file.write_text(text, "utf-8")
        with running(file, tmp_path / "waterside.db") as service:
            service.wait_groups(2)
            found = alarm(service)
            assert f"refused the {'login' if secret == 'password' else 'token'} of waterside" in found
            assert mails(service.store, "sent") == []
            assert service.end() == 0
        (tmp_path / secret).write_text(right + "\n", "utf-8")
        with running(file, tmp_path / "waterside.db") as service:
            service.wait_groups(2)
            for _ in range(int(TIMEOUT_S / 0.2)):
                if mails(service.store, "sent"):
                    break
                time.sleep(0.2)
            assert mails(service.store, "sent"), service.log
            assert service.end() == 0
