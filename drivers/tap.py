"""A tap on a link: who listens is told of every frame sent and received, and of every request that gave no items.

Lives here: what drivers call and captures implement. May import: config, drivers.contract, pymodbus.
"""

from __future__ import annotations

from collections.abc import Callable

from pymodbus.pdu import ModbusPDU

from config.model import Link
from drivers.contract import Fault

Tap = Callable[[str, bytes], None]
"""Told ">" with what was sent and "<" with what came; "!" where a request that was sent gave no items, and "-" where
one could not even be sent, both with the fault, the unit and the PDU in hex as ASCII.

Of text instruments every poll is told, after what came: "=" where it took a line, "!" and "-" as above, with the prompt
for unit and PDU; and "~" where it begins to listen to one that prints by itself, in the middle of a line perhaps."""
Hook = Callable[[Link], Tap]
"""Gives each link its tap."""


class Teller:
    """What a driver tells its tap. It tells nobody when there is none."""

    def __init__(self, tap: Tap | None) -> None:
        self.tap = tap
        self._sent = False

    def sent(self, frame: bytes) -> None:
        self._sent = True
        if self.tap is not None:
            self.tap(">", frame)

    def came(self, data: bytes) -> None:
        if self.tap is not None:
            self.tap("<", data)

    def begin(self) -> None:
        """A request is about to be made."""
        self._sent = False

    def failed(self, fault: Fault, unit: int, request: ModbusPDU) -> None:
        """The request gave no items."""
        if self.tap is not None:
            pdu = bytes((unit, request.function_code)) + request.encode()
            self.tap("!" if self._sent else "-", f"{fault.name} {pdu.hex(' ')}".encode("ascii"))
