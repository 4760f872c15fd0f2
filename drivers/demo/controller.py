"""The plant's own blowdown controllers on the boiler-house wall: what they command, and their alarm relays.

Pure: state, what the controller sees, time step; next state. The logger only listens to what they do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Phase = Literal["waiting", "sampling", "blowing"]


@dataclass(frozen=True, slots=True)
class Setting:
    """What the water specialist has set. Conductivities uS/cm, times s."""

    set_point: float = 3000.0
    differential: float = 100.0
    sampled: bool = True  # timed sample; else the probe sees a continuous sample
    every: float = 1800.0  # from the end of one sample or blow to the next sample
    open: float = 60.0  # how long the valve opens for a sample
    blow_limit: float = 2700.0  # a blow that lasts longer is ended with an alarm
    settle: float = 300.0  # after the limit circuit has closed again
    alarm_above: float = 0.15  # share of the set point above which the alarm relay closes
    alarm_gap: float = 0.03  # and how much lower it opens again


@dataclass(frozen=True, slots=True)
class Controller:
    """State of one wall controller."""

    phase: Phase = "waiting"
    left: float = 0.0  # s to the next sample, or of the open time still to run
    blown: float = 0.0  # s the present blow has lasted
    over_limit: bool = False  # the last blow ran into its limit
    last: float = 0.0  # last reading taken on flowing sample
    too_high: bool = False  # that reading is far above the set point

    @property
    def alarm(self) -> bool:
        """The alarm relay: a blow ran into its limit, or the reading is far above the set point."""
        return self.over_limit or self.too_high

    @property
    def command(self) -> bool:
        """The output to the blowdown valve."""
        return self.phase != "waiting"


def step_controller(c: Controller, s: Setting, reading: float, running: bool, hand: bool, dt: float) -> Controller:
    """One step. `running`: the limit circuit is closed. `hand`: switched out of automatic, the output stays off."""
    if hand or not running:
        # sampling and blowing stop; what was begun is not resumed
        n = replace(c, phase="waiting", left=s.settle, blown=0.0)
    else:
        n = _timed(c, s, reading, dt) if s.sampled else _continuous(c, s, reading, dt)
    # timed sample: its last sample counts; continuous sample: what it reads now
    seen = n.last if s.sampled else reading
    too_high = seen > s.set_point * (1.0 + s.alarm_above - (s.alarm_gap if c.too_high else 0.0))
    return n if n.too_high == too_high else replace(n, too_high=too_high)


def _timed(c: Controller, s: Setting, reading: float, dt: float) -> Controller:
    if c.phase == "waiting":
        if c.left > 0:
            return replace(c, left=c.left - dt)
        return replace(c, phase="sampling", left=s.open, blown=0.0)
    if c.phase == "sampling":
        if c.left > 0:
            return replace(c, left=c.left - dt)
        if reading > s.set_point:
            return replace(c, phase="blowing", last=reading)
        return Controller(left=s.every, last=reading, too_high=c.too_high)
    if reading <= s.set_point - s.differential:
        return Controller(left=s.every, last=reading, too_high=c.too_high)
    if c.blown >= s.blow_limit:
        return Controller(left=s.every, last=reading, over_limit=True, too_high=c.too_high)
    return replace(c, blown=c.blown + dt, last=reading)


def _continuous(c: Controller, s: Setting, reading: float, dt: float) -> Controller:
    if c.left > 0 and c.phase == "waiting":
        return replace(c, left=c.left - dt, last=reading)
    if c.phase == "waiting":
        return Controller("blowing" if reading > s.set_point else "waiting", last=reading, too_high=c.too_high)
    if reading <= s.set_point - s.differential:
        return Controller(last=reading, too_high=c.too_high)
    return replace(c, blown=c.blown + dt, last=reading)
