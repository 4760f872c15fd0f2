"""Reads files of the archive: groups in order as they were, one tag's points, where a date begins.

Lives here: `Shelf`, which has one DuckDB connection, opened at the first question. May import: config, daemon.core, the
store room. For processes that only read; the service itself never asks.

Groups asked for one after another come from one stream, so that no block of a file is unpacked twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.store.archive.columns import Column, Form, Loose, Raw
from daemon.store.archive.files import ArchiveFile, place, wrong_with
from daemon.store.errors import StoreBroken
from daemon.store.packing import Layout, PackingError

if TYPE_CHECKING:
    import duckdb

NEAR: Final = 1000  # groups that are asked for by themselves; a longer stretch is streamed
FETCH: Final = 500
POINTS: Final = 5000


@dataclass(slots=True)
class _Stream:
    """A file being read from front to back."""

    name: str
    rows: duckdb.DuckDBPyConnection
    form: Form
    ready: list[tuple[Any, ...]]  # fetched and not yet given, the next one last
    next: int  # the number from which on it goes on


class Shelf:
    """The files of one archive. `layout_of`: the layout of a plant version."""

    def __init__(self, folder: Path, layout_of: Callable[[int], Layout]) -> None:
        self.folder, self._layout_of = folder, layout_of
        self._stack = ExitStack()
        self._db: duckdb.DuckDBPyConnection | None = None
        self._stream: _Stream | None = None
        self._forms: dict[str, Form] = {}

    def close(self) -> None:
        """Let go of what is open; may be called again, and a question opens it again."""
        self._stream = None
        self._db = None
        self._stack.close()

    # ------------------------------------------------------------------ groups

    def groups(self, file: ArchiveFile, first: int, last: int, limit: int) -> list[Loose]:
        """At most `limit` groups of a file numbered `first` to `last`, in order. StoreBroken says what is missing."""
        try:
            form, rows = self._rows(file, first, last, limit)
            return [form.loose(r, file.plant) for r in rows]
        except PackingError as e:
            raise self.broken(file, f"{self.folder / file.name} does not fit its plant ({e})") from e

    def raw(self, file: ArchiveFile, first: int, last: int) -> Iterator[Raw]:
        """Groups of a file as the hot table had them."""
        while rows := self._rows(file, first, last, FETCH)[1]:
            form = self.form(file)
            for row in rows:
                yield form.raw(row, file.plant)
            first = rows[-1][0] + 1

    def _rows(self, file: ArchiveFile, first: int, last: int, limit: int) -> tuple[Form, list[tuple[Any, ...]]]:
        form = self.form(file)
        stream = self._stream
        if stream is None or stream.name != file.name or stream.next != first:
            if last - first < NEAR:
                sql = f"SELECT {_select(form.columns)} FROM read_parquet(?) WHERE number BETWEEN ? AND ?"
                found = self._ask(file, lambda db: db.execute(sql, [self._path(file), first, last]).fetchall())
                return form, found[:limit]
            sql = f"SELECT {_select(form.columns)} FROM read_parquet(?) WHERE number >= ?"
            rows = self._ask(file, lambda db: db.cursor().execute(sql, [self._path(file), first]))
            stream = self._stream = _Stream(file.name, rows, form, [], first)
        out: list[tuple[Any, ...]] = []
        while len(out) < limit:
            if not stream.ready:
                stream.ready = self._ask(file, lambda db: stream.rows.fetchmany(FETCH))[::-1]
                if not stream.ready:
                    break
            if stream.ready[-1][0] > last:
                break
            out.append(stream.ready.pop())
        if out:
            stream.next = out[-1][0] + 1
        return form, out

    # ------------------------------------------------------------------ one tag, one date

    def points(
        self, file: ArchiveFile, wanted: Sequence[Column], first: int, last: int, from_ms: int, to_ms: int
    ) -> Iterator[list[tuple[Any, ...]]]:
        """(at_ms, packed, packed_derived, the wanted columns), in slices, where the last wanted one is there."""
        columns = ", ".join(c.quoted for c in wanted)
        sql = (
            f"SELECT epoch_ms(time_utc), packed, packed_derived, {columns} FROM read_parquet(?) "
            "WHERE number BETWEEN ? AND ? AND time_utc >= make_timestamp_ms(?) AND time_utc < make_timestamp_ms(?) "
            f"AND {wanted[-1].quoted} IS NOT NULL"
        )
        given = [self._path(file), first, last, *(_within(t) for t in (from_ms, to_ms))]
        rows = self._ask(file, lambda db: db.cursor().execute(sql, given))
        while found := self._ask(file, lambda db: rows.fetchmany(POINTS)):
            yield found

    def seek(self, file: ArchiveFile, first: int, last: int, at_ms: int) -> int | None:
        """The least number, `first` to `last`, dated `at_ms` or later; None when the file has none."""
        sql = (
            "SELECT min(number) FROM read_parquet(?) WHERE number BETWEEN ? AND ? AND time_utc >= make_timestamp_ms(?)"
        )
        given = [self._path(file), first, last, _within(at_ms)]
        found = self._ask(file, lambda db: db.execute(sql, given).fetchone())
        return None if found is None else found[0]

    def form(self, file: ArchiveFile) -> Form:
        """The columns of a file, as it says itself."""
        if file.name not in self._forms:
            said = self.said(file)
            columns = [Column(**c) for c in json.loads(said["columns"])]
            self._forms[file.name] = Form(columns, self._layout_of(file.plant))
        return self._forms[file.name]

    def said(self, file: ArchiveFile) -> dict[str, str]:
        """What a file says of itself."""
        sql = "SELECT decode(key), decode(value) FROM parquet_kv_metadata(?)"
        found: dict[str, str] = self._ask(file, lambda db: dict(db.execute(sql, [self._path(file)]).fetchall()))
        if "columns" not in found:
            raise self.broken(file, f"{self.folder / file.name} is no file of ours")
        return found

    # ------------------------------------------------------------------ inside

    def _path(self, file: ArchiveFile) -> str:
        return str(place(self.folder, file.name))

    def _ask(self, file: ArchiveFile, question: Callable[[duckdb.DuckDBPyConnection], Any]) -> Any:
        """One question; a file that is missing or damaged is told as such."""
        import duckdb

        from daemon.store.duck import connected

        try:
            if self._db is None:
                self._db = self._stack.enter_context(connected())
            return question(self._db)
        except (duckdb.Error, OSError) as e:
            self._stream = None
            why = (
                wrong_with(self.folder, file) or f"{self.folder / file.name} cannot be read ({str(e).splitlines()[0]})"
            )
            raise self.broken(file, why) from e

    def broken(self, file: ArchiveFile, why: str) -> StoreBroken:
        """The error about a file: what is missing with it, and the next step."""
        return StoreBroken(
            f"{why}. It holds {file.said}. Copy it back from a backup (its folder has an archive too), or leave that "
            "time out; waterside doctor names every such file."
        )


def _select(columns: Sequence[Column]) -> str:
    return ", ".join(f"epoch_ms({c.quoted})" if c.role == "time" else c.quoted for c in columns)


def _within(at_ms: int) -> int:
    """A time DuckDB can hold: years 1 to 9999."""
    return min(max(at_ms, -62_135_596_800_000), 253_402_300_799_000)
