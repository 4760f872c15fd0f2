"""SQLite's way to the disk, made to fail on order, and to lose what was never flushed.

`FaultDisk` passes everything to the operating system, counts writes, truncations and flushes, and fails those it is
told to. With `remember` it keeps what was flushed apart, and `cut` lays out what a disk may hold after the power goes:
all that was flushed, and any part of what was not, torn into sectors.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import apsw

SECTOR = 512
_names = itertools.count()


@dataclass
class Image:
    """One file: what is surely on the disk, and what was written since the last flush."""

    sure: bytearray = field(default_factory=bytearray)
    loose: list[tuple[int, bytes | None]] = field(default_factory=list)  # offset and bytes; None: cut to offset

    def flush(self) -> None:
        for at, data in self.loose:
            _lay(self.sure, at, data)
        self.loose.clear()

    def after_a_cut(self, chance: random.Random) -> bytes:
        """One of the states the file may be in when the power has gone."""
        out = bytearray(self.sure)
        for at, data in self.loose:
            if data is None:
                if chance.random() < 0.5:
                    _lay(out, at, None)
                continue
            for start in range(0, len(data), SECTOR):
                if chance.random() < 0.5:
                    _lay(out, at + start, data[start : start + SECTOR])
        return bytes(out)


def _lay(out: bytearray, at: int, data: bytes | None) -> None:
    if data is None:
        del out[at:]
        return
    out.extend(bytes(max(0, at - len(out))))
    out[at : at + len(data)] = data


class FaultDisk(apsw.VFS):
    """Register with `with FaultDisk() as disk`, open with `vfs=disk.name`.

    `fail`: called with the number of each write, truncation or flush (from 1) and its kind; an error it returns is
    raised. `torn`: a failing write has put half of its bytes on the disk. `remember`: keep images for `cut`.
    """

    def __init__(self, *, torn: bool = False, remember: bool = False) -> None:
        self.name = f"fault{next(_names)}"
        super().__init__(self.name, "")
        self.fail: Callable[[int, str], Exception | None] = lambda number, kind: None
        self.count, self.torn, self.remember = 0, torn, remember
        self.images: dict[str, Image] = {}

    def __enter__(self) -> FaultDisk:
        return self

    def __exit__(self, *args: object) -> None:
        self.unregister()

    def fail_at(self, first: int, error: Callable[[], Exception], last: int | None = None) -> None:
        """Count from here on, and fail operation `first` (to `last`, when given)."""
        self.count = 0
        until = first if last is None else last
        self.fail = lambda number, kind: error() if first <= number <= until else None

    def xOpen(self, name: Any, flags: list[int]) -> _File:
        return _File(self, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:
        self.images.pop(name, None)
        super().xDelete(name, sync)

    def step(self, kind: str) -> Exception | None:
        """Count one operation; the error it is to end with."""
        self.count += 1
        return self.fail(self.count, kind)

    def cut(self, folder: Path, seed: int) -> None:
        """Write the files as a power cut at this moment may have left them."""
        chance = random.Random(seed)
        for name, image in sorted(self.images.items()):
            (folder / Path(name).name).write_bytes(image.after_a_cut(chance))


class _File(apsw.VFSFile):
    def __init__(self, disk: FaultDisk, name: Any, flags: list[int]) -> None:
        self._disk = disk
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        super().__init__("", name, flags)
        self._image: Image | None = None
        if disk.remember and path:
            if path not in disk.images and Path(path).stat().st_size:
                raise AssertionError(f"{path} was there before; a power cut is played on new files only")
            self._image = disk.images.setdefault(path, Image())

    def xWrite(self, data: bytes, offset: int) -> None:
        if error := self._disk.step("write"):
            if self._disk.torn:
                super().xWrite(data[: len(data) // 2], offset)
            raise error
        super().xWrite(data, offset)
        if self._image:
            self._image.loose.append((offset, bytes(data)))

    def xTruncate(self, size: int) -> None:
        if error := self._disk.step("truncate"):
            raise error
        super().xTruncate(size)
        if self._image:
            self._image.loose.append((size, None))

    def xSync(self, flags: int) -> None:
        if error := self._disk.step("flush"):
            raise error
        super().xSync(flags)
        if self._image:
            self._image.flush()
