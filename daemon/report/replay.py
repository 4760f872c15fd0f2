"""A recording through the engine: alarms.csv, readings.parquet, summary.json. Never sends mail.

May import: config, daemon.core, daemon.measure, daemon.engine, this room. The way of stepping is handed in, so that a
replay goes exactly as live.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

from config.load import PlantText
from config.model import Plant
from daemon.core.outcome import Entry, GroupOutcome
from daemon.core.scan import Group
from daemon.core.tags import derived_tags
from daemon.engine import FORMAT, SnapshotError, State, restore
from daemon.measure.boiler_state import STEAMING
from daemon.report.against import against_file
from daemon.report.carried import Carried, CarriedError, by_another, read_acts, read_state
from daemon.report.files import replacing
from daemon.report.performance import performance
from daemon.report.readings_file import ReadingsFile
from daemon.report.recording import RecordingError, read_recording, time_text

ALARM_COLUMNS: Final = (
    "time", "number", "target", "kind", "event", "state", "priority", "value", "limit", "evidence",
)  # fmt: skip
BATCH: Final = 500  # groups stepped together

Advance = Callable[[State | None, Sequence[Group], Callable[[int], Plant]], tuple[State | None, Sequence[GroupOutcome]]]


class ReplayError(ValueError):
    """A replay that cannot go on; the text says where and why."""


def replay(
    source: PlantText,
    raw: Path,
    out: Path,
    *,
    acts: Path | None = None,
    state: Path | None = None,
    against: PlantText | None = None,
    advance: Advance,
    progress: Callable[[int], None] = lambda n: None,
    tell: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """Replay a recording into `out`; returns what summary.json says. ReplayError, OSError.

    `against`: another plant file. The recording is replayed by it too, and against.csv says which alarms would appear,
    vanish or move. `tell` is given a sentence where what is replayed may not be what was meant.
    """
    try:
        carried = read_acts(acts) if acts else Carried()
        if carried.texts and source.text not in carried.texts.values():
            tell(
                f"The plant file given is none of those in {acts}: the recording is replayed by those that held then. "
                "To replay it by the file given, leave out --acts."
            )
        begin, version = _begin(source, carried, state)
        first = begin.cells.number + 1 if begin else 1
        groups = read_recording(raw, source.plant, carried, version=version, first=first)
        summary, journal = _run(source.plant, version, carried, groups, begin, out, advance, progress)
        if against is not None:
            other = by_another(carried, version + 1)
            groups = read_recording(
                raw,
                against.plant,
                other,
                version=version + 1,
                first=first,
                also=(source.plant, *carried.plants.values()),
            )
            found = _journal(against.plant, version + 1, groups, begin, advance, progress)
            summary["against"] = against_file(journal, found, out / "against.csv")
            if other.left_out:
                tell(
                    f"{other.left_out} confirmations and alarms put aside are left out under the other file: "
                    "they name alarms by numbers of this one."
                )
        with replacing(out / "summary.json") as part:
            part.write_text(json.dumps(summary, indent=1, ensure_ascii=False) + "\n", "utf-8")
        return summary
    except (RecordingError, CarriedError, SnapshotError) as e:
        raise ReplayError(str(e)) from e


def _journal(
    plant: Plant,
    version: int,
    groups: Iterable[Group],
    state: State | None,
    advance: Advance,
    progress: Callable[[int], None],
) -> list[Entry]:
    """What would be in the journal under another plant file, whatever files held when it was recorded."""
    journal: list[Entry] = []
    done = 0
    plants = {version: plant}
    for batch in _batches(groups):
        state, outcomes = advance(state, batch, plants.__getitem__)
        journal += [e for outcome in outcomes for e in outcome.journal]
        done += len(batch)
        progress(done)
    return journal


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
) -> tuple[dict[str, Any], list[Entry]]:
    plants = {version: plant, **carried.plants}
    tally = _Tally(state)
    journal: list[Entry] = []
    out.mkdir(parents=True, exist_ok=True)
    with (
        replacing(out / "alarms.csv") as alarms_part,
        replacing(out / "readings.parquet") as readings_part,
        alarms_part.open("w", encoding="utf-8", newline="") as alarms,
        ReadingsFile(readings_part) as readings,
    ):
        writer = csv.writer(alarms)
        writer.writerow(ALARM_COLUMNS)
        for batch in _batches(groups):
            state, outcomes = advance(state, batch, plants.__getitem__)
            for group, outcome in zip(batch, outcomes, strict=True):
                if outcome.journal:
                    writer.writerows(alarm_cells(e) for e in outcome.journal)
                readings.add(plants[group.plant], group, outcome)
                tally.take(group, outcome, plants[group.plant])
            journal += [e for outcome in outcomes for e in outcome.journal]
            progress(tally.groups)
    summary = tally.summary(state)
    summary["performance"] = performance(journal, tally.first_ms, tally.last_ms + 1).as_json()
    return summary, journal


def _batches(groups: Iterable[Group]) -> Iterator[list[Group]]:
    rest = iter(groups)
    while batch := list(islice(rest, BATCH)):
        yield batch


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


class _Tally:
    """What the summary counts."""

    def __init__(self, state: State | None) -> None:
        self.groups = 0
        self.first_ms = self.last_ms = 0
        self.raised: Counter[str] = Counter()
        self.blows: Counter[str] = Counter()
        self.steaming_ms: Counter[str] = Counter()
        self._before_ms: int | None = None
        self._steams: dict[str, bool] = {}
        self._tags: dict[int, dict[int, str]] = {}
        if state is not None:
            for boiler, w in zip(state.cells.senses.boilers, state.programme.wiring.boilers, strict=True):
                self._steams[w.name] = boiler.state.state == STEAMING

    def take(self, group: Group, outcome: GroupOutcome, plant: Plant) -> None:
        self.groups += 1
        if self.groups == 1:
            self.first_ms = group.at_ms
        self.last_ms = group.at_ms
        for e in outcome.journal:
            if e.event == "raised":
                self.raised[f"{e.target}/{e.kind}"] += 1
        for b in outcome.blows:
            self.blows[b.boiler] += 1
        states = self._tags.get(group.plant)
        if states is None:
            tags = enumerate(derived_tags(plant))
            states = self._tags[group.plant] = {i: t.target for i, t in tags if t.what == "state"}
        for d in outcome.derived:
            if d.tag in states:
                self._steams[states[d.tag]] = d.value == STEAMING
        if self._before_ms is not None:
            for boiler, steams in self._steams.items():
                if steams:
                    self.steaming_ms[boiler] += group.elapsed_ms - self._before_ms
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
