"""What stands beside the files of an archive so that a stranger can read them: scaling, plant file, views, a word.

Lives here: their texts. May import: config, daemon.core, daemon.measure, the store room. None of them is needed by the
program itself; a lost one is written again with the next day.
"""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path
from typing import Any, Final

from config.model import Plant
from daemon.core.reasons import QUALITY, Quality, Reason
from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.current_loop import line
from daemon.store.archive.columns import columns_of, quoted
from daemon.store.reader import Reader

REASONS: Final = {int(r): r.name.lower().replace("_", " ") for r in Reason}
BAD: Final = ", ".join(str(int(r)) for r in sorted(Reason) if QUALITY[r] is Quality.BAD)
FIELDS: Final = ("tag", "column", "kind", "unit", "zero", "low", "gain", "good_min", "good_max", "closed_means")
README: Final = """Readings of a boiler plant, put away by month. Any program that reads Parquet reads them.

readings-MONTH-vN-FIRST-LAST.parquet   one row a group of polls, counts as they came; N is the plant file's version
scaling-vN.csv     of each tag: value = low + (count - zero) * gain, in its unit; good between good_min and good_max
plant-vN.toml      the plant file of that version
values-vN.sql      views for DuckDB that give values: run it in this folder

The files say the same of themselves in their metadata: columns, scaling, and what the numbers of verdicts mean.
Times are UTC as the plant PC's clock said; the log itself knows of corrections, alarms, calibrations and notes.
Move or change no file here: the log knows each by its SHA-256, and `waterside doctor` compares them.
"""


def scaling(plant: Plant) -> list[dict[str, Any]]:
    """The way from counts to values of every tag of a plant version."""
    names = {(c.module, c.channel): c.name for c in columns_of(plant) if c.role == "count"}
    out = []
    for tag in raw_tags(plant):
        row: dict[str, Any] = dict.fromkeys(FIELDS, "")
        row |= {"tag": tag.name, "column": names[tag.module, tag.channel], "kind": tag.kind, "unit": tag.unit}
        row |= {"zero": 0, "low": 0, "gain": 1, "closed_means": tag.closed_means}
        if tag.kind == "analogue":
            way = line(tag)
            row |= {"unit": way.unit, "zero": way.zero, "low": way.low, "gain": way.gain}
            row |= {"good_min": way.good_min, "good_max": way.good_max}
        out.append(row)
    return out


def values_sql(plant: Plant, version: int) -> str:
    """Views for DuckDB: what the files hold, and the values of it."""
    columns = columns_of(plant)
    verdicts = {(c.module, c.channel): c for c in columns if c.role == "verdict"}
    counts = {(c.module, c.channel): c for c in columns if c.role == "count"}
    lines = ["  number", "  time_utc", "  clock_segment", "  gap_ms"]
    seen = set()
    for tag, row in zip(raw_tags(plant), scaling(plant), strict=True):
        count, verdict = (c[tag.module, tag.channel].quoted for c in (counts, verdicts))
        value = count
        if tag.kind == "analogue":
            sum_ = f"{row['low']!r} + (CAST({count} AS DOUBLE) - {row['zero']!r}) * {row['gain']!r}"
            value = f"CASE WHEN {verdict} NOT IN ({BAD}) THEN {sum_} END"
        name = f"{tag.name} {row['unit']}".strip()
        if name.casefold() not in seen:
            lines.append(f"  {value} AS {quoted(name)}")
            lines.append(f"  {verdict} AS {quoted(tag.name + ' verdict')}")
        seen.add(name.casefold())
    tags = derived_tags(plant)
    told = {c.tag: c for c in columns if c.role == "derived"}
    lines += [f"  {told[i].quoted} AS {quoted(f'{t.name} {t.unit}'.strip())}" for i, t in enumerate(tags)]
    body = ",\n".join(lines)
    return (
        f"-- Values of the readings of plant version {version}. Run in this folder.\n"
        f"-- An analogue value is NULL where its verdict is bad ({BAD}); contacts and pulses are as they came.\n"
        f"CREATE OR REPLACE VIEW readings_v{version} AS\n"
        f"SELECT * FROM read_parquet('readings-*-v{version}-*.parquet');\n"
        f"CREATE OR REPLACE VIEW values_v{version} AS SELECT\n{body}\nFROM readings_v{version};\n"
    )


def scaling_csv(plant: Plant) -> str:
    """The same as `scaling`, for people and spreadsheets."""
    out = io.StringIO()
    writer = csv.DictWriter(out, FIELDS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(scaling(plant))
    return out.getvalue()


def describe(reader: Reader, folder: Path, version: int) -> None:
    """Write what stands beside the files of a plant version, where it is not there already. OSError."""
    plant = reader.plant(version)
    text = next(v.text for v in reader.plant_versions() if v.version == version)
    for name, said in (
        ("README.txt", README),
        (f"plant-v{version}.toml", text),
        (f"scaling-v{version}.csv", scaling_csv(plant)),
        (f"values-v{version}.sql", values_sql(plant, version)),
    ):
        path, data = folder / name, said.encode()
        if path.exists() and path.read_bytes() == data:
            continue
        part = folder / (name + ".part")
        with part.open("wb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        part.rename(path)
