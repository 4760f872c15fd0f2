"""The copy to a central time-series server: from a stored cursor, one request at a time, oldest first.

May import: config, daemon.core, daemon.measure, this room, the client library (inside functions). Runs in a process of
its own that reads the store (`daemon.app.copy_child`). Nothing waits in memory: what is not taken stays in the store.

A request holds the lines of some polls, at most `MOST_LINES`. Taken: the cursor moves behind them. A server that cannot
be reached, is busy (429) or fails (5xx) gets the same lines again, later. One that calls lines malformed (400) gets the
request in halves, until the single line is known that it will not take: that one is told and left out. A refused token
(401, 403) or a wrong path (404) is told at once and tried again, later.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any, Final

from config.model import Copy
from daemon.core.outcome import Blow
from daemon.store.line_protocol import Lines
from daemon.store.reader import Reader
from daemon.store.records import Cursor, StoredGroup

MOST_LINES: Final = 5_000
MOST_GROUPS: Final = 500
TIMEOUT_S: Final = 30.0
SKEW_S: Final = 60.0  # between the server's clock and ours: more is told
FIRST_PAUSE_S: Final = 2.0
LONGEST_PAUSE_S: Final = 300.0


class CopyTrouble(Exception):
    """The server did not take the lines; the text says what it said. `refused`: it is no matter of waiting."""

    def __init__(self, text: str, *, refused: bool = False, malformed: bool = False) -> None:
        super().__init__(text)
        self.refused, self.malformed = refused, malformed


@dataclass(slots=True)
class Progress:
    """What one round did. `left_out`: lines that the server will not take, with its words."""

    cursor: Cursor
    at_ms: int = 0  # of the last poll taken
    lines: int = 0
    more: bool = False
    left_out: list[str] = field(default_factory=list)


def pause_s(failures: int) -> float:
    """How long to wait after so many failures in a row: 2 s, 4, 8 ... at most 5 min."""
    return float(min(FIRST_PAUSE_S * 2.0 ** min(20, max(0, failures - 1)), LONGEST_PAUSE_S))


class Server:
    """The engine that takes the lines."""

    def __init__(self, copy: Copy, timeout_s: float = TIMEOUT_S) -> None:
        from influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._copy = copy
        self.skew_s: float | None = None  # by how much its clock is ahead of ours, as far as it says
        more: dict[str, Any] = {"ssl_ca_cert": copy.ca_file} if copy.ca_file else {}
        self._client: Any = InfluxDBClient(
            url=copy.url,
            token=self._token() or "",
            org=copy.org or "-",
            timeout=round(timeout_s * 1000),
            enable_gzip=True,
            retries=False,
            **more,
        )
        self._api: Any = self._client.write_api(write_options=SYNCHRONOUS)

    def _token(self) -> str | None:
        file = self._copy.token_file
        if not file:
            return None
        try:
            return Path(file).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as e:
            raise CopyTrouble(f"the token file {file} cannot be read: {e}", refused=True) from e

    def close(self) -> None:
        self._api.close()
        self._client.close()

    def take(self, lines: Sequence[str]) -> None:
        """Hand over lines in one request. CopyTrouble."""
        from influxdb_client.client.write_api import WritePrecision
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._api.write(
                bucket=self._copy.bucket or "-",
                record="\n".join(lines).encode(),
                write_precision=WritePrecision.MS,
            )
        except ApiException as e:
            raise _judged(e, self._copy.url) from e
        except (HTTPError, OSError) as e:
            raise CopyTrouble(f"{self._copy.url} is not reached: {_short(str(e))}") from e

    def ask_clock(self, now_s: float) -> float | None:
        """Seconds by which the server's clock is ahead of ours by the date of its answer, None where it says none."""
        from urllib3 import PoolManager, Timeout
        from urllib3.exceptions import HTTPError

        try:
            pool = PoolManager(timeout=Timeout(10.0), retries=False, ca_certs=self._copy.ca_file)
            answer = pool.request("GET", self._copy.url.rstrip("/") + "/health")
            said = answer.headers.get("Date")
        except (HTTPError, OSError, ValueError):
            return None
        if not said:
            return None
        try:
            return parsedate_to_datetime(said).timestamp() - now_s
        except ValueError:
            return None


def _judged(e: Any, url: str) -> CopyTrouble:
    said = _short(str(getattr(e, "body", "") or e.reason or "no words"))
    status = e.status
    if status in (401, 403):
        return CopyTrouble(f"{url} refuses the token ({status}): {said}", refused=True)
    if status == 404:
        return CopyTrouble(f"{url} has no such place or bucket (404): {said}", refused=True)
    if status in (400, 413, 422):
        return CopyTrouble(f"{url} does not take the lines ({status}): {said}", malformed=True)
    return CopyTrouble(f"{url} answers {status}: {said}")


def _short(text: str) -> str:
    clean = " ".join(text.split())
    return clean if len(clean) <= 200 else clean[:197] + "..."


class Copier:
    """Copies stored groups from a cursor on."""

    def __init__(self, store: Path, name: str, server: Server, cursor: Cursor) -> None:
        self._store, self._name, self._server = store, name, server
        self.cursor = cursor
        self._lines: dict[int, Lines] = {}

    def round(self) -> Progress:
        """Send what is stored after the cursor, at most one request. CopyTrouble: nothing moved."""
        with Reader(self._store, slice_rows=MOST_GROUPS) as reader:
            start = self._start(reader)
            shifts = reader.shifts()
            taken: list[StoredGroup] = []
            lines: list[str] = []
            more = False
            for stored in reader.groups_after(start.group):
                told = list(self._of(reader, stored, shifts.get(stored.group.segment, 0)))
                if taken and (len(lines) + len(told) > MOST_LINES or len(taken) >= MOST_GROUPS):
                    more = True
                    break
                taken.append(stored)
                lines += told
            if not taken:
                self.cursor = start
                return Progress(start)
            lines += [self._lines[taken[-1].group.plant].blow(b) for b in _blows(reader, taken, shifts)]
        left_out: list[str] = []
        self._hand_over(lines, left_out)
        last = taken[-1].group
        self.cursor = Cursor(last.number, start.corrections)
        return Progress(self.cursor, last.at_ms + shifts.get(last.segment, 0), len(lines), more, left_out)

    def _start(self, reader: Reader) -> Cursor:
        """Where to go on: where dates were corrected meanwhile, what they moved is sent again under the right ones."""
        corrections = reader.clock_corrections()
        if len(corrections) <= self.cursor.corrections:
            return self.cursor
        moved = {c.segment for c in corrections[self.cursor.corrections :]}
        first = [s.first_group for s in reader.clock_segments() if s.segment in moved and s.first_group is not None]
        return Cursor(min([self.cursor.group, *(n - 1 for n in first)]), len(corrections))

    def _of(self, reader: Reader, stored: StoredGroup, shift_ms: int) -> Iterator[str]:
        version = stored.group.plant
        if version not in self._lines:
            self._lines[version] = Lines(reader.plant(version), self._name, version)
        return self._lines[version].of(stored, shift_ms)

    def _hand_over(self, lines: Sequence[str], left_out: list[str]) -> None:
        try:
            self._server.take(lines)
        except CopyTrouble as e:
            if not e.malformed:
                raise
            if len(lines) == 1:
                left_out.append(f"{e}: {lines[0][:200]}")
                return
            half = math.ceil(len(lines) / 2)
            self._hand_over(lines[:half], left_out)
            self._hand_over(lines[half:], left_out)


def _blows(reader: Reader, taken: Sequence[StoredGroup], shifts: dict[int, int]) -> list[Blow]:
    """Blows that ended in these groups; one at the edge may be sent twice, and is the same."""
    first, last = taken[0].group, taken[-1].group
    begin = first.at_ms + shifts.get(first.segment, 0)
    end = last.at_ms + shifts.get(last.segment, 0)
    before = 7 * 24 * 3_600_000  # a blow is found by its begin, and sent at its end
    return [b for b in reader.blows(begin - before, end + 1) if begin - 600_000 <= b.end_ms <= end]
