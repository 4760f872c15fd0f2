"""A recording through the engine: alarms.csv, readings.parquet, summary.json. Never sends mail.

May import: config, daemon.core, daemon.measure, daemon.engine, this room. The way of stepping is handed in, so that a
replay goes exactly as live.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final

from config.load import PlantText
from config.model import Plant
from daemon.core.outcome import Entry, GroupOutcome
from daemon.core.reasons import Quality, quality, words
from daemon.core.scan import Group
from daemon.core.tags import derived_tags, raw_tags
from daemon.engine import FORMAT, SnapshotError, State, restore
from daemon.measure.boiler_state import STEAMING
from daemon.measure.current_loop import Line, line
from daemon.report.carried import Carried, CarriedError, read_acts, read_state
from daemon.report.duck import connected
from daemon.report.files import replacing
from daemon.report.recording import RecordingError, read_recording, time_text

ALARM_COLUMNS: Final = (
    "time", "number", "target", "kind", "event", "state", "priority", "value", "limit", "evidence",
)  # fmt: skip
SLICE: Final = 20_000

Advance = Callable[[State | None, Group, Callable[[int], Plant]], tuple[State, GroupOutcome]]


class ReplayError(ValueError):
    """A replay that cannot go on; the text says where and why."""


def replay(
    source: PlantText,
    raw: Path,
    out: Path,
    *,
    acts: Path | None = None,
    state: Path | None = None,
    advance: Advance,
    progress: Callable[[int], None] = lambda n: None,
    tell: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """Replay a recording into `out`; returns what summary.json says. ReplayError, OSError.

    `tell` is given a sentence where what is replayed may not be what was meant.
    """
    try:
        carried = read_acts(acts) if acts else Carried()
        if carried.texts and source.text not in carried.texts.values():
            tell(
                f"The plant file given is none of those in {acts}: the recording is replayed by those that held then. "
                "To replay it by the file given, leave out --acts."
            )
        begin, version = _begin(source, carried, state)
        groups = read_recording(
            raw, source.plant, carried, version=version, first=begin.cells.number + 1 if begin else 1
        )
        return _run(source.plant, version, carried, groups, begin, out, advance, progress)
    except (RecordingError, CarriedError, SnapshotError) as e:
        raise ReplayError(str(e)) from e


def _begin(source: PlantText, carried: Carried, state: Path | None) -> tuple[State | None, int]:
    """The state to begin with, and the version number the given plant file goes by."""
    version = next((v for v, text in carried.texts.items() if text == source.text), 0)
    version = version or max(carried.texts, default=0) + 1
    if state is None:
        return None, version
    found = read_state(state)
    if found.format != FORMAT:
        raise CarriedError(
            f"{state}: its state has format {found.format}, this program {FORMAT}; replay without --state"
        )
    row = carried.marks.get(1)
    if row is not None and row.number != found.group + 1:
        raise CarriedError(
            f"{state}: it is the state after group {found.group}, but the recording begins with group {row.number}. "
            "Take the state file of the same raw export."
        )
    plant = carried.plants.get(found.plant, source.plant)
    return restore(plant, found.body), version


def _run(
    plant: Plant,
    version: int,
    carried: Carried,
    groups: Iterable[Group],
    state: State | None,
    out: Path,
    advance: Advance,
    progress: Callable[[int], None],
) -> dict[str, Any]:
    plants = {version: plant, **carried.plants}
    tellers: dict[int, _Teller] = {}
    tally = _Tally()
    out.mkdir(parents=True, exist_ok=True)
    with (
        replacing(out / "alarms.csv") as alarms_part,
        replacing(out / "readings.parquet") as readings_part,
        alarms_part.open("w", encoding="utf-8", newline="") as alarms,
        _Parquet(readings_part) as readings,
    ):
        writer = csv.writer(alarms)
        writer.writerow(ALARM_COLUMNS)
        for group in groups:
            state, outcome = advance(state, group, plants.__getitem__)
            writer.writerows(alarm_cells(e) for e in outcome.journal)
            if group.plant not in tellers:
                tellers[group.plant] = _Teller(plants[group.plant])
            tellers[group.plant].tell(group, outcome, readings.add)
            tally.take(group, outcome, state)
            if tally.groups % 1000 == 0:
                progress(tally.groups)
    summary = tally.summary(state)
    with replacing(out / "summary.json") as part:
        part.write_text(json.dumps(summary, indent=1, ensure_ascii=False) + "\n", "utf-8")
    return summary


def alarm_cells(e: Entry) -> tuple[str, ...]:
    """One journal entry in the columns of alarms.csv; values in base units, floats exact."""
    return (
        time_text(e.at_ms),
        str(e.occurrence) if e.occurrence else "",
        e.target,
        e.kind,
        e.event,
        e.state,
        e.priority,
        "" if e.value is None else repr(e.value),
        "" if e.limit is None else repr(e.limit),
        e.evidence,
    )


_Reading = tuple[int, str, float | None, str, str, str]


class _Teller:
    """A plant's tags made ready: what each group says of them, as rows of readings."""

    def __init__(self, plant: Plant) -> None:
        self._modules: list[list[tuple[int, str, str, Line | None]]] = [[] for _ in plant.modules]
        for tag in raw_tags(plant):
            ready = line(tag) if tag.kind == "analogue" else None
            self._modules[tag.module].append((tag.channel, tag.name, tag.unit, ready))
        self._derived = derived_tags(plant)

    def tell(self, group: Group, outcome: GroupOutcome, add: Callable[[_Reading], None]) -> None:
        """Hand on a row for each tag that was read or worked out. A failed loop has no value, as in `to_reading`."""
        at_ms = group.at_ms
        for scan, verdicts in zip(group.scans, outcome.verdicts, strict=True):
            for channel, name, unit, ready in self._modules[scan.module]:
                count, verdict = scan.counts[channel], verdicts[channel]
                value: float | None = None
                if count is not None and ready is None:
                    value = float(count)
                elif count is not None and ready is not None and quality(ready.reason(count)) is not Quality.BAD:
                    value = ready.value(count)
                add((at_ms, name, value, unit, quality(verdict).value, words(verdict)))
        for d in outcome.derived:
            tag = self._derived[d.tag]
            said = None if tag.figure and quality(d.reason) is Quality.BAD else d.value
            add((at_ms, tag.name, said, tag.unit, quality(d.reason).value, words(d.reason)))


class _Parquet:
    """Readings in slices to one Parquet file: time (UTC), tag, value, unit, quality, reason."""

    def __init__(self, path: Path) -> None:
        self._path, self._rows = path, list[_Reading]()
        self._scope = connected(path.parent)

    def __enter__(self) -> _Parquet:
        self._db = self._scope.__enter__()
        self._db.execute(
            "create table r (time timestamptz, tag varchar, value double, unit varchar, quality varchar, "
            "reason varchar)"
        )
        return self

    def add(self, row: _Reading) -> None:
        self._rows.append(row)
        if len(self._rows) >= SLICE:
            self._flush()

    def _flush(self) -> None:
        if self._rows:
            columns = [list(c) for c in zip(*self._rows, strict=True)]
            self._db.execute(
                "insert into r select make_timestamptz(unnest(?::bigint[]) * 1000), unnest(?::varchar[]), "
                "unnest(?::double[]), unnest(?::varchar[]), unnest(?::varchar[]), unnest(?::varchar[])",
                columns,
            )
            self._rows.clear()

    def __exit__(self, kind: Any, error: Any, at: Any) -> None:
        if error is None:
            self._flush()
            self._db.execute(
                f"copy r to '{str(self._path).replace(chr(39), chr(39) * 2)}' (format parquet, compression zstd)"
            )
        self._scope.__exit__(kind, error, at)


class _Tally:
    """What the summary counts."""

    def __init__(self) -> None:
        self.groups = 0
        self.first_ms = self.last_ms = 0
        self.raised: Counter[str] = Counter()
        self.blows: Counter[str] = Counter()
        self.steaming_ms: Counter[str] = Counter()
        self._before_ms: int | None = None

    def take(self, group: Group, outcome: GroupOutcome, state: State) -> None:
        self.groups += 1
        if self.groups == 1:
            self.first_ms = group.at_ms
        self.last_ms = group.at_ms
        for e in outcome.journal:
            if e.event == "raised":
                self.raised[f"{e.target}/{e.kind}"] += 1
        for b in outcome.blows:
            self.blows[b.boiler] += 1
        if self._before_ms is not None:
            for boiler, w in zip(state.cells.senses.boilers, state.programme.wiring.boilers, strict=True):
                if boiler.state.state == STEAMING:
                    self.steaming_ms[w.name] += group.elapsed_ms - self._before_ms
        self._before_ms = group.elapsed_ms

    def summary(self, state: State | None) -> dict[str, Any]:
        meters = {}
        if state is not None:
            s = state.cells.senses
            for m in state.programme.wiring.meters:
                c = s.counters[m.slot]
                meters[m.name] = {"pulses": c.total, "m3": c.volume(m.spec), "restarts": c.restarts}
        return {
            "groups": self.groups,
            "first": time_text(self.first_ms) if self.groups else None,
            "last": time_text(self.last_ms) if self.groups else None,
            "raised": dict(sorted(self.raised.items())),
            "blows": dict(sorted(self.blows.items())),
            "steaming_hours": {k: round(v / 3_600_000, 3) for k, v in sorted(self.steaming_ms.items())},
            "meters": meters,
        }
