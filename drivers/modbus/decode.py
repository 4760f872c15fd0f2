"""Registers and bits of an answer to counts.

Lives here: what the types and the word and byte orders of `config.model.Channel` mean. Pure.
May import: config, drivers.contract. Decoders are made once for a plan, not for each poll.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from operator import itemgetter
from struct import Struct
from typing import Final

from config.model import Channel
from drivers.contract import Count

Items = Sequence[int]
"""What an answer carries: registers 0..65535, or bits 0 and 1."""
Decode = Callable[[Items, int], Count | None]
"""Items and the offset of the value in them to a count; None for a float that is no number."""

_CODES: Final = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "u64": "Q", "f32": "f", "f64": "d"}


def decoder(channel: Channel) -> Decode:
    """How to read one channel. Integers and bits give int, f32 and f64 the float as it was sent."""
    if channel.function in ("coil", "discrete"):
        return _item
    low_bytes_first = channel.bytes == "low first"
    if channel.type == "bit":
        assert channel.bit is not None  # the model sees to it
        return _bit(channel.bit ^ 8 if low_bytes_first else channel.bit)
    if channel.type == "u16" and not low_bytes_first:
        return _item
    words = channel.registers
    pack = Struct(f"{'<' if low_bytes_first else '>'}{words}H").pack
    unpack = Struct(">" + _CODES[channel.type]).unpack
    step = -1 if channel.words == "low first" else 1
    floating = channel.type in ("f32", "f64")

    def value(items: Items, offset: int) -> Count | None:
        number: Count = unpack(pack(*items[offset : offset + words][::step]))[0]
        return None if floating and not isfinite(number) else number

    return value


def _item(items: Items, offset: int) -> Count:
    return items[offset]


def _bit(bit: int) -> Decode:
    return lambda items, offset: items[offset] >> bit & 1


@dataclass(frozen=True, slots=True)
class Fields:
    """The channels that lie in one request: their places in the answer, and how to read them all at once."""

    places: tuple[int, ...]
    read: Callable[[Items], Sequence[Count | None]]


def fields(parts: Sequence[tuple[int, int, Channel]]) -> Fields:
    """The fields of one request, from (place in the answer, offset in the request, channel) each."""
    places = tuple(place for place, _, _ in parts)
    steps = [(decoder(channel), offset) for _, offset, channel in parts]
    if len(steps) > 1 and all(decode is _item for decode, _ in steps):
        return Fields(places, itemgetter(*(offset for _, offset in steps)))
    return Fields(places, lambda items: [decode(items, offset) for decode, offset in steps])
