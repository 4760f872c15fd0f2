"""Bleed: what a blowdown meter passes while every valve before it is shut, learned as normal. Pure.

A throttled bleed, a leaking seat or a sample stream flows on when the valve is shut. Only a meter sees it, so it is
learned per blowdown meter and for all the boilers it serves together, never divided among them. Counted are the polls
at which all of them steam with the valve known to be shut, from `SETTLED_MS` after it shut on; four hours of such
polls are a window, one hour of them is what an alarm looks at. The first six windows are averaged; later ones move the
average slowly, and one clearly above it (a half more and two pulses) teaches nothing: what exceeds the bleed is no
bleed.

May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.model import Plant
from daemon.core.cells import Cell, cell

HOUR_MS: Final = 3_600_000
SETTLED_MS: Final = 120_000  # after the valve shut: it travels, and the line to the meter runs empty
LONGEST_MS: Final = 300_000  # polls of the meter further apart than this are not compared
WINDOW_MS: Final = 4 * HOUR_MS
LEARNED: Final = 3  # windows before anything is said
AVERAGED: Final = 6
SLOWLY: Final = 1 / 20
ABOVE: Final = 1.5
PULSES: Final = 2.0


@dataclass(frozen=True, slots=True)
class BleedRule:
    """One blowdown meter: its place among the meters, the boilers it serves (places), what they state (kg/h)."""

    meter: int
    boilers: tuple[int, ...]
    stated: float | None  # None where any of them says nothing


@cell
class Bleed(Cell):
    """The window being filled (`kg` in `ms`), the last whole one and the normal in kg/h; `windows` taken so far."""

    shut_ms: int = -1  # since when all valves are known shut, -1 while they are not
    read_ms: int = -1  # the last poll of the meter that counted
    mass: float = 0.0  # the meter's total then
    kg: float = 0.0
    ms: int = 0
    windows: int = 0
    normal: float = 0.0
    last: float = 0.0
    above: int = 0  # windows in a row above the normal
    part_kg: float = 0.0  # the hour being filled
    part_ms: int = 0
    hour: float = 0.0  # kg/h of the last whole hour
    rough: float = 0.0  # what two pulses are in it, kg/h
    hours: int = 0  # taken so far


def bleed_rules(plant: Plant) -> tuple[BleedRule, ...]:
    """The blowdown meters of whose boilers every valve is seen."""
    out = []
    for k, m in enumerate(plant.meters):
        served = tuple(i for i, b in enumerate(plant.boilers) if b.name in m.serves)
        if m.measures != "blowdown" or not served:
            continue
        valves = [plant.boilers[i].blowdown_valve for i in served]
        seen = ("command", "open_switch", "shut_switch", "position", "demand")
        if any(v is None or all(getattr(v, key) is None for key in seen) for v in valves):
            continue
        said = [v.bleed for v in valves if v is not None]
        stated = sum(x for x in said if x is not None) if any(x is not None for x in said) else None
        out.append(BleedRule(k, served, stated))
    return tuple(out)


def follow(c: Bleed, shut: bool, t: int, mass: float | None, pulse_kg: float) -> None:
    """Take one group: `shut` when every boiler steams with its valve known shut and nobody blows by hand.

    `mass`: the meter's total (kg) where it was read in this group, else None. `pulse_kg`: of one pulse.
    """
    if not shut:
        c.shut_ms = c.read_ms = -1
        return
    if c.shut_ms < 0:
        c.shut_ms = t
    if mass is None or t - c.shut_ms < SETTLED_MS:
        return
    if c.read_ms >= 0 and t - c.read_ms <= LONGEST_MS and mass >= c.mass:
        c.kg += mass - c.mass
        c.ms += t - c.read_ms
        c.part_kg += mass - c.mass
        c.part_ms += t - c.read_ms
    c.read_ms, c.mass = t, mass
    if c.part_ms >= HOUR_MS:
        c.hour, c.rough = c.part_kg * HOUR_MS / c.part_ms, PULSES * pulse_kg * HOUR_MS / c.part_ms
        c.part_kg, c.part_ms, c.hours = 0.0, 0, c.hours + 1
    if c.ms >= WINDOW_MS:
        _window(c, c.kg * HOUR_MS / c.ms, PULSES * pulse_kg * HOUR_MS / c.ms)
        c.kg, c.ms = 0.0, 0


def _window(c: Bleed, kg_h: float, rough: float) -> None:
    c.last = kg_h
    if c.windows >= LEARNED and kg_h > ABOVE * c.normal + rough:
        c.above += 1
        return
    c.above = 0
    c.windows += 1
    c.normal += (kg_h - c.normal) * (1 / c.windows if c.windows <= AVERAGED else SLOWLY)


def most(c: Bleed, stated: float | None) -> float | None:
    """The most that an hour may pass with the valves shut, kg/h; None until what is usual is learned or `stated`."""
    usual = normal(c)
    usual = stated if usual is None else usual
    return None if usual is None else ABOVE * usual + c.rough


def normal(c: Bleed) -> float | None:
    """kg/h that flow with the valves shut, None until it is learned."""
    return c.normal if c.windows >= LEARNED else None
