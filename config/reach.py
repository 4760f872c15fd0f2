"""Which channels of a module have to be read by one and the same request.

A register declared clear-on-read changes when it is read: two channels that share one must come from one answer, or
the second would read what the first has left. Pure; rules and planner use it. Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterable

from config.bus import Addresses, Channel

Stretch = tuple[int, int]
"""First address, and the address after the last."""


def stretches(channels: Iterable[Channel], clear_on_read: Iterable[Addresses]) -> list[Stretch]:
    """What is to be read whole for `channels`, all of one function; none lies within another, so both ends ascend.

    Each channel is a stretch of its own, unless it lies within another's (it then comes along), or shares a
    clear-on-read address with it (they are then one stretch).
    """
    clears = tuple(clear_on_read)
    out: list[Stretch] = []
    for channel in sorted(channels, key=lambda c: (c.address, -c.end)):
        start, end = channel.address, channel.end
        if out and start < out[-1][1]:
            before, reached = out[-1]
            if end <= reached or any(a.touches(channel.function, start, reached) for a in clears):
                out[-1] = (before, max(end, reached))
                continue
        out.append((start, end))
    return out
