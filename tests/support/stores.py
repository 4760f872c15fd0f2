"""A store filled by hand: a plant with every type of channel, and groups that lead to a bit of everything."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from config.load import PlantText, loads
from config.model import Plant
from daemon.core.outcome import (
    Blow,
    Calibration,
    Derived,
    Entry,
    GroupOutcome,
    MailRow,
    ManualReading,
    NoticeRow,
    Standing,
)
from daemon.core.scan import Act, Group, Scan
from daemon.store.proving import prove
from daemon.store.reader import Reader
from daemon.store.records import Snapshot
from daemon.store.writer import Writer
from tests.support.plants import HEAD

START_MS = 1_789_000_000_000

CHANNELS = """a = { function = "input", address = 0 }
b = { function = "input", address = 1, type = "s16" }
c = { function = "input", address = 2, type = "u32" }
d = { function = "input", address = 4, type = "s32" }
e = { function = "input", address = 6, type = "u64" }
f = { function = "input", address = 10, type = "f32" }
g = { function = "input", address = 12, type = "f64" }
h = { function = "input", address = 16, type = "bit", bit = 3 }
i = { function = "discrete", address = 0 }
"""
TEXT = (
    HEAD
    + '[[link]]\nname = "panel"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\n'
    + f'[[module]]\nname = "ai"\nlink = "panel"\n[module.channels]\n{CHANNELS}'
    + '[[module]]\nname = "di"\nlink = "panel"\nunit = 2\n[module.channels]\n'
    + 'x = { function = "coil", address = 0 }\ny = { function = "coil", address = 1 }\n'
)


def plant() -> PlantText:
    """The plant all of this is about."""
    return loads(TEXT)


@dataclass
class Made:
    """One group with all that goes into its commit."""

    group: Group
    outcome: GroupOutcome
    mails: tuple[MailRow, ...] = ()
    snapshot: Snapshot | None = None


def made(number: int, act: Act | None = None, *, segment: int = 1, version: int = 1, gap_ms: int = 0) -> Made:
    """Group `number`, one a second: always counts, now and then a missing one, an alarm with its mail, a blow ..."""
    at_ms = START_MS + number * 1000
    counts = (number % 65536, -number, number * 70000 % 2**32, -number, 2**64 - number, number / 4, number / 3, 1, 0)
    faults = (0,) * 9
    if number % 4 == 3:
        counts, faults = (None, *counts[1:]), (1, *faults[1:])
    if number % 6 == 5:
        counts, faults = (None,) * 9, (2,) * 9
    verdicts = (faults, (0, 50) if number % 2 else (0, 0))
    scans = (Scan(0, counts, faults, number % 300), Scan(1, (number % 2, 1), (0, 0), 3))
    group = Group(number, at_ms, number * 1000, segment, version, scans, (act,) if act else (), gap_ms)
    raised = number % 6 == 2
    alarm = number % 3 == 2
    entry = Entry(
        *(at_ms, number, "B1", "low_water", "", "raised" if raised else "returned"),
        *("unacknowledged" if raised else "normal", "highest", number / 7, 3.5, "uS/cm", "as said", ""),
    )
    standing = Standing(
        *("B1", "low_water", "", entry.state, number, "highest", at_ms, number / 7, 3.5, "uS/cm", "as said", "")
    )
    calibration = Calibration("B1.probe", at_ms, "gain", {"gain": 1 + number / 1000, "said by": "handheld \u00fc"}, 1)
    reading = ManualReading("B1", "hardness", at_ms - 60_000, number / 3, "ppm as CaCO3", "titrated", 1)
    outcome = GroupOutcome(
        number,
        verdicts,
        derived=(Derived(0, number / 3, 0), Derived(1, 2.0, 53)) if number % 2 else (),
        journal=(entry,) if alarm else (),
        standing=(standing,) if alarm else (),
        blows=(Blow("B1", at_ms - 900, at_ms, 1, 900, None, 3000.5, True, 1000),) if number % 5 == 4 else (),
        acts=((act.number, ""),) if act else (),
        calibrations=(calibration,) if number % 5 == 1 else (),
        manual=(reading,) if number % 6 == 4 else (),
    )
    mails = (MailRow(f"{number}>on", "oncall@quillmarsh.example", at_ms, f'{{"n":{number}}}'),) if alarm else ()
    return Made(group, outcome, mails, Snapshot(1, version, number, b"s" * 300) if number % 4 == 0 else None)


async def begin(path: Path, **options: object) -> Writer:
    """A new store with its plant version 1 and clock segment 1."""
    writer = await Writer.open(path, owner="Quillmarsh Creamery", **{"reserve_bytes": 0, **options})  # type: ignore[arg-type]
    text = plant()
    try:
        await writer.add_plant_version(text.text, text.sha256, START_MS)
        await writer.open_segment("run 1", 0, START_MS, "start")
    except BaseException:
        await writer.aclose()
        raise
    return writer


async def commit(writer: Writer, one: Made, of: Plant | None = None) -> None:
    """`of`: the plant of its version, where that is not the usual one."""
    notices = [NoticeRow(m.key, m.at_ms, m.body) for m in one.mails]
    await writer.commit(of or PLANT, one.group, one.outcome, one.mails, one.snapshot, notices)


@dataclass
class Expected:
    """What must be in a store: kept outside it."""

    made: list[Made] = field(default_factory=list)

    def check(self, path: Path) -> None:
        """Everything noted is there, whole, once and in order; and nothing else."""
        with Reader(path, slice_rows=7) as reader:
            stored = list(reader.groups())
            assert [s.group for s in stored] == [m.group for m in self.made]
            assert [s.verdicts for s in stored] == [m.outcome.verdicts for m in self.made]
            assert [s.derived for s in stored] == [m.outcome.derived for m in self.made]
            assert [s.journal for s in stored] == [m.outcome.journal for m in self.made]
            assert list(reader.journal()) == [e for m in self.made for e in m.outcome.journal]
            assert list(reader.blows()) == [b for m in self.made for b in m.outcome.blows]
            assert list(reader.calibrations()) == [c for m in self.made for c in m.outcome.calibrations]
            assert list(reader.manual()) == [r for m in self.made for r in m.outcome.manual]
            assert [m.key for m in reader.mails()] == [r.key for m in self.made for r in m.mails]
            assert [n.key for n in reader.notices()] == [r.key for m in self.made for r in m.mails]
            standing: dict[str, Standing] = {}
            for one in self.made:
                for s in one.outcome.standing:
                    standing.pop(s.kind, None)
                    if s.state != "normal":
                        standing[s.kind] = s
            assert reader.standing() == tuple(standing.values())
            snapshots = [m.snapshot for m in self.made if m.snapshot]
            assert reader.snapshots() == tuple(reversed(snapshots[-5:]))
            assert reader.integrity() == ()
            proof = prove(reader)  # minutes, hours and days are those of the groups, or known to be missing
            assert proof.bad == [] or proof.waiting, proof


PLANT = plant().plant
