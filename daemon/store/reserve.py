"""Space kept back beside the database, so that the alarm about a full disk can still be written.

Lives here: a file whose blocks are really allocated, and how much is free. Imports nothing of ours.
"""

from __future__ import annotations

import os
from pathlib import Path


class Reserve:
    """The file `NAME.reserve` beside the database NAME."""

    def __init__(self, store: Path, size: int) -> None:
        self.path, self.size = store.with_name(store.name + ".reserve"), size
        self._folder = store.parent

    @property
    def held(self) -> bool:
        """True while the whole reserve is allocated (or none is wanted)."""
        try:
            found = self.path.stat()
        except OSError:
            return self.size == 0
        return found.st_size == self.size and found.st_blocks * 512 >= self.size

    def free_bytes(self) -> int:
        """What the disk still takes, in bytes."""
        found = os.statvfs(self._folder)
        return found.f_bavail * found.f_frsize

    def release(self) -> bool:
        """Give the space back; True when there was any to give."""
        try:
            self.path.unlink()
        except OSError:
            return False
        return self.size > 0

    def restore(self) -> bool:
        """Take the space when at least as much again stays free; True when the reserve is held afterwards."""
        if self.held:
            return True
        try:
            self.path.unlink(missing_ok=True)
            if self.free_bytes() < 2 * self.size:
                return False
            fd = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
            try:
                os.posix_fallocate(fd, 0, self.size)
                os.fsync(fd)
            finally:
                os.close(fd)
        except OSError:
            self.release()
            return False
        return self.held
