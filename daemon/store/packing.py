"""A group's counts and verdicts to bytes and back, by a layout that follows from the plant version alone.

Lives here: the layout of a module and the byte format. Pure. May import: config, daemon.core.
No names, no JSON: which channel a number belongs to is known from the plant version stored beside it.

A group is its scans one after another. A scan is
    flags u8, module u8, delay u8      (flag WIDE_HEAD: module u16, delay u32)
    counts                             numbers in channel order, little-endian, then bits packed eight a byte
    faults u8 * channels               only with flag FAULTS; the place of a missing count holds 0
    verdicts u8 * channels             only with flag VERDICTS; else the verdicts equal the faults
With flag SILENT every count is missing for one reason: one fault byte stands for counts and faults.
A float32 channel takes 4 bytes unless a value does not fit exactly: then flag WIDE_FLOATS, and 8 for each of them.
"""

from __future__ import annotations

import math
import struct
import tomllib
from collections.abc import Callable, Mapping, Sequence
from operator import itemgetter
from typing import Any, Final

from config.bus import spot
from config.expand import expand
from config.model import Plant
from daemon.core.outcome import Derived
from daemon.core.scan import Count, Scan

WIDE_HEAD: Final = 1
FAULTS: Final = 2
SILENT: Final = 4
VERDICTS: Final = 8
WIDE_FLOATS: Final = 16

_HEAD: Final = struct.Struct("<BBB")
_WIDE: Final = struct.Struct("<BHI")
CODE: Final = {
    "u16": "H",
    "s16": "h",
    "u32": "I",
    "s32": "i",
    "u64": "Q",
    "f32": "f",
    "f64": "d",
    "bcd16": "H",
    "bcd32": "I",
}
_DIGITS: Final = bytes([48, 49]) + bytes(254)  # 0 and 1 to "0" and "1"; anything else to NUL, which int() refuses
_DERIVED: Final = struct.Struct("<HdB")

Verdicts = tuple[tuple[int, ...], ...]


class PackingError(ValueError):
    """A group that does not fit the plant it claims, or bytes that do not."""


def _picker(places: Sequence[int]) -> Callable[[Sequence[Count]], tuple[Count, ...]]:
    if len(places) == 1:
        return lambda counts, i=places[0]: (counts[i],)  # type: ignore[misc]
    return itemgetter(*places)


class ModuleLayout:
    """Where each count of one module lies. Compiled once for a plant version."""

    __slots__ = ("bits", "count", "floats", "mixed", "narrow", "numbers", "order", "pick_bits", "pick_numbers", "wide")

    def __init__(self, types: Sequence[str]) -> None:
        places = [i for i, t in enumerate(types) if t != "bit"]
        bits = [i for i, t in enumerate(types) if t == "bit"]
        codes = "".join(CODE[types[i]] for i in places)
        self.count = len(types)
        self.numbers, self.bits = len(places), len(bits)
        self.narrow = struct.Struct("<" + codes)
        self.wide = struct.Struct("<" + codes.replace("f", "d"))
        self.floats = tuple(k for k, i in enumerate(places) if types[i] in ("f32", "f64"))
        self.mixed = bool(places and bits)
        self.pick_numbers = _picker(places) if self.mixed else None
        self.pick_bits = _picker(bits) if self.mixed else None
        back = {i: k for k, i in enumerate([*places, *bits])}
        self.order = tuple(back[i] for i in range(self.count))  # from stored order to channel order

    def pack_counts(self, counts: tuple[Count, ...]) -> tuple[bytes, int]:
        """Counts, none missing, to bytes and the flag they need. struct.error or ValueError when one does not fit."""
        if self.mixed:
            assert self.pick_numbers is not None
            assert self.pick_bits is not None
            numbers, bits = self.pick_numbers(counts), self.pick_bits(counts)
        else:
            numbers, bits = (counts, ()) if self.numbers else ((), counts)
        tail = b""
        if bits:
            tail = int(bytes(bits).translate(_DIGITS), 2).to_bytes((self.bits + 7) // 8, "little")  # type: ignore[arg-type]
        if not self.floats:
            return self.narrow.pack(*numbers) + tail, 0
        if not all(math.isfinite(numbers[k]) for k in self.floats):
            raise ValueError("a float count is not a finite number")
        try:
            body = self.narrow.pack(*numbers)
            if self.narrow.unpack(body) == numbers:
                return body + tail, 0
        except OverflowError:
            pass
        return self.wide.pack(*numbers) + tail, WIDE_FLOATS

    def unpack_counts(self, body: bytes, at: int, flags: int) -> tuple[tuple[Count, ...], int]:
        """Counts from `at` on, and where they end."""
        fields = self.wide if flags & WIDE_FLOATS else self.narrow
        stored: tuple[Count, ...] = fields.unpack_from(body, at)
        at += fields.size
        if self.bits:
            end = at + (self.bits + 7) // 8
            if end > len(body):
                raise PackingError(f"a group's bytes end early, at {len(body)}")
            digits = format(int.from_bytes(body[at:end], "little"), f"0{self.bits}b")
            at, stored = end, stored + tuple(map(int, digits))
        return (tuple(stored[k] for k in self.order) if self.mixed else stored), at


class Layout:
    """The layouts of a plant's modules, and a group's way to bytes and back."""

    __slots__ = ("_good", "_modules", "_names")

    def __init__(self, modules: Sequence[tuple[str, Sequence[str]]]) -> None:
        """`modules`: name and channel types of each, in plant-file order."""
        self._modules = tuple(ModuleLayout(types) for _, types in modules)
        self._names = tuple(name for name, _ in modules)
        self._good = tuple((0,) * m.count for m in self._modules)

    @classmethod
    def of(cls, plant: Plant) -> Layout:
        """The layout of a plant."""
        return cls([(m.name, [c.type for c in m.channels.values()]) for m in plant.modules])

    @classmethod
    def of_text(cls, text: str) -> Layout:
        """The layout of a stored plant file that later checks may refuse; ValueError when not even its modules show."""
        try:
            return cls(
                [
                    (m["name"], [c.get("type", _type_of(c)) for c in m["channels"].values()])
                    for m in expand(tomllib.loads(text)).raw["module"]
                ]
            )
        except (KeyError, TypeError, AttributeError) as e:
            raise ValueError(f"the modules of the plant file cannot be read: {e!r}") from e

    def pack(self, scans: tuple[Scan, ...], verdicts: Verdicts) -> bytes:
        """Scans and the verdicts on them. PackingError names the module when something does not fit."""
        if len(scans) != len(verdicts):
            raise PackingError(f"{len(scans)} scans but {len(verdicts)} rows of verdicts")
        out: list[bytes] = []
        for scan, verdict in zip(scans, verdicts, strict=True):
            if not 0 <= scan.module < len(self._modules):
                raise PackingError(f"module {scan.module} of a plant of {len(self._modules)}")
            try:
                self._pack_scan(out, scan, verdict)
            except (struct.error, ValueError, TypeError, OverflowError) as e:
                raise PackingError(f"module {self._names[scan.module]}: {e}") from e
        return b"".join(out)

    def _pack_scan(self, out: list[bytes], scan: Scan, verdict: tuple[int, ...]) -> None:
        index, faults, counts = scan.module, scan.faults, scan.counts
        layout, good = self._modules[index], self._good[index]
        flags, tail = 0, b""
        if len(counts) != layout.count or len(faults) != layout.count:
            raise ValueError(f"{len(counts)} counts and {len(faults)} faults for {layout.count} channels")
        if faults == good:
            body, flags = layout.pack_counts(counts)  # type: ignore[arg-type]
        else:
            if any((c is None) != (f != 0) for c, f in zip(counts, faults, strict=True)):
                raise ValueError("a count is missing exactly where there is a fault")
            if faults[0] and faults.count(faults[0]) == layout.count:
                body, flags = bytes((faults[0],)), SILENT
            else:
                body, flags = layout.pack_counts(tuple(0 if c is None else c for c in counts))
                flags, tail = flags | FAULTS, bytes(faults)
        if verdict != faults:
            if len(verdict) != layout.count:
                raise ValueError(f"{len(verdict)} verdicts for {layout.count} channels")
            flags, tail = flags | VERDICTS, tail + bytes(verdict)
        delay = scan.delay_ms
        if index < 256 and 0 <= delay < 256:
            out.append(_HEAD.pack(flags, index, delay))
        else:
            out.append(_WIDE.pack(flags | WIDE_HEAD, index, delay))
        out.append(body)
        if tail:
            out.append(tail)

    def unpack(self, body: bytes) -> tuple[tuple[Scan, ...], Verdicts]:
        """What `pack` was given. PackingError when the bytes are not of this plant."""
        scans: list[Scan] = []
        verdicts: list[tuple[int, ...]] = []
        at = 0
        try:
            while at < len(body):
                at = self._unpack_scan(body, at, scans, verdicts)
        except (struct.error, IndexError) as e:
            raise PackingError(f"a group's bytes do not fit its plant: {e}") from e
        return tuple(scans), tuple(verdicts)

    def _unpack_scan(self, body: bytes, at: int, scans: list[Scan], verdicts: list[tuple[int, ...]]) -> int:
        head = _WIDE if body[at] & WIDE_HEAD else _HEAD
        flags, index, delay = head.unpack_from(body, at)
        at += head.size
        layout = self._modules[index]
        counts: tuple[Count | None, ...]
        faults = self._good[index]
        if flags & SILENT:
            counts, faults = (None,) * layout.count, (body[at],) * layout.count
            at += 1
        else:
            counts, at = layout.unpack_counts(body, at, flags)
        if flags & FAULTS:
            faults, at = _codes(body, at, layout.count)
            counts = tuple(None if f else c for c, f in zip(counts, faults, strict=True))
        verdict = faults
        if flags & VERDICTS:
            verdict, at = _codes(body, at, layout.count)
        scans.append(Scan(index, counts, faults, delay))
        verdicts.append(verdict)
        return at


def _type_of(channel: Mapping[str, Any]) -> str:
    if "field" in channel:
        return "f64"
    function = spot(channel["number"])[0] if "number" in channel else channel["function"]
    return "bit" if function in ("coil", "discrete") else "u16"


def _codes(body: bytes, at: int, count: int) -> tuple[tuple[int, ...], int]:
    codes = tuple(body[at : at + count])
    if len(codes) != count:
        raise PackingError(f"a group's bytes end early, at {len(body)}")
    return codes, at + count


def pack_derived(derived: tuple[Derived, ...]) -> bytes:
    """Derived values: tag u16, value float64 exact, reason u8 each. PackingError when one does not fit."""
    try:
        return b"".join([_DERIVED.pack(d.tag, d.value, d.reason) for d in derived])
    except struct.error as e:
        raise PackingError(f"a derived value does not fit: {e}") from e


def unpack_derived(body: bytes) -> tuple[Derived, ...]:
    """What `pack_derived` was given."""
    try:
        return tuple(Derived(*fields) for fields in _DERIVED.iter_unpack(body))
    except struct.error as e:
        raise PackingError(f"derived values of {len(body)} bytes: {e}") from e
