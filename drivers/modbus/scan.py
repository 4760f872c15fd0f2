"""Who answers on a link: units asked one after another, each by the four reads, through the link's own driver.

One that answers is asked who it is (`identify`). Nothing is written; registers declared clear-on-read or never to be
touched are left out. A unit that gives no answer to two reads is taken as not there, so a whole address range takes
about two waits a unit, three on a line. May import: config, drivers.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from config.model import Channel, Link, Module
from drivers import wire_time
from drivers.contract import Driver, Fault, Pick, ReadPlan, Request
from drivers.modbus.functions import MEANINGS
from drivers.modbus.identify import identify
from drivers.modbus.wires import Wire, open_serial, open_socket

FUNCTIONS: Final = ("input", "holding", "coil", "discrete")
"""Functions 4, 3, 1 and 2: modules answer some, and refuse the others with an exception, which is an answer too."""

LISTEN_S: Final = 3.0
ABSENT: Final = frozenset({Fault.NO_ANSWER, Fault.LINK_DOWN, Fault.REFUSED_10, Fault.REFUSED_11, Fault.NOT_POLLED})


@dataclass(frozen=True, slots=True)
class Heard:
    """What one unit answered: for each function "answers", what it refused with, or "" for silence."""

    unit: int
    answers: Mapping[str, str]
    says: Mapping[str, str] = field(default_factory=dict)  # of itself: vendor, product, revision

    @property
    def there(self) -> bool:
        """Whether anything answered at all."""
        return any(self.answers.values())


def estimate_s(link: Link, units: Sequence[int]) -> float:
    """The longest a scan of these units should take, in s.

    Two waits for each that is not there; on a line it rests for a third between them (`Talk.rested`).
    """
    waits = 2 if link.kind == "modbus-tcp" else 3
    return 1.1 * waits * link.timeout_s * len(units)


def address_for(function: str, modules: Sequence[Module]) -> int | None:
    """The lowest address that none of these modules forbids to a scan, None when the first 64 are all forbidden."""
    forbidden = [a for m in modules for a in (*m.never, *m.clear_on_read)]
    for address in range(64):
        if not any(a.touches(function, address, address + 1) for a in forbidden):
            return address
    return None


async def scan(driver: Driver, units: Sequence[int], known: Sequence[Module]) -> AsyncIterator[Heard]:
    """Ask each unit; yields one Heard for each.

    `known`: the modules of the plant file on this link. What one of them forbids no unit is asked for: many modules on
    TCP answer whatever unit is asked, and a unit number may have been changed.
    """
    for unit in units:
        answers: dict[str, str] = {}
        silent = 0
        for function in FUNCTIONS:
            address = address_for(function, known)
            if address is None:
                answers[function] = "not asked"
                continue
            if silent >= 2:
                answers[function] = ""
                continue
            answers[function] = word = await _ask(driver, unit, function, address)
            silent = silent + 1 if not word else 0
        heard = Heard(unit, answers)
        yield replace(heard, says=await identify(driver, unit)) if heard.there else heard


async def _ask(driver: Driver, unit: int, function: str, address: int) -> str:
    kind = "bit" if function in ("coil", "discrete") else "u16"
    channel = Channel.model_validate({"function": function, "address": address, "type": kind})
    plan = ReadPlan(f"unit {unit}", unit, (Request(function, address, 1),), (Pick(0, 0, channel),))
    answer = await driver.read(plan)
    fault = answer.faults[0]
    if fault is Fault.NONE or answer.counts[0] is not None:
        return "answers"
    if fault in ABSENT:
        return ""
    if Fault.REFUSED_1 <= fault <= Fault.REFUSED_OTHER:
        code = int(fault) - 16
        return f"refused (code {code}: {MEANINGS.get(code, 'not a listed code')})"
    return "answers, but not as Modbus"


def listen(link: Link, seconds: float = LISTEN_S) -> int:
    """Bytes heard on a line, or from the gateway before it, while nothing is sent: more than none is another master.

    Blocks for `seconds` of real time. OSError or ValueError when it cannot be opened, or is lost meanwhile.
    """
    wire: Wire
    if link.kind == "modbus-rtu-over-tcp":
        wire = open_socket(link, link.host or "", lambda: False)
    else:
        wire = open_serial(link, link.device or "")
    try:
        heard = 0
        end = wire_time.now() + seconds
        while wire_time.now() < end:
            heard += len(wire.take(256))
        return heard
    finally:
        wire.close()
