"""Signals of a boiler house for the benchmarks of storing and asking: 16 analogue, 8 contacts, 4 counters.

Analogue channels are 16-bit counts of a 0..20 mA input: three saw-teeth (concentration builds up, blowdown drops it),
four limit cycles (a level between pump start and stop), six slow ones (temperature, pressure), three with load steps,
each with Gaussian noise of 2 to 4 counts rms; contacts change every five minutes to every month, counters run with a
flow that changes every quarter of an hour. Deterministic for a seed. Needs numpy.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

ANALOGUE, CONTACTS, COUNTERS = 16, 8, 4
CHANNELS: Final = ANALOGUE + CONTACTS + COUNTERS
T0_MS: Final = 1_735_689_600_000  # 2025-01-01T00:00:00Z
KINDS: Final = ("saw",) * 3 + ("cycle",) * 4 + ("slow",) * 6 + ("step",) * 3
SIGMAS: Final = (2.0, 2.5, 3.0, 4.0)
TOGGLES_S: Final = (300, 900, 3600, 14_400, 43_200, 86_400, 7 * 86_400, 30 * 86_400)
RATES: Final = (2.0, 0.4, 0.05, 0.01)  # pulses a second

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True, slots=True)
class Chunk:
    """Consecutive polls: times (ms UTC), counts u16 [n, 16], contacts u8 [n, 8], counters u32 [n, 4].

    `delay_ms`: from due to answered, 1 to 10 ms [n]; None: 3 each.
    """

    at_ms: Array
    analogue: Array
    contacts: Array
    counters: Array
    delay_ms: Array | None = None


def _knots(rng: np.random.Generator, span_s: float, kind: str) -> tuple[Array, Array]:
    if kind == "saw":
        n = int(span_s / 2400) + 4
        t, v = np.empty(2 * n), np.empty(2 * n + 1)
        t[0::2], t[1::2] = rng.uniform(2400, 5400, n), rng.uniform(180, 420, n)
        v[0] = 36_000
        v[1::2], v[2::2] = 42_000 + rng.normal(0, 300, n), 35_000 + rng.normal(0, 300, n)
        return np.concatenate(([0.0], np.cumsum(t))), v
    if kind == "cycle":
        n = int(span_s / 150) + 4
        t = np.concatenate(([0.0], np.cumsum(rng.uniform(180, 480, n))))
        return t, np.where(np.arange(n + 1) % 2 == 0, 33_000.0, 37_000.0) + rng.normal(0, 120, n + 1)
    if kind == "slow":
        n = int(span_s / 600) + 4
        walk, x = np.empty(n), 0.0
        for i, e in enumerate(rng.normal(0, 120, n)):
            x = 0.98 * x + e
            walk[i] = x
        t = np.arange(n) * 600.0
        return t, 40_000 + walk + 900 * np.sin(2 * np.pi * t / 86_400 + rng.uniform(0, 6))
    n = int(span_s / 1800) + 4
    d = rng.exponential(3600, n) + 60
    t = np.concatenate(([0.0], np.cumsum(np.column_stack((d, np.full(n, 20.0))).ravel())))[: 2 * n]
    return t, np.repeat(20_000 + rng.uniform(0, 25_000, n), 2)[: 2 * n]


class Signals:
    """Signals over `span_s` seconds, polled every `every_s`."""

    def __init__(self, span_s: int, every_s: int, seed: int = 1) -> None:
        self.every_s, self.polls, self._seed = every_s, span_s // every_s, seed
        rng = np.random.default_rng(seed)
        self._knots = [_knots(rng, span_s, kind) for kind in KINDS]
        self._toggles = [np.cumsum(rng.exponential(s, int(span_s / s * 1.6) + 20)) for s in TOGGLES_S]
        n = int(span_s / 900) + 3
        self._flow = [(np.arange(n) * 900.0, rng.uniform(0.2, 1.8, n) * r) for r in RATES]

    def chunks(self, size: int = 8640) -> Iterator[Chunk]:
        """All of it, in order, `size` polls at a time."""
        counted = [0.0] * COUNTERS
        for begin in range(0, self.polls, size):
            n = min(size, self.polls - begin)
            rng = np.random.default_rng((self._seed, begin))
            t = (begin + np.arange(n)) * float(self.every_s)
            analogue = np.empty((n, ANALOGUE), np.uint16)
            for k in range(ANALOGUE):
                noisy = np.interp(t, *self._knots[k]) + rng.normal(0, SIGMAS[k % 4], n)
                analogue[:, k] = np.clip(np.rint(noisy), 0, 65_535)
            contacts = np.empty((n, CONTACTS), np.uint8)
            for k in range(CONTACTS):
                contacts[:, k] = np.searchsorted(self._toggles[k], t) & 1
            counters = np.empty((n, COUNTERS), np.uint32)
            for k in range(COUNTERS):
                run = np.cumsum(np.interp(t, *self._flow[k]) * self.every_s) + counted[k]
                counters[:, k], counted[k] = np.floor(run).astype(np.uint32), float(run[-1])
            delay = np.minimum(10, 1 + np.abs(rng.normal(0, 2, n))).astype(np.uint8)
            yield Chunk(T0_MS + (t * 1000).astype(np.int64), analogue, contacts, counters, delay)


def plant_text(every_s: int) -> str:
    """The plant they belong to: one module, sixteen 4-20 mA signals."""
    channels = "".join(
        f'a{k} = {{ function = "input", address = {k}, span = "0..65535 = 0..20 mA" }}\n' for k in range(ANALOGUE)
    )
    channels += "".join(f'b{k} = {{ function = "discrete", address = {k} }}\n' for k in range(CONTACTS))
    channels += "".join(
        f'c{k} = {{ function = "input", address = {100 + 2 * k}, type = "u32" }}\n' for k in range(COUNTERS)
    )
    signals = "".join(
        f'[[analogue]]\nname = "signal_{k}"\nchannel = "ai.a{k}"\nrange = "4..20 mA = 0..{100 * (k + 1)} kPa"\n'
        for k in range(ANALOGUE)
    )
    return (
        '[plant]\nname = "Quillmarsh Creamery"\nzone = "America/Chicago"\nunits = "us"\n'
        '[[link]]\nname = "panel"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\nport = 1502\n'
        f'[[module]]\nname = "ai"\nlink = "panel"\nevery = "{every_s} s"\n[module.channels]\n{channels}{signals}'
    )
