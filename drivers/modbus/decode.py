"""Registers and bits of an answer to counts.

Lives here: what the types, the word and byte orders and the "no value" of `config.model.Channel` mean. Pure.
May import: config, drivers.contract. Decoders are made once for a plan, not for each poll.
BCD has a decimal digit in each four bits, the highest first; four bits above 9 are no digit, and the count is then
NOT_A_NUMBER like a float that is none: a counter that shows such a thing has failed or is of another type.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from operator import itemgetter
from struct import Struct, pack, unpack
from typing import Final

from config.model import Channel
from drivers.contract import Count, Fault

Items = Sequence[int]
"""What an answer carries: registers 0..65535, or bits 0 and 1."""
Decode = Callable[[Items, int], Count | None]
"""Items and the offset of the value in them to a count; None where there is none (`Fields.faults` says why)."""

_CODES: Final = {
    "u16": "H", "s16": "h", "u32": "I", "s32": "i", "u64": "Q", "f32": "f", "f64": "d", "bcd16": "H", "bcd32": "I",
}  # fmt: skip


def decoder(channel: Channel) -> Decode:
    """How to read one channel. Integers, BCD and bits give int, f32 and f64 the float as it was sent."""
    plain = _plain(channel)
    if channel.not_available is None:
        return plain
    none = _sentinel(channel)

    def value(items: Items, offset: int) -> Count | None:
        number = plain(items, offset)
        return None if number == none else number

    return value


def _sentinel(channel: Channel) -> Count:
    """The count that says "no value", as the module would send it: a 32-bit float is not as fine as what is written."""
    none = channel.not_available
    assert none is not None
    if channel.type == "f32":
        rounded: float = unpack(">f", pack(">f", none))[0]
        return rounded
    return none


def _plain(channel: Channel) -> Decode:
    if channel.function in ("coil", "discrete"):
        return _item
    low_bytes_first = channel.bytes == "low first"
    if channel.type == "bit":
        assert channel.bit is not None  # the model sees to it
        return _bit(channel.bit ^ 8 if low_bytes_first else channel.bit)
    if channel.type == "u16" and not low_bytes_first:
        return _item
    words = channel.registers
    as_bytes = Struct(f"{'<' if low_bytes_first else '>'}{words}H").pack
    as_number = Struct(">" + _CODES[channel.type]).unpack
    step = -1 if channel.words == "low first" else 1
    floating, digits = channel.type in ("f32", "f64"), channel.type in ("bcd16", "bcd32")

    def value(items: Items, offset: int) -> Count | None:
        number: Count = as_number(as_bytes(*items[offset : offset + words][::step]))[0]
        return None if floating and not isfinite(number) else number

    def decimal(items: Items, offset: int) -> Count | None:
        written = f"{as_number(as_bytes(*items[offset : offset + words][::step]))[0]:x}"
        return int(written) if written.isdigit() else None

    return decimal if digits else value


def _item(items: Items, offset: int) -> Count:
    return items[offset]


def _bit(bit: int) -> Decode:
    return lambda items, offset: items[offset] >> bit & 1


@dataclass(frozen=True, slots=True)
class Fields:
    """The channels that lie in one request: their places in the answer, and how to read them all at once."""

    places: tuple[int, ...]
    read: Callable[[Items], Sequence[Count | None]]
    plain: tuple[tuple[Decode, int], ...]  # how each would read if no count stood for "no value", and its offset

    def faults(self, items: Items, counts: Sequence[Count | None]) -> tuple[Fault, ...]:
        """Why each of the `counts` that `read` gave is missing, NONE where it is not."""
        return tuple(
            Fault.NONE if count is not None
            else Fault.NOT_A_NUMBER if decode(items, offset) is None
            else Fault.NOT_AVAILABLE
            for count, (decode, offset) in zip(counts, self.plain, strict=True)
        )  # fmt: skip


def fields(parts: Sequence[tuple[int, int, Channel]]) -> Fields:
    """The fields of one request, from (place in the answer, offset in the request, channel) each."""
    places = tuple(place for place, _, _ in parts)
    steps = [(decoder(channel), offset) for _, offset, channel in parts]
    plain = tuple((_plain(channel), offset) for _, offset, channel in parts)
    if len(steps) > 1 and all(decode is _item for decode, _ in steps):
        return Fields(places, itemgetter(*(offset for _, offset in steps)), plain)
    return Fields(places, lambda items: [decode(items, offset) for decode, offset in steps], plain)
