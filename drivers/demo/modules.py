"""The channel map: which number of the plant stands in which register of which module.

`CHANNELS` is the one table; the plant file describes the same map and a test holds the two together. A module's image
(its bits and registers at one instant) and a recording's row are both drawn from it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from drivers.demo.house import House
from drivers.demo.instruments import as_f32

Count = int | float


@dataclass(frozen=True, slots=True)
class Place:
    """Where a channel lies in its module, and how the plant gives its count."""

    module: str
    channel: str
    function: str  # discrete or input
    address: int
    type: str  # u16, s16, u32, f32, bit
    count: Callable[[House], Count]
    low_first: bool = False
    bit: int | None = None

    @property
    def ref(self) -> str:
        """ "ai.b1_cond"."""
        return f"{self.module}.{self.channel}"


@dataclass(frozen=True, slots=True)
class Unit:
    """An answering module."""

    name: str
    link: str
    unit: int


UNITS: Final = (Unit("ai", "panel", 1), Unit("di", "panel", 2), Unit("counters", "panel", 3), Unit("aux", "meters", 7))


def _current(ref: str, per_ma: float, top: int, house: House) -> int:
    """Counts of a current input: whole, and held inside what the converter can show."""
    return min(top, max(0, round(house.loops[ref].ma * per_ma)))


def _feedwater(house: House) -> int:
    return min(65535, max(0, round(house.feedwater_loop.ma * 1000)))


def _float_current(ref: str, house: House) -> float:
    return as_f32(house.loops[ref].ma)


def _contact(n: int, house: House) -> int:
    return int(house.contacts[n])


def _meter(name: str, house: House) -> int:
    return house.meters[name].register


def _status(bit: int, house: House) -> int:
    return house.status_word >> bit & 1


_AI: Final = (  # addresses 0..7
    *("b1_cond", "b2_cond", "b1_probe_temp", "b2_probe_temp"),
    *("b1_pressure", "b2_pressure", "b1_level", "b2_level"),
)
_DI: Final = (  # addresses 0..15, in the order of House.contacts
    *("b1_blow", "b1_valve_open", "b1_valve_shut", "b1_limit", "b1_low_water", "b1_high_water", "b1_ctl_alarm"),
    *("b2_blow", "b2_valve_shut", "b2_limit", "b2_low_water", "b2_high_water", "b2_ctl_alarm"),
    *("scavenger_pump", "polymer_pump", "amine_pump"),
)
_METERS: Final = ("makeup", "feedwater_b1", "feedwater_b2", "blowdown")  # addresses 0, 2, 4, 6
_STATUS: Final = ("b1_burner", "b2_burner", "b1_lockout", "b2_lockout", "b1_hand", "b2_hand")  # bits of address 11
# addresses 0..4
_MICROAMPS: Final = ("scavenger_level", "polymer_level", "condensate_cond", "feed_tank_level", "feed_tank_temp")
_PER_MA_16: Final = 65535 / 20
_PER_MA_15: Final = 32767 / 20


def _places() -> tuple[Place, ...]:
    ai = [Place("ai", c, "input", n, "u16", partial(_current, f"ai.{c}", _PER_MA_16, 65535)) for n, c in enumerate(_AI)]
    di = [Place("di", c, "discrete", n, "bit", partial(_contact, n)) for n, c in enumerate(_DI)]
    counters = [Place("counters", m, "input", 2 * n, "u32", partial(_meter, m)) for n, m in enumerate(_METERS)]
    counters += [
        Place("counters", "gas", "input", 8, "u32", partial(_meter, "gas"), low_first=True),
        Place("counters", "softener", "input", 10, "u16", partial(_meter, "softener")),
    ]
    counters += [Place("counters", c, "input", 11, "bit", partial(_status, n), bit=n) for n, c in enumerate(_STATUS)]
    aux = [
        Place("aux", c, "input", n, "u16", partial(_current, f"aux.{c}", 1000.0, 65535))
        for n, c in enumerate(_MICROAMPS)
    ]
    aux += [
        Place("aux", "header_pressure", "input", 5, "f32", partial(_float_current, "aux.header_pressure"), True),
        Place("aux", "b1_stack_temp", "input", 7, "s16", partial(_current, "aux.b1_stack_temp", _PER_MA_15, 32767)),
        Place("aux", "b2_stack_temp", "input", 8, "s16", partial(_current, "aux.b2_stack_temp", _PER_MA_15, 32767)),
        Place("aux", "feedwater_cond", "input", 9, "u16", _feedwater),
    ]
    return tuple(ai + di + counters + aux)


CHANNELS: Final = _places()
_WIDTH: Final = {"u16": 1, "s16": 1, "u32": 2, "f32": 2, "bit": 1}
_PACK: Final = {"u16": ">H", "s16": ">h", "u32": ">I", "f32": ">f"}


def bits(house: House, module: str) -> list[int]:
    """The discrete inputs of a module, from address 0; empty when it has none."""
    return [int(p.count(house)) for p in CHANNELS if p.module == module and p.function == "discrete"]


def registers(house: House, module: str) -> list[int]:
    """The input registers of a module, from address 0; empty when it has none."""
    mine = [p for p in CHANNELS if p.module == module and p.function == "input"]
    out = [0] * max((p.address + _WIDTH[p.type] for p in mine), default=0)
    for p in mine:
        if p.bit is not None:
            out[p.address] |= int(p.count(house)) << p.bit
            continue
        raw = struct.pack(_PACK[p.type], p.count(house))
        words = [int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]
        out[p.address : p.address + len(words)] = reversed(words) if p.low_first else words
    return out


def silent(house: House, module: str) -> bool:
    """The module has no power or no wire: it answers nothing."""
    return module in house.acts.silent
