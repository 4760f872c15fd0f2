"""Which sources of groups lie beside a store's own file, the earliest first. The one place that knows.

May import: this room.
"""

from __future__ import annotations

from daemon.store.archive.source import ArchiveSource
from daemon.store.reader import Reader
from daemon.store.source import Source
from daemon.store.tagged import Tags


def beside(reader: Reader, tags: Tags) -> tuple[Source, ...]:
    """The sources that hold what the store's own file holds no longer; those of the archive."""
    return (ArchiveSource(reader, tags),)
