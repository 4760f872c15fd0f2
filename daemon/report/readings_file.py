"""Every reading of a replay to one Parquet file: time (UTC), tag, value, unit, quality, reason.

Rows of counts and verdicts are handed over as they are, a stretch at a time, and become values inside DuckDB, in a
thread of its own, while the engine goes on. They go by way of a file of text: a list handed to DuckDB is taken over
element by element, at ten times the cost, and with the interpreter's lock held.
May import: config, daemon.core, daemon.measure, this room.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.reasons import QUALITY, WORDS, Quality, quality
from daemon.core.scan import Group
from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.current_loop import Line, line
from daemon.store.duck import connected

SLICE: Final = 4_000  # groups
_NARROW: Final = {
    "n": "integer",
    "k": "integer",
    "t": "bigint",
    "tag": "usmallint",
    "value": "double",
    "code": "utinyint",
}
_DERIVED_K: Final = 1_000_000  # what is derived comes after what was read
_BAD: Final = frozenset(code for code, q in QUALITY.items() if q is Quality.BAD)


class ReadingsFile:
    """Written under the given name when the block ends without an error."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._scope = connected(path.parent)
        self._spare = TemporaryDirectory(prefix=".waterside-", dir=path.parent)
        self._ids: dict[tuple[str, str], int] = {}
        self._wide: dict[int, _Wide] = {}
        self._pool = ThreadPoolExecutor(1)
        self._writing: Future[None] | None = None

    def __enter__(self) -> ReadingsFile:
        self._db = self._scope.__enter__()
        self._folder = Path(self._spare.__enter__())
        self._db.execute("create table r (t bigint, tag usmallint, value double, code utinyint)")
        self._db.execute(f"create table s ({', '.join(f'{c} {kind}' for c, kind in _NARROW.items())})")
        self._db.execute("create table q (code utinyint, quality varchar, reason varchar)")
        codes = sorted(QUALITY)
        self._db.execute(
            "insert into q select unnest(?::utinyint[]), unnest(?::varchar[]), unnest(?::varchar[])",
            [codes, [QUALITY[c].value for c in codes], [WORDS[c] for c in codes]],
        )
        return self

    def add(self, plant: Plant, group: Group, outcome: GroupOutcome) -> None:
        """Take what one group says of the plant's tags."""
        wide = self._wide.get(group.plant)
        if wide is None:
            wide = self._wide[group.plant] = _Wide(plant, group.plant, self._ids)
        wide.add(group, outcome)
        if len(wide.rows) >= SLICE:
            self._flush(wide)

    def _flush(self, wide: _Wide) -> None:
        if self._writing is not None:
            self._writing.result()
        rows, derived = wide.rows, wide.derived
        wide.rows, wide.derived = [], []
        self._writing = self._pool.submit(self._write, wide, rows, derived)

    def _write(self, wide: _Wide, rows: Sequence[tuple[Any, ...]], derived: Sequence[tuple[Any, ...]]) -> None:
        if not wide.made:
            self._db.execute(wide.table)
            wide.made = True
        if rows:
            self._read(rows, wide.name, wide.columns)
            for narrow in wide.narrow:
                self._db.execute(narrow)
            self._db.execute(f"truncate {wide.name}")
        if derived:
            self._read(derived, "s", _NARROW)
        self._db.execute("insert into r select t, tag, value, code from s order by n, k")
        self._db.execute("truncate s")

    def _read(self, rows: Sequence[tuple[Any, ...]], table: str, columns: Mapping[str, str]) -> None:
        """Rows into a table, by way of a file."""
        name = self._folder / "slice.csv"
        with name.open("w", encoding="ascii", newline="") as file:
            csv.writer(file).writerows(rows)
        shape = ", ".join(f"'{column}': '{kind}'" for column, kind in columns.items())
        self._db.execute(
            f"insert into {table} select * from read_csv(?, header = false, auto_detect = false, delim = ',', "
            f"columns = {{{shape}}})",
            [str(name)],
        )

    def __exit__(self, kind: Any, error: Any, at: Any) -> None:
        try:
            if error is None:
                for wide in self._wide.values():
                    self._flush(wide)
                if self._writing is not None:
                    self._writing.result()
                self._finish()
        finally:
            self._pool.shutdown()
            self._spare.__exit__(kind, error, at)
            self._scope.__exit__(kind, error, at)

    def _finish(self) -> None:
        names = list(self._ids)
        self._db.execute("create table tags (tag usmallint, name varchar, unit varchar)")
        if names:
            self._db.execute(
                "insert into tags select unnest(?::usmallint[]), unnest(?::varchar[]), unnest(?::varchar[])",
                [list(self._ids.values()), [n for n, _ in names], [u for _, u in names]],
            )
        name = str(self._path).replace("'", "''")
        self._db.execute(
            "copy (select make_timestamptz(r.t * 1000) as time, tags.name as tag, r.value, tags.unit, q.quality, "
            f"q.reason from r join tags using (tag) join q using (code)) to '{name}' (format parquet, compression zstd)"
        )


class _Wide:
    """One plant version's rows: the time, then a count a channel, then a verdict a channel, in the modules' order."""

    def __init__(self, plant: Plant, version: int, ids: dict[tuple[str, str], int]) -> None:
        self.name = f"w{version}"
        self.rows: list[tuple[Any, ...]] = []
        self.derived: list[tuple[Any, ...]] = []
        self.made = False
        self._sizes = [len(m.channels) for m in plant.modules]
        self._none: list[tuple[None, ...]] = [(None,) * n for n in self._sizes]
        place = [sum(self._sizes[:k]) for k in range(len(self._sizes))]
        n = sum(self._sizes)
        self.columns = {"n": "integer", "t": "bigint"}
        self.columns |= {f"c{k}": "double" for k in range(n)} | {f"v{k}": "utinyint" for k in range(n)}
        self.table = f"create table {self.name} ({', '.join(f'{c} {kind}' for c, kind in self.columns.items())})"
        self.narrow = []
        for order, tag in enumerate(sorted(raw_tags(plant), key=lambda t: t.module)):
            k = place[tag.module] + tag.channel
            value = f"c{k}" if tag.kind != "analogue" else _value(line(tag), f"c{k}")
            id_ = ids.setdefault((tag.name, tag.unit), len(ids))
            self.narrow.append(
                f"insert into s select n, {order}, t, {id_}, {value}, v{k} from {self.name} where v{k} is not null"
            )
        self._tags = [(ids.setdefault((d.name, d.unit), len(ids)), bool(d.figure)) for d in derived_tags(plant)]

    def add(self, group: Group, outcome: GroupOutcome) -> None:
        at = group.at_ms
        counts: list[Any] = list(self._none)
        verdicts: list[Any] = list(self._none)
        for scan, verdict in zip(group.scans, outcome.verdicts, strict=True):
            counts[scan.module], verdicts[scan.module] = scan.counts, verdict
        n = len(self.rows)
        self.rows.append((n, at, *chain.from_iterable(counts), *chain.from_iterable(verdicts)))
        tags, k = self._tags, _DERIVED_K
        for tag, value, reason in outcome.derived:
            id_, figure = tags[tag]
            self.derived.append((n, k, at, id_, None if figure and reason in _BAD else value, reason))
            k += 1


def _value(ready: Line, count: str) -> str:
    """SQL of an analogue value: none where the loop has failed, as in `to_reading`."""
    low, high = _sound(ready)
    value = f"{ready.low!r}::double + ({count} - {ready.zero!r}::double) * {ready.gain!r}::double"
    within = [f"{count} {sign} {x!r}::double" for sign, x in ((">=", low), ("<=", high)) if math.isfinite(x)]
    return f"case when {' and '.join(within)} then {value} end" if within else value


def _sound(ready: Line) -> tuple[float, float]:
    """The lowest and the highest count whose loop has not failed, to the last bit; infinite where no limit applies."""

    def fine(count: float) -> bool:
        return quality(ready.reason(count)) is not Quality.BAD

    def last(inside: float, outside: float) -> float:
        if fine(outside):
            return math.copysign(math.inf, outside - inside)
        while (mid := (inside + outside) / 2) not in (inside, outside):
            if fine(mid):
                inside = mid
            else:
                outside = mid
        return inside

    middle = _middle(ready)
    return last(middle, middle - _FAR), last(middle, middle + _FAR)


_FAR: Final = 1e12


def _middle(ready: Line) -> float:
    """A count in the middle of what has no fault at all."""
    low, high = ready.good_min, ready.good_max
    if math.isfinite(low) and math.isfinite(high):
        return (low + high) / 2
    return low if math.isfinite(low) else high if math.isfinite(high) else 0.0
