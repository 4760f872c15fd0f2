"""The service killed at each named point of a mail's way: nothing is lost, and one point alone repeats a mail."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from daemon.store.reader import Reader
from tests.campaign.kill import PLANT
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import Script, scripted, until
from tests.support.service import Running, running

POINTS = ("greeted", "sender", "recipient", "in hand", "taken", "recorded")


class Killing(Script):
    """A server that kills the service at one point of the first mail, and takes all that comes later."""

    point = ""
    service: Running | None = None
    killed = False

    def at(self, point: str) -> None:
        if point == self.point and self.service is not None and not self.killed:
            self.killed = True
            self.service.process.kill()
            self.service.process.wait(10)

    async def handle_EHLO(self, server: Any, session: Any, envelope: Any, name: str, lines: list[str]) -> Any:
        self.at("greeted")
        return await Script.handle_EHLO(self, server, session, envelope, name, lines)

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str, options: list[str]) -> str:
        self.at("sender")
        return await Script.handle_MAIL(self, server, session, envelope, address, options)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: list[str]) -> str:
        self.at("recipient")
        return await Script.handle_RCPT(self, server, session, envelope, address, options)

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        before = self.killed
        self.at("in hand")
        if self.killed and not before:
            return "451 not taken"  # to nobody
        said = await Script.handle_DATA(self, server, session, envelope)
        self.at("taken")
        return said

    async def handle_QUIT(self, server: Any, session: Any, envelope: Any) -> str:
        self.at("recorded")  # the service says goodbye once what was taken is recorded
        return "221 goodbye"


def sent(store: Path) -> int:
    with Reader(store) as reader:
        return len(list(reader.mails("sent")))


@pytest.mark.parametrize("point", POINTS)
async def test_killed_at(point: str, tmp_path: Path) -> None:
    script, store, file = Killing(), tmp_path / "waterside.db", tmp_path / "plant.toml"
    script.point = point
    with LivingPeer(7) as peer:
        async with scripted(script) as port:
            file.write_text(PLANT.format(port=peer.tap.port, smtp=port, snapshot="5 s", priority="high"))
            with running(file, store) as first:
                script.service = first
                await until(lambda: script.killed, f"a mail to come to the point {point}")
            before = sent(store)
            with running(file, store) as second:
                await until(lambda: sent(store) >= before + 2, f"mails after the restart; {second.log}")
                second.process.terminate()
                await until(lambda: second.process.poll() is not None, "the end")
                assert second.end() == 0, second.log
    came = Counter((m["Message-ID"], who) for m, who in zip(script.taken, script.to, strict=True))
    twice = [n for n in came.values() if n > 1]
    assert twice == ([2] if point == "taken" else []), came
    with Reader(store) as reader:
        rows = list(reader.mails())
    assert {r.state for r in rows} <= {"sent", "waiting", "withdrawn"}
    assert sum(r.state == "sent" for r in rows) == len(came), (
        "each mail that was recorded came, and the other way round"
    )
    assert rows[0].state == "sent", "the mail that was on its way when it was killed"
