"""The plain loop that a replay is held against: 16 channels a poll, one object with slots a channel, floats.

Counts to milliamperes, a verdict on the loop, engineering units, linear compensation on three channels, a filter, and
six comparisons a channel (two high, two low, rate, fault), each with a deadband and an on-delay. Nothing is stored,
nothing is written but a list of what turned on or off.
"""

from __future__ import annotations

import time
from typing import Any, Final

from tests.bench.signals import ANALOGUE, Signals

FULL_MA: Final = 24.0  # at 65535 counts
DT_S: Final = 10.0


class _Channel:
    __slots__ = ("a", "gain", "has", "lo", "states", "tch", "tcoef", "y")

    def __init__(self, k: int) -> None:
        width = 100.0 + 10 * k
        self.lo, self.gain = 0.0, width / 16
        self.tcoef, self.tch = (0.02, 7) if k < 3 else (0.0, -1)
        tau = 30.0 + 10 * (k % 4)
        self.a = DT_S / (tau + DT_S)
        self.y, self.has = 0.0, False
        limits = (0.62 * width, 0.58 * width, 0.47 * width, 0.44 * width, 0.0012 * width, 0.0)
        bands = (0.01 * width,) * 4 + (0.0002 * width, 0.0)
        delays = (0.0, 30.0, 30.0, 0.0, 20.0, 10.0)
        # limit, where it is off again, delay, condition, since, active
        self.states: list[list[Any]] = [
            [limit, limit + band if i in (2, 3) else limit - band, delay, False, 0.0, False]
            for i, (limit, band, delay) in enumerate(zip(limits, bands, delays, strict=True))
        ]


def polls(n: int) -> list[list[int]]:
    """Counts of `n` polls at 10 s, with a broken wire now and then."""
    out: list[list[int]] = []
    for chunk in Signals(int(n * DT_S), int(DT_S)).chunks():
        out += (chunk.analogue[:, :ANALOGUE].astype("int64") * 20 // 24).tolist()
    for begin in range(200, n - 40, 2500):
        for row in out[begin : begin + 30]:
            row[4] = 1500
    return out


def run(rows: list[list[int]]) -> list[tuple[int, int, int, bool]]:
    """Poll, channel, comparison and whether it turned on, of each change."""
    channels = [_Channel(k) for k in range(ANALOGUE)]
    values = [0.0] * ANALOGUE
    events = []
    per_count = FULL_MA / 65535
    for n, row in enumerate(rows):
        t = n * DT_S
        for k, h in enumerate(channels):
            values[k] = h.lo + (row[k] * per_count - 4.0) * h.gain
        for k, h in enumerate(channels):
            ma = row[k] * per_count
            rate = 0.0
            if ma < 3.6 or ma > 21.0:
                fault = 1.0
            else:
                fault = -1.0
                v = values[k]
                if h.tch >= 0:
                    v = v / (1 + h.tcoef * (values[h.tch] - 25))
                if h.has:
                    d = h.a * (v - h.y)
                    h.y += d
                    rate = abs(d / DT_S) * 10
                else:
                    h.y, h.has = v, True
            y = h.y
            for i, s in enumerate(h.states):
                x = y if i < 4 else rate if i == 4 else fault
                if i == 2 or i == 3:
                    on = True if x < s[0] else False if x >= s[1] else s[3]
                else:
                    on = True if x > s[0] else False if x <= s[1] else s[3]
                if on:
                    if not s[3]:
                        s[4], s[3] = t, True
                    if not s[5] and t - s[4] >= s[2]:
                        s[5] = True
                        events.append((n, k, i, True))
                elif s[3]:
                    s[3] = False
                    if s[5]:
                        s[5] = False
                        events.append((n, k, i, False))
    return events


def seconds_a_poll(rows: list[list[int]]) -> float:
    """Seconds that `run` takes for one poll."""
    begun = time.perf_counter()
    if not run(rows):
        raise RuntimeError("the plain loop found nothing to report: its signals are wrong")
    return (time.perf_counter() - begun) / len(rows)
