"""What the service answers about who is told: who is on duty, and a test mail that goes the whole way.

May import: config, daemon.core, daemon.notify, daemon.store, daemon.app.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from config.model import Plant
from daemon.app.letterbox import ActRefused, Progress
from daemon.core.clock import Clock, pause
from daemon.notify.dealer import Dealer
from daemon.notify.sender import Sender
from daemon.notify.telling import Telling

LOOK_S: Final = 0.2  # real seconds between looks at the test mail
PATIENCE_LOOKS: Final = 600  # looks until the answer says that it still waits


class TellingDesk:
    """Answers by the letterbox."""

    def __init__(self, dealer: Dealer, sender: Sender, store: Path, clock: Clock, plant: Callable[[], Plant]) -> None:
        self._dealer, self._sender, self._store = dealer, sender, store
        self._clock, self._plant = clock, plant

    def who(self) -> dict[str, Any]:
        """Who is on duty now and next, what is held, and the sign of life."""
        return asdict(self._dealer.duty(self._clock.now_ms())) | {"held": self._dealer.held}

    async def test(self, name: str, progress: Progress) -> dict[str, Any]:
        """Write a test mail to a person, wait until the server has said something to it, and hand that back."""
        plant, now = self._plant(), self._clock.now_ms()
        person = next((p for p in plant.persons if name.casefold() in (p.name.casefold(), p.mail.casefold())), None)
        if person is None:
            known = ", ".join(p.name for p in plant.persons) or "none"
            raise ActRefused(f"there is no person {name!r} in the plant file.", "", f"Known: {known}.")
        text = (
            f"This is a test, asked for on the plant PC. It went the way of every alarm of {plant.plant.name}: it was "
            "stored, taken up by the sender and handed to the mail server of the plant file.\n\n"
            "If you read this on the telephone you are called on, that way works. No alarm is told by this mail."
        )
        telling = Telling("test", person.name, person.mail, (), text=text, at_ms=now)
        key = self._dealer.ask(telling, f"test.{now}")
        self._sender.wake()
        said = ""
        for look in range(PATIENCE_LOOKS):
            state, note = await asyncio.to_thread(_row, self._store, key)
            if state in ("sent", "refused"):
                as_file = "there is no [mail] in the plant file, so it was written as a file and sent to nobody"
                return {"state": state, "said": note if plant.mail else as_file, "to": person.mail}
            if note != said or not look % 50:
                said = note
                await progress({"state": state or "not yet stored", "said": note})
            await pause(LOOK_S)
        return {"state": "waiting", "said": said, "to": person.mail}


def _row(store: Path, key: str) -> tuple[str, str]:
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        return reader.mail_state(key)
