"""Groups of a store put into files as the service would do it, in one process."""

from __future__ import annotations

from pathlib import Path

from daemon.store.archive.choosing import Move, moves
from daemon.store.archive.files import ArchiveFile, archive_folder
from daemon.store.archive.writing import write
from daemon.store.reader import Reader
from daemon.store.writer import Writer

MADE_MS = 1_789_100_000_000


async def figures(writer: Writer) -> None:
    """Work out what roll-ups are missing: nothing is removed before."""
    while await writer.mend_figures():
        pass


async def put(writer: Writer, move: Move) -> ArchiveFile:
    """One stretch into a recorded file; the hot store keeps it too."""
    with Reader(writer.path) as reader:
        file = write(reader, move, MADE_MS)
    await writer.archived(file)
    return file


async def drop(writer: Writer) -> None:
    """Remove what recorded files hold from the hot store."""
    await figures(writer)
    waiting = await writer.waits_to_go()
    if waiting is not None:
        while await writer.drop_archived(*waiting):
            pass
    assert await writer.waits_to_go() is None


async def put_all(path: Path, hot_ms: int, *, least: int = 1, piece: int = 400_000) -> tuple[ArchiveFile, ...]:
    """Every closed day older than the hot time, out of the hot store; the files that hold, and no others."""
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    try:
        with Reader(path) as reader:
            for move in moves(reader, hot_ms, least=least, piece=piece):
                await writer.archived(write(reader, move, MADE_MS))
        await drop(writer)
        held, superseded = await writer.archive()
        for file in superseded:
            (archive_folder(path) / file.name).unlink(missing_ok=True)
        return held
    finally:
        await writer.aclose()
