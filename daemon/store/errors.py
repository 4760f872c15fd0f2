"""What can go wrong with the store, in words for the person who must mend it.

Imports nothing of ours. `StoreError` is the one root. After `StoreFull`, `StoreReadOnly` and `StoreBroken` the store is
as it was before the call and the same call may be made again; the others will not go away by trying again.
"""

from __future__ import annotations

import errno

import apsw


class StoreError(Exception):
    """The store could not do what was asked."""


class StoreFull(StoreError):
    """No space for the write. Nothing was changed."""


class StoreReadOnly(StoreError):
    """The disk or the file takes no writes. Nothing was changed."""


class StoreBroken(StoreError):
    """The disk reported an error, the file is damaged, or another program holds it. Nothing was changed."""


class StoreRefused(StoreError):
    """What was handed in does not fit what is stored: a fault of the program, not of the disk."""


class StoreBusy(StoreError):
    """Another instance has this store open."""


class StoreUnknown(StoreError):
    """The file is no store of this program, or one of a later version."""


_NO_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_NO_WRITES = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})


def translated(error: apsw.Error, path: str, system_errno: int = 0) -> StoreError:
    """An error of SQLite as one of ours. `system_errno`: what the operating system said last, 0 when not known.

    The number of the system is believed only for errors of input and output: SQLite keeps it after it is stale.
    """
    what = str(error) or type(error).__name__
    disk = isinstance(error, apsw.IOError | apsw.CantOpenError)
    if isinstance(error, apsw.FullError) or (disk and system_errno in _NO_SPACE):
        return StoreFull(f"No space to write to {path} ({what}). Make room on that disk; writing is tried again.")
    if isinstance(error, apsw.ReadOnlyError) or (disk and system_errno in _NO_WRITES):
        return StoreReadOnly(
            f"{path} takes no writes ({what}). Check that the disk is mounted for writing and who owns the file."
        )
    if isinstance(error, apsw.BusyError | apsw.LockedError):
        return StoreBroken(f"{path} is held by another program ({what}). Find and end it; writing is tried again.")
    if isinstance(error, apsw.CorruptError | apsw.NotADBError):
        return StoreBroken(f"{path} is damaged ({what}). Keep the file, and restore from a backup.")
    if disk:
        return StoreBroken(f"The disk gave an error at {path} ({what}). Check the disk and its log.")
    return StoreRefused(f"{path}: {type(error).__name__}: {what}")
