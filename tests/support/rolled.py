"""Stores filled at random through the writing connection, and the figures of their minutes, hours and days by plain
reckoning from the stored groups: what roll-ups are held against."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import groupby
from pathlib import Path
from zoneinfo import ZoneInfo

import apsw
from hypothesis import strategies as st

from config.load import PlantText, loads
from daemon.core.outcome import Derived, GroupOutcome
from daemon.core.reasons import Quality, quality
from daemon.core.scan import Count, Group, Scan
from daemon.store.figures import BAD, FigureLayout, Figures
from daemon.store.ledger import Ledger
from daemon.store.records import StoredGroup
from daemon.store.rolling import TABLES
from tests.support.stores import CHANNELS

ZONES = ("America/Chicago", "Asia/Kolkata", "Australia/Lord_Howe", "UTC")
REASONS = (0, 0, 0, 50, 53, 60, 1, 2)
"""Good, uncertain, bad, and two for which there is no count."""


def plant_text(zone: str, channels: str = CHANNELS) -> PlantText:
    """A module with every type of channel, one with two contacts, and a 4-20 mA signal used as such."""
    return loads(
        f'[plant]\nname = "Quillmarsh Creamery"\nzone = "{zone}"\nunits = "us"\n'
        '[[link]]\nname = "panel"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\n'
        f'[[module]]\nname = "ai"\nlink = "panel"\n[module.channels]\n{channels}'
        'm = { function = "input", address = 20, span = "0..65535 = 0..20 mA" }\n'
        '[[module]]\nname = "di"\nlink = "panel"\nunit = 2\n[module.channels]\n'
        'x = { function = "coil", address = 0 }\ny = { function = "coil", address = 1 }\n'
        '[[analogue]]\nname = "pressure"\nchannel = "ai.m"\nrange = "4..20 mA = 200..-50 kPa"\n'
        '[[meter]]\nname = "makeup"\nchannel = "ai.c"\nmeasures = "makeup"\npulse = "100 L"\nmax_rate = "20 m3/h"\n'
        'serves = ["B1"]\n[[boiler]]\nname = "B1"\npressure = "120 psig"\nwater = "8 t"\n'
        'sample = { arrangement = "none" }\n'
    )


@dataclass(frozen=True)
class Step:
    """One group more: how long after the last, and what happens before it."""

    after_ms: int
    counts: tuple[int, ...]
    reasons: tuple[int, ...]
    modules: int  # 0: none, 1: the first, 2: both
    derived: tuple[tuple[int, float, int], ...] = ()
    restart: bool = False  # the process is killed: what it remembered is gone
    segment: bool = False  # a new clock segment begins ...
    set_by_ms: int = 0  # ... with the clock set by so much
    plant: bool = False  # a plant file a little different holds from here on


VALUES = st.floats(-1e6, 1e6, allow_nan=False, width=32)
STEPS = st.builds(
    Step,
    after_ms=st.sampled_from((1, 400, 10_000, 30_000, 61_000, 1_900_000, 3_700_000, 40_000_000, 90_000_000)),
    counts=st.tuples(*[st.integers(0, 65535)] * 12),
    reasons=st.tuples(*[st.sampled_from(REASONS)] * 12),
    modules=st.sampled_from((2, 2, 2, 1, 0)),
    derived=st.lists(st.tuples(st.integers(0, 3), VALUES, st.sampled_from((0, 0, 53, 57))), max_size=3).map(tuple),
    restart=st.sampled_from((False, False, False, True)),
    segment=st.sampled_from((False, False, False, False, True)),
    set_by_ms=st.sampled_from((0, 12_345, -7_200_000, 86_400_000 * 400)),
    plant=st.sampled_from((False,) * 9 + (True,)),
)
BEGIN = st.sampled_from(
    (
        1_793_505_300_000,  # an hour and some before Chicago's clock goes back, 2026-11-01
        1_805_000_000_000,
        1_775_312_000_000,  # hours before Lord Howe's goes back by half an hour, 2026-04-05
    )
)


class Filling:
    """A store that is written the way the service does, and may lose its process at any time."""

    def __init__(self, path: Path, zone: str, begin_ms: int) -> None:
        self.path, self.zone = path, zone
        self._plants = {1: plant_text(zone)}
        self.number, self.elapsed, self.at = 0, 0, begin_ms
        self._open()
        source = self._plants[1]
        self.version = self.ledger.add_plant_version(source.text, source.sha256, begin_ms)
        self.segment = self.ledger.open_segment("run", 0, begin_ms, "start")

    def _open(self) -> None:
        self.db = apsw.Connection(str(self.path))
        self.ledger = Ledger(self.db, self.path, durable=False)

    def restart(self) -> None:
        self.db.close()
        self._open()

    def close(self) -> None:
        self.db.close()

    def take(self, step: Step) -> None:
        if step.restart:
            self.restart()
        self.elapsed += step.after_ms
        self.at += step.after_ms
        if step.segment:
            self.at += step.set_by_ms
            self.segment = self.ledger.open_segment("run", self.elapsed, self.at, "the clock was set")
        if step.plant:
            new = self.version + 1
            more = CHANNELS + "".join(f"z{i} = {{ function = 'input', address = {30 + i} }}\n" for i in range(new % 2))
            source = loads(plant_text(self.zone, more).text + f"# {new}\n")
            self._plants[new] = source
            self.version = self.ledger.add_plant_version(source.text, source.sha256, self.at)
        self.number += 1
        scans, verdicts = self._scans(step)
        group = Group(self.number, self.at, self.elapsed, self.segment, self.version, scans)
        derived = tuple(Derived(*d) for d in step.derived)
        outcome = GroupOutcome(self.number, verdicts, derived)
        self.ledger.commit(self._plants[self.version].plant, group, outcome)

    def _scans(self, step: Step) -> tuple[tuple[Scan, ...], tuple[tuple[int, ...], ...]]:
        plant = self._plants[self.version].plant
        scans, verdicts, at = [], [], 0
        for m, module in enumerate(plant.modules[: step.modules]):
            counts: list[Count | None] = []
            faults, said = [], []
            for channel in module.channels.values():
                k, reason = step.counts[at % 12], step.reasons[at % 12]
                at += 1
                count: Count = k
                if channel.type == "bit":
                    count = k % 2
                elif channel.type in ("f32", "f64"):
                    count = k / 7 if channel.type == "f64" else k / 4
                elif channel.type == "s16":
                    count = k - 32768
                missing = reason in (1, 2)
                counts.append(None if missing else count)
                faults.append(reason if missing else 0)
                said.append(reason)
            scans.append(Scan(m, tuple(counts), tuple(faults)))
            verdicts.append(tuple(said))
        return tuple(scans), tuple(verdicts)


# ---------------------------------------------------------------------- by plain reckoning


def begins(at_ms: int, zone: ZoneInfo) -> tuple[int, int, int]:
    """Begin of the minute, of the hour (cut by the plant's midnight) and of the day, by the calendar of `datetime`."""
    minute = at_ms // 60_000 * 60_000
    day = datetime.fromtimestamp(at_ms // 1000, zone).date()
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
    day_ms = (midnight - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    return minute, max(at_ms // 3_600_000 * 3_600_000, day_ms), day_ms


@dataclass
class Plain:
    """All readings of one time, tag by tag."""

    channels: dict[tuple[int, int], list[tuple[Count | None, int]]] = field(default_factory=dict)
    derived: dict[int, list[tuple[float, int]]] = field(default_factory=dict)


def expected(path: Path, layouts: dict[int, FigureLayout], zone: str) -> list[dict[tuple[int, int, int, int], Plain]]:
    """For minutes, hours and days: what each row (first group, segment, plant, begin) stands for."""
    from daemon.store.reader import Reader

    with Reader(path) as reader:
        stored = list(reader.groups_after(-1))
        for s in stored:
            layouts.setdefault(s.group.plant, FigureLayout(reader.plant(s.group.plant)))
    out: list[dict[tuple[int, int, int, int], Plain]] = []
    begun = [(s, begins(s.group.at_ms, ZoneInfo(zone))) for s in stored]
    for level in range(3):
        made: dict[tuple[int, int, int, int], Plain] = {}
        keyed = groupby(begun, partial(_key, level))
        for key, some in keyed:
            groups = [s for s, _ in some]
            plain = made[(groups[0].group.number, *key)] = Plain()
            for s in groups:
                for scan, verdict in zip(s.group.scans, s.verdicts, strict=True):
                    for c, (count, reason) in enumerate(zip(scan.counts, verdict, strict=True)):
                        plain.channels.setdefault((scan.module, c), []).append((count, reason))
                for d in s.derived:
                    plain.derived.setdefault(d.tag, []).append((d.value, d.reason))
        out.append(made)
    return out


def _key(level: int, one: tuple[StoredGroup, tuple[int, int, int]]) -> tuple[int, int, int]:
    return one[0].group.segment, one[0].group.plant, one[1][level]


def plain_figures(readings: list[tuple[Count | None, int]]) -> tuple[float, ...]:
    """Seen, count, good, least, greatest, first, last, sum; the last five only where something counts."""
    sound = [(v, r) for v, r in readings if v is not None and quality(r) is not Quality.BAD]
    values = [v for v, _ in sound]
    head = (len(readings), len(sound), sum(r == 0 for _, r in sound))
    return head if not values else (*head, min(values), max(values), values[0], values[-1], math.fsum(values))


def same(got: tuple[float, ...], wanted: tuple[float, ...]) -> bool:
    """Equal to the bit, but for the sum, whose last bits belong to the order of adding."""
    if len(got) != len(wanted) or got[:7] != wanted[:7]:
        return False
    return len(got) < 8 or math.isclose(got[7], wanted[7], rel_tol=1e-12, abs_tol=1e-6)


def shown(f: Figures) -> tuple[float, ...]:
    """Figures in the order of `plain_figures`."""
    head = (f.seen, f.count, f.good)
    return (*head, f.least, f.greatest, f.first, f.last, f.total) if f.count else head


def rows(path: Path, level: int) -> Iterator[tuple[int, int, int, int, int, bytes]]:
    db = apsw.Connection(str(path))
    try:
        sql = f"SELECT first_group, last_group, segment, plant, at_ms, body FROM {TABLES[level]} ORDER BY first_group"
        yield from db.execute(sql).fetchall()
    finally:
        db.close()


assert {r for r in REASONS if quality(r) is Quality.BAD} == set(REASONS) & BAD
