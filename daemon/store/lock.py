"""One instance a store: the second is refused by name.

Lives here: a lock on a file beside the database, never on the database itself (closing another handle on
that would drop SQLite's own locks). May import: this room's errors. The kernel lets go of the lock when its process
ends, however it ends; the file stays and its content is only for the message.
"""

from __future__ import annotations

import fcntl
import json
import os
from datetime import UTC, datetime
from pathlib import Path

from daemon.store.errors import StoreBroken, StoreBusy


class StoreLock:
    """A held lock."""

    def __init__(self, path: Path, owner: str) -> None:
        """Take the lock of the store at `path` for `owner`, the plant's name as people know it.

        Raises StoreBusy naming process, plant, store and since when; StoreBroken when the lock file cannot be made.
        """
        self.path = path.with_name(path.name + ".lock")
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as e:
            raise StoreBroken(
                f"{self.path} cannot be opened ({e.strerror}). Check that the folder exists and who owns it."
            ) from e
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            text = _held(self._fd, path)
            os.close(self._fd)
            raise StoreBusy(text) from None
        except OSError as e:
            os.close(self._fd)
            raise StoreBroken(f"{self.path} cannot be locked ({e.strerror}). Put the store on a local disk.") from e
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, json.dumps({"pid": os.getpid(), "plant": owner}).encode(), 0)
        except OSError:
            pass  # a full disk: the lock holds all the same, only the message will say less

    def release(self) -> None:
        """Let go; may be called again."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def locked(path: Path) -> bool:
    """True while an instance has the store at `path` open. Needs no right to write."""
    try:
        fd = os.open(path.with_name(path.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False


def _held(fd: int, path: Path) -> str:
    """The message: who has it. The file's own time says since when."""
    since = datetime.fromtimestamp(os.fstat(fd).st_mtime, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    try:
        found = json.loads(os.pread(fd, 4096, 0))
        who = f"process {int(found['pid'])} (plant {found['plant']}, since {since})"
    except (ValueError, KeyError, TypeError, OSError):
        who = "another process"
    return (
        f"The store {path} is in use by {who}. "
        "Stop that one first, or give this plant a store of its own ([store] path)."
    )
