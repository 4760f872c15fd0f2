"""Random maps of a module, and the cheapest way to read one found by trying every way there is.

Written apart from the planner: what a request may hold is decided here address by address, and its cost is counted
here byte by byte from the serial-line and TCP specifications.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from config.bus import Addresses
from config.model import Channel, Link, Module
from drivers.contract import ReadPlan, Request

TYPES = ("u16", "s16", "u32", "u64", "f32", "f64", "bit", "bcd16", "bcd32")
KINDS = ("modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp", "modbus-ascii")


def partitions(n: int) -> Iterator[list[int]]:
    """Every way to share n things out among sets: the number of the set of each, sets numbered as they come up."""

    def grow(chosen: list[int], sets: int) -> Iterator[list[int]]:
        if len(chosen) == n:
            yield chosen
            return
        for k in range(sets + 1):
            yield from grow([*chosen, k], max(sets, k + 1))

    yield from grow([], 0)


def covered(channels: list[Channel]) -> set[int]:
    return {a for c in channels for a in range(c.address, c.address + c.registers)}


def within(ranges: tuple[Addresses, ...], function: str) -> set[int]:
    return {a for r in ranges if r.function == function for a in range(r.first, r.last + 1)}


def request_of(module: Module, channels: list[Channel]) -> Request | None:
    """The one request that reads these channels of one function; None when it may not be made."""
    function, used = channels[0].function, covered(channels)
    bits = function in ("coil", "discrete")
    span = range(min(used), max(used) + 1)
    if len(span) > (min(2000, module.max_bits) if bits else min(125, module.max_registers)):
        return None
    if set(span) & within(module.never, function):
        return None
    clears = within(module.clear_on_read, function)
    unused = [a for a in span if a not in used]
    if clears & set(unused) or (unused and clears & used):
        return None
    allowed, run = module.gap * (8 if bits else 1), 0
    for a in span:
        run = 0 if a in used else run + 1
        if run > allowed:
            return None
    return Request(function, span[0], len(span))


def cost(link: Link, module: Module, request: Request) -> Fraction:
    """Seconds of one exchange, exact."""
    data = -(-request.count // 8) if request.function in ("coil", "discrete") else 2 * request.count
    pdus = 5 + 2 + data  # function, address, count; function, byte count, data
    thinks = Fraction("0.005")
    if module.answers_within is not None:
        thinks = min(thinks, Fraction(module.answers_within))
    network, packets = Fraction("0.001"), 2 * 54
    if link.kind == "modbus-tcp":
        wire = network + Fraction(8 * (2 * 7 + pdus + packets), 10_000_000)
    elif link.kind == "modbus-ascii":  # : unit pdu lrc CR LF, two characters a byte, 10 bits a character
        wire = Fraction((2 * 3 + 2 * (2 * 2 + pdus)) * 10, link.baud)
    else:  # unit pdu crc, 11 bits a character, and 3.5 characters of silence each, 1.75 ms above 19200
        quiet = Fraction("0.00175") if link.baud > 19200 else Fraction(77, 2 * link.baud)
        wire = Fraction((2 * 3 + pdus) * 11, link.baud) + 2 * quiet
        if link.kind == "modbus-rtu-over-tcp":
            wire += network + Fraction(8 * packets, 10_000_000)
    return wire + thinks + Fraction(link.pause)


def optimum(link: Link, module: Module) -> tuple[Fraction, int] | None:
    """The least cost of reading all channels, and the fewest requests at that cost; None when there is no way."""
    total, count = Fraction(0), 0
    for function in ("coil", "discrete", "holding", "input"):
        channels = [c for c in module.channels.values() if c.function == function]
        ways = [w for p in partitions(len(channels)) if (w := _way(link, module, channels, p)) is not None]
        if not ways:
            return None
        total, count = total + min(ways)[0], count + min(ways)[1]
    return total, count


def _way(link: Link, module: Module, channels: list[Channel], sets: list[int]) -> tuple[Fraction, int] | None:
    requests = []
    for k in range(max(sets, default=-1) + 1):
        made = request_of(module, [c for c, s in zip(channels, sets, strict=True) if s == k])
        if made is None:
            return None
        requests.append(made)
    if touched_twice(module, requests):
        return None
    return sum((cost(link, module, r) for r in requests), Fraction(0)), len(requests)


def touched_twice(module: Module, requests: list[Request] | tuple[Request, ...]) -> bool:
    """Whether a clear-on-read address is read by two requests."""
    read = [(r.function, a) for r in requests for a in range(r.address, r.address + r.count)]
    clears = [x for x in read if x[1] in within(module.clear_on_read, x[0])]
    return len(clears) != len(set(clears))


def faults_of(module: Module, made: ReadPlan) -> list[str]:
    """What a plan does that it may not, in words; [] for a plan that keeps every rule."""
    said = []
    for k, request in enumerate(made.requests):
        own = [p.channel for p in made.picks if p.request == k]
        # a channel that lies in two requests is picked from one; the other reads it all the same
        own += [c for c in module.channels.values() if c.function == request.function
                and request.address <= c.address and c.end <= request.address + request.count]  # fmt: skip
        if not own or request_of(module, own) != request:
            said.append(f"{request} may not be made")
    if touched_twice(module, made.requests):
        said.append("a clear-on-read address is read twice")
    if [p.channel for p in made.picks] != list(module.channels.values()):
        said.append("channels are missing")
    for p in made.picks:
        r = made.requests[p.request]
        if r.function != p.channel.function or r.address + p.offset != p.channel.address:
            said.append(f"{p} is taken from another address")
        if not 0 <= p.offset <= r.count - p.channel.registers:
            said.append(f"{p} is not whole in its request")
    return said


def random_module(rng: random.Random, most: int = 7) -> Module:
    """A module with up to `most` channels, close together, with limits and ranges that matter to them."""
    wide = rng.choice((6, 12, 30, 60, 160))
    channels: dict[str, dict[str, Any]] = {}
    functions = rng.choice((("holding",), ("input",), ("coil",), ("holding", "coil"), ("input", "discrete")))
    for i in range(rng.randint(1, most)):
        function = rng.choice(functions)
        if function in ("coil", "discrete"):
            channels[f"c{i}"] = {"function": function, "address": rng.randint(0, 6 * wide)}
        else:
            kind = rng.choice(TYPES)
            channels[f"c{i}"] = {"function": function, "address": rng.randint(0, wide), "type": kind}
            if kind == "bit":
                channels[f"c{i}"]["bit"] = rng.randint(0, 15)
    ranges: dict[str, list[str]] = {"never": [], "clear_on_read": []}
    for key, share in (("never", 0.5), ("clear_on_read", 0.7)):
        while rng.random() < share:
            function = rng.choice(functions)
            first = rng.randint(0, wide if function in ("holding", "input") else 6 * wide)
            ranges[key].append(f"{function} {first}..{first + rng.choice((0, 0, 1, 3, 9))}")
            share /= 2
    return Module.model_validate(
        {
            "name": "m",
            "link": "l",
            "channels": channels,
            "gap": rng.choice((0, 1, 2, 4, 8, 16, 40, 124)),
            "max_registers": rng.choice((1, 2, 4, 5, 8, 16, 64, 125, 125)),
            "max_bits": rng.choice((1, 8, 16, 100, 2000)),
            **{k: tuple(v) for k, v in ranges.items()},
            **({"answers_within": rng.choice(("1 ms", "20 ms", "2 s"))} if rng.random() < 0.5 else {}),
        }
    )


def random_link(rng: random.Random) -> Link:
    return Link.model_validate(
        {
            "name": "l",
            "kind": rng.choice(KINDS),
            "baud": rng.choice((300, 1200, 9600, 19200, 38400, 115200)),
            "pause": rng.choice(("0 s", "0 s", "2 ms", "50 ms")),
        }
    )
