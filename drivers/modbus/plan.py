"""Channels of a module joined into as few requests as plain merging gives.

Lives here: what may share a request. Pure. May import: config, drivers.contract.
Limits of one request are the specification's (MODBUS Application Protocol V1.1b3, 6.1 to 6.4).
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Final

from config.model import Channel, Module
from drivers.contract import Pick, ReadPlan, Request

ORDER: Final = ("coil", "discrete", "holding", "input")
LARGEST: Final[Mapping[str, int]] = {"coil": 2000, "discrete": 2000, "holding": 125, "input": 125}
"""Items one request may ask for: bits, or registers."""
GAP: Final[Mapping[str, int]] = {"coil": 64, "discrete": 64, "holding": 8, "input": 8}
"""Unused items read along rather than asking twice: 8 registers cost 16 bytes, a request of its own over 20."""


def plan(module: Module) -> ReadPlan:
    """The requests that fetch every channel of a module, each value whole in one request.

    Requests come in the order coil, discrete, holding, input, then by address. A module that refuses a request
    because of the unused addresses in it is asked again without them by the driver (`without_gaps`).
    """
    wanted = tuple(module.channels.values())
    requests = _join(wanted, GAP)
    return ReadPlan(module.name, module.unit, requests, picks_in(requests, wanted))


def without_gaps(channels: tuple[Channel, ...]) -> tuple[Request, ...]:
    """The requests for these channels (all of one function) that touch no address without a channel."""
    return _join(channels, dict.fromkeys(ORDER, 0))


def picks_in(requests: tuple[Request, ...], channels: tuple[Channel, ...]) -> tuple[Pick, ...]:
    """Where each channel lies in the requests; ValueError when one lies in none."""
    return tuple(_pick(requests, channel) for channel in channels)


def _pick(requests: tuple[Request, ...], channel: Channel) -> Pick:
    for index, request in enumerate(requests):
        offset = channel.address - request.address
        if request.function == channel.function and 0 <= offset <= request.count - channel.registers:
            return Pick(index, offset, channel)
    raise ValueError(f"no request holds {channel.function} {channel.address}")


def _join(channels: tuple[Channel, ...], gap: Mapping[str, int]) -> tuple[Request, ...]:
    requests: list[Request] = []
    ordered = sorted(channels, key=lambda c: (ORDER.index(c.function), c.address, -c.registers))
    for function, run in groupby(ordered, key=lambda c: c.function):
        first = end = -1
        for channel in run:
            start, stop = channel.address, channel.address + channel.registers
            if first < 0:
                first, end = start, stop
            elif start - end <= gap[function] and max(stop, end) - first <= LARGEST[function]:
                end = max(stop, end)
            else:
                requests.append(Request(function, first, end - first))
                first, end = start, stop
        requests.append(Request(function, first, end - first))
    return tuple(requests)
