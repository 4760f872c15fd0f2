"""The engine's state: what is sensed, every alarm's cell, and the plant both belong to.

`programme` compiles a plant once; `State` is cloned once a step. `dump` and `restore` carry a state through the
snapshot: plain JSON, floats exact, guarded by `FORMAT`. Pure.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from config.model import Plant
from daemon.alarms.condition import Alarm, AlarmCell, Asked
from daemon.alarms.folding import causes
from daemon.core.cells import Cell, cell
from daemon.core.say import System
from daemon.engine.alarm_list import alarms_of
from daemon.measure.senses import Senses, fresh_senses
from daemon.measure.wiring import Wiring, wire

FORMAT: Final = 4
"""Format of the packed state; a snapshot of another format is rebuilt by stepping stored groups again."""


class SnapshotError(ValueError):
    """A packed state that does not belong to this plant or program."""


class Asking(NamedTuple):
    """An alarm as the step's loop takes it. `boiler`: the one whose rest suppresses it, -1 for none."""

    i: int
    alarm: Alarm
    judge: Callable[[Senses, AlarmCell], bool | None]
    boiler: int
    on_delay_ms: int
    off_delay_ms: int
    lazy: bool  # it is not asked in every group


@dataclass(frozen=True, slots=True)
class Programme:
    """A plant made ready for the engine. `asks`: every alarm; the others those asked when nothing happened."""

    plant: Plant
    wiring: Wiring
    alarms: tuple[Alarm, ...]
    system: System
    asks: tuple[Asking, ...]
    asks_minute: tuple[Asking, ...]
    asks_group: tuple[Asking, ...]
    late: tuple[int, ...] = ()  # alarms that are mailed only when they last
    causes: tuple[tuple[int, ...], ...] = ()  # of each alarm those it may follow from
    following: tuple[int, ...] = ()  # alarms that may follow from another


@cell
class Cells(Cell):
    """All that changes. `next_occurrence` numbers the next raise; `number` is the last group stepped, 0 for none."""

    senses: Senses
    alarms: list[AlarmCell]
    next_occurrence: int = 1
    number: int = 0
    pending: tuple[int, ...] = ()  # alarms not asked in every group whose delay runs
    fresh: bool = True  # every alarm is to be asked in the next group
    shelved: tuple[tuple[Any, ...], ...] = ()  # target, kind, name, until (UTC ms), by, why, ends (elapsed ms)


@dataclass(frozen=True, slots=True)
class State:
    """A state never changes: `step` returns a new one. `version` is the plant version in the store."""

    programme: Programme
    version: int
    cells: Cells


def programme(plant: Plant) -> Programme:
    """Compile a plant."""
    w = wire(plant)
    alarms = alarms_of(plant, w)
    from_what = causes(alarms, w)
    asks = tuple(_asking(i, a) for i, a in enumerate(alarms))
    return Programme(
        plant,
        w,
        alarms,
        plant.plant.units,
        asks,
        tuple(a for a in asks if a.alarm.asked is not Asked.EVENTS),
        tuple(a for a in asks if a.alarm.asked is Asked.EVERY_GROUP),
        tuple(i for i, a in enumerate(alarms) if a.mails_after_ms),
        from_what,
        tuple(i for i, x in enumerate(from_what) if x),
    )


def _asking(i: int, a: Alarm) -> Asking:
    boiler = a.boiler if a.suppressed_when_off else -1
    return Asking(i, a, a.condition.judge, boiler, a.on_delay_ms, a.off_delay_ms, a.asked is not Asked.EVERY_GROUP)


def start(plant: Plant, version: int) -> State:
    """The state of a service that has seen nothing yet."""
    p = programme(plant)
    return State(p, version, Cells(fresh_senses(p.wiring), [AlarmCell() for _ in p.alarms]))


def dump(state: State) -> bytes:
    """The state as bytes for the snapshot."""
    names = [list(a.identity) for a in state.programme.alarms]
    body = {"version": state.version, "alarms": names, "cells": state.cells.pack()}
    return zlib.compress(json.dumps(body, separators=(",", ":")).encode(), 1)


def restore(plant: Plant, body: bytes) -> State:
    """The state `dump` packed for this very plant. SnapshotError when it is another's or damaged."""
    p = programme(plant)
    try:
        data = json.loads(zlib.decompress(body))
        cells = Cells.unpack(data["cells"])
        if data["alarms"] != [list(a.identity) for a in p.alarms]:
            raise SnapshotError("the snapshot's alarms are not this plant's")
        version = int(data["version"])
    except (zlib.error, KeyError, TypeError, ValueError) as e:
        raise SnapshotError(f"the stored state cannot be read: {e}") from e
    fresh = fresh_senses(p.wiring)
    for have, want in (
        (cells.senses.values, fresh.values),
        (cells.senses.contacts, fresh.contacts),
        (cells.senses.counters, fresh.counters),
        (cells.senses.modules, fresh.modules),
        (cells.senses.boilers, fresh.boilers),
        (cells.senses.balance.sums.now, fresh.balance.sums.now),
        (cells.senses.balance.values, fresh.balance.values),
        (cells.senses.days, fresh.days),
        (cells.senses.bleeds, fresh.bleeds),
        (cells.senses.tanks, fresh.tanks),
        (cells.senses.usuals, fresh.usuals),
    ):
        if len(have) != len(want):
            raise SnapshotError("the snapshot's signals are not this plant's")
    return State(p, version, cells)
