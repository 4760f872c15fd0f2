"""The database schema, and the way from every earlier one to it.

Lives here: the statements of each version and the steps between. May import: apsw, this room's errors.
`PRAGMA user_version` is the version, `PRAGMA application_id` says that the file is ours. Steps run forward only, each
in a transaction of its own, and are never edited once released: a change is a new step at the end of `STEPS`.

The hot table is `scan_group`: one row a group in time order, without any index, so that a commit touches one page.
All times are ms; `at_ms` and its kin are UTC since 1970. Values are in base units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import apsw

from daemon.store.errors import StoreUnknown

APPLICATION_ID: Final = 0x57545253  # "WTRS"
OLDEST_SQLITE: Final = (3, 51, 3)  # a race that damages write-ahead logs was mended there

FIRST: Final = """
CREATE TABLE plant_version (
  version INTEGER PRIMARY KEY,
  from_ms INTEGER NOT NULL,
  sha256 TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;
CREATE TABLE clock_segment (
  segment INTEGER PRIMARY KEY,
  run TEXT NOT NULL,            -- one start of the service
  elapsed_ms INTEGER NOT NULL,  -- this elapsed time ...
  at_ms INTEGER NOT NULL,       -- ... was this instant
  why TEXT NOT NULL,
  first_group INTEGER           -- first group dated by it, NULL while there is none
) STRICT;
CREATE TABLE scan_group (
  number INTEGER PRIMARY KEY,
  segment INTEGER NOT NULL,
  elapsed_ms INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  gap_ms INTEGER NOT NULL,
  plant INTEGER NOT NULL,
  body BLOB NOT NULL,           -- see packing.py
  derived BLOB NOT NULL
) STRICT;
CREATE TABLE journal (
  id INTEGER PRIMARY KEY,
  group_number INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  occurrence INTEGER NOT NULL,
  target TEXT NOT NULL,
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  event TEXT NOT NULL,
  state TEXT NOT NULL,
  priority TEXT NOT NULL,
  value REAL,
  limit_value REAL,
  unit TEXT NOT NULL,
  evidence TEXT NOT NULL,
  person TEXT NOT NULL
) STRICT;
CREATE INDEX journal_group ON journal (group_number);
CREATE INDEX journal_at ON journal (at_ms);
CREATE TABLE standing (
  target TEXT NOT NULL,
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  state TEXT NOT NULL,
  occurrence INTEGER NOT NULL,
  priority TEXT NOT NULL,
  since_ms INTEGER NOT NULL,
  value REAL,
  limit_value REAL,
  unit TEXT NOT NULL,
  evidence TEXT NOT NULL,
  person TEXT NOT NULL,
  PRIMARY KEY (target, kind, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE blow (
  id INTEGER PRIMARY KEY,
  group_number INTEGER NOT NULL,
  boiler TEXT NOT NULL,
  start_ms INTEGER NOT NULL,
  end_ms INTEGER NOT NULL,
  openings INTEGER NOT NULL,
  open_ms INTEGER NOT NULL,
  sampled REAL,
  ended_at REAL,
  complete INTEGER NOT NULL,
  plus_minus_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX blow_start ON blow (start_ms);
CREATE TABLE act (
  number INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  person TEXT NOT NULL,
  received_ms INTEGER NOT NULL,
  body TEXT NOT NULL,           -- JSON
  group_number INTEGER,         -- the group it was applied in, NULL while it waits
  result TEXT                   -- "" when done, else why not
) STRICT;
CREATE INDEX act_waiting ON act (number) WHERE group_number IS NULL;
CREATE INDEX act_group ON act (group_number);
CREATE INDEX act_received ON act (received_ms);
CREATE TABLE outbox (
  id INTEGER PRIMARY KEY,
  key TEXT NOT NULL UNIQUE,
  recipient TEXT NOT NULL,
  at_ms INTEGER NOT NULL,
  body TEXT NOT NULL,           -- JSON
  state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'sent', 'refused')),
  tries INTEGER NOT NULL DEFAULT 0,
  next_ms INTEGER NOT NULL DEFAULT 0,  -- not before
  done_ms INTEGER,
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX outbox_waiting ON outbox (next_ms) WHERE state = 'waiting';
CREATE TABLE snapshot (
  id INTEGER PRIMARY KEY,
  format INTEGER NOT NULL,
  plant INTEGER NOT NULL,
  group_number INTEGER NOT NULL,
  body BLOB NOT NULL
) STRICT;
CREATE TABLE calibration (
  id INTEGER PRIMARY KEY,
  tag TEXT NOT NULL,
  from_ms INTEGER NOT NULL,     -- applies from here on
  withdrawn_ms INTEGER,
  kind TEXT NOT NULL,
  body TEXT NOT NULL,           -- JSON: what was compared, the figures, their source
  act INTEGER NOT NULL          -- who and when
) STRICT;
CREATE INDEX calibration_tag ON calibration (tag, from_ms);
CREATE TABLE manual_reading (
  id INTEGER PRIMARY KEY,
  target TEXT NOT NULL,
  what TEXT NOT NULL,
  taken_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  unit TEXT NOT NULL,
  note TEXT NOT NULL,
  act INTEGER NOT NULL
) STRICT;
CREATE INDEX manual_reading_taken ON manual_reading (taken_ms);
CREATE TABLE chain (
  seq INTEGER PRIMARY KEY,
  source TEXT NOT NULL,         -- see chain.py
  row INTEGER NOT NULL,
  hash BLOB NOT NULL
) STRICT;
CREATE TABLE store_event (
  id INTEGER PRIMARY KEY,
  at_ms INTEGER NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;
"""

SECOND: Final = """
ALTER TABLE blow ADD COLUMN kg REAL;
ALTER TABLE blow ADD COLUMN kg_by TEXT NOT NULL DEFAULT '';
ALTER TABLE blow ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0;  -- told by a person
ALTER TABLE blow ADD COLUMN shared INTEGER NOT NULL DEFAULT 0;   -- another boiler blew into the same line meanwhile
ALTER TABLE clock_segment ADD COLUMN doubt TEXT NOT NULL DEFAULT '';  -- why its dates are doubted, '' when they are not
CREATE TABLE clock_correction (
  id INTEGER PRIMARY KEY,
  segment INTEGER NOT NULL,     -- the segment that was dated wrongly; its newest correction holds
  shift_ms INTEGER NOT NULL,    -- to be added to every date written under it
  made_ms INTEGER NOT NULL,
  why TEXT NOT NULL,
  person TEXT NOT NULL
) STRICT;
"""

THIRD: Final = """
ALTER TABLE journal ADD COLUMN quality TEXT NOT NULL DEFAULT '';  -- of the reading; '' in what earlier schemas wrote
CREATE INDEX outbox_at ON outbox (at_ms);
CREATE TABLE notice (            -- what people must be told of; whom and when is decided when it can be sent
  id INTEGER PRIMARY KEY,
  key TEXT NOT NULL UNIQUE,
  at_ms INTEGER NOT NULL,
  body TEXT NOT NULL,           -- JSON
  direct INTEGER NOT NULL,      -- its mails went from memory, because nothing could be stored
  dealt_ms INTEGER              -- when its mails were written, NULL while nobody has decided
) STRICT;
CREATE INDEX notice_waiting ON notice (id) WHERE dealt_ms IS NULL;
CREATE TABLE dealer (           -- what the one who decides remembers
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  body TEXT NOT NULL            -- JSON
) STRICT;
CREATE TABLE copy_cursor (      -- how far the copy to a central server has come
  destination TEXT PRIMARY KEY,
  group_number INTEGER NOT NULL,
  corrections INTEGER NOT NULL, -- clock corrections it knew of
  at_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE rollup_minute (
  first_group INTEGER PRIMARY KEY,
  last_group INTEGER NOT NULL,
  segment INTEGER NOT NULL,
  plant INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,       -- its begin, as dated when it was written
  body BLOB NOT NULL            -- see figures.py
) STRICT;
CREATE TABLE rollup_hour (
  first_group INTEGER PRIMARY KEY,
  last_group INTEGER NOT NULL,
  segment INTEGER NOT NULL,
  plant INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  body BLOB NOT NULL
) STRICT;
CREATE TABLE rollup_mend (      -- groups whose figures are to be worked out again, see mending.py
  id INTEGER PRIMARY KEY,
  level INTEGER NOT NULL,       -- 0 minutes, 1 hours, 2 days are being done
  first_group INTEGER NOT NULL,
  last_group INTEGER NOT NULL,
  reached INTEGER               -- where this level goes on, NULL where it has not begun
) STRICT;
INSERT INTO rollup_mend (level, first_group, last_group)
  SELECT 0, min(number), max(number) FROM scan_group HAVING count(*) > 0;
CREATE TABLE rollup_day (       -- days of the plant's calendar
  first_group INTEGER PRIMARY KEY,
  last_group INTEGER NOT NULL,
  segment INTEGER NOT NULL,
  plant INTEGER NOT NULL,
  at_ms INTEGER NOT NULL,
  body BLOB NOT NULL
) STRICT;
CREATE TABLE archive_file (     -- see archive/files.py
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  plant INTEGER NOT NULL,
  first_group INTEGER NOT NULL,
  last_group INTEGER NOT NULL,
  groups INTEGER NOT NULL,
  from_ms INTEGER NOT NULL,     -- earliest and latest date in it, as written
  to_ms INTEGER NOT NULL,
  watched_ms INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  sha256 TEXT NOT NULL,
  made_ms INTEGER NOT NULL,
  replaced_by INTEGER,          -- the file that holds its groups now
  removed_ms INTEGER            -- when it was given up because [store] keep was over
) STRICT;
CREATE INDEX archive_held ON archive_file (first_group) WHERE replaced_by IS NULL AND removed_ms IS NULL;
CREATE TABLE job_done (         -- what is done once a plant day or so, and when it was done last
  name TEXT PRIMARY KEY,
  at_ms INTEGER NOT NULL,
  text TEXT NOT NULL
) STRICT, WITHOUT ROWID;
"""

Step = str | Callable[[apsw.Connection], None]
STEPS: Final[tuple[Step, ...]] = (FIRST, SECOND, THIRD)
"""`STEPS[n]` leads from version n to n + 1."""


def version_of(db: apsw.Connection) -> int:
    """The schema version of an open file, 0 for an empty one."""
    return int(db.pragma("user_version"))


def check_known(db: apsw.Connection, path: str, latest: int = len(STEPS)) -> None:
    """Raise StoreUnknown for a file that is not ours or is of a later version."""
    version, ours = version_of(db), int(db.pragma("application_id")) & 0xFFFFFFFF
    empty = not db.execute("SELECT count(*) FROM sqlite_schema").get
    if ours != APPLICATION_ID and not (empty and version == 0 and ours == 0):
        raise StoreUnknown(f"{path} is a database of another program. Choose another store path; nothing was changed.")
    if version > latest:
        raise StoreUnknown(
            f"{path} has schema version {version}; this program knows up to {latest}. "
            "Run the newer program that wrote it; nothing was changed."
        )


def migrate(db: apsw.Connection, path: str, steps: Sequence[Step] = STEPS) -> tuple[int, int]:
    """Bring a file to the latest schema; returns the versions before and after.

    Each step is one transaction with its new version number. Raises StoreUnknown before anything is touched; any other
    error leaves the file at the version it had reached.
    """
    check_known(db, path, len(steps))
    before = version_of(db)
    for version in range(before, len(steps)):
        step = steps[version]
        db.execute("BEGIN IMMEDIATE")
        try:
            if isinstance(step, str):
                db.execute(step)
            else:
                step(db)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {version + 1}; COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
    return before, len(steps)


def check_library() -> None:
    """Raise StoreUnknown when the SQLite library is older than `OLDEST_SQLITE`."""
    found = tuple(int(part) for part in apsw.sqlite_lib_version().split("."))
    if found < OLDEST_SQLITE:
        raise StoreUnknown(
            f"SQLite {'.'.join(map(str, found))} can damage a store; at least "
            f"{'.'.join(map(str, OLDEST_SQLITE))} is wanted. Install the locked dependencies again."
        )
