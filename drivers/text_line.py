"""Lines of a text instrument: bytes cut into lines, and what numbers a line gives, or why it gives none.

Pure. Lives here: the cutter, the checksum, the fields. May import: config, drivers.contract.

The checksum, where there is one, stands after the last `*` of a line as two hexadecimal digits, and is over all
characters before that `*`, a `$` at the line's beginning left out: xor8 is their exclusive or (as in the sentences of
marine instruments), sum8 their sum modulo 256. The pattern has to fit all of the rest of the line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final

from config.bus import Module
from config.text import compiled
from drivers.contract import Fault

_AROUND: Final = b" \t\x02\x03"  # what may stand around a line: blanks, and the marks some printers frame it with
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0a-\x1f\x7f]")
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_SHOWN: Final = 40  # characters of a line in a message


@dataclass(frozen=True, slots=True)
class Instrument:
    """How one instrument talks. `prompt` b"": it prints by itself; `ends` b"": CR, LF or both."""

    pattern: re.Pattern[str]
    prompt: bytes = b""
    ends: bytes = b""
    checksum: str = "none"
    longest: int = 256
    decimal: str = "."
    age: float = math.inf  # s, an older line says nothing of now


def instrument(module: Module) -> Instrument:
    """A module of a text link made ready. ValueError when it has no pattern."""
    if module.pattern is None:
        raise ValueError(f"module {module.name} has no pattern")
    return Instrument(
        compiled(module.pattern),
        (module.prompt or "").encode("ascii"),
        (module.ends or "").encode("ascii"),
        module.checksum,
        module.longest,
        module.decimal,
        3 * module.every,
    )


class Cutter:
    """Bytes in, whole lines out; None stands for a line that was too long. Blank lines are none.

    `begun`: a line begins here. Otherwise half a line may be under way, and what comes before the first end is lost.
    """

    def __init__(self, ends: bytes, longest: int, *, begun: bool) -> None:
        self._ends = re.compile(re.escape(ends) if ends else rb"[\r\n]")
        self._keep = max(len(ends), 1) - 1  # bytes that may be the beginning of an end
        self._longest, self._skip = longest, not begun
        self._held = bytearray()

    @property
    def half(self) -> int:
        """How many bytes of a line have come that has no end yet."""
        return len(self._held)

    def feed(self, data: bytes) -> list[bytes | None]:
        """The lines that are whole now."""
        self._held += data
        out: list[bytes | None] = []
        while end := self._ends.search(self._held):
            line = bytes(self._held[: end.start()])
            del self._held[: end.end()]
            if self._skip:
                self._skip = False
            elif len(line) > self._longest:
                out.append(None)
            elif line.strip(_AROUND):
                out.append(line)
        if len(self._held) > self._longest + self._keep:
            if not self._skip:
                out.append(None)
            self._skip = True
            del self._held[: len(self._held) - self._keep]
        return out


def first_answer(lines: Iterable[bytes | None], prompt: bytes) -> list[bytes | None]:
    """The first line after a prompt that is no echo of it, as a list of one; [] while there is none."""
    for line in lines:
        if line is not None:
            if prompt.endswith((b"\r", b"\n")):  # an echo whose end is not one of the instrument's lines
                line = line.removeprefix(prompt)
            if line.strip() in (b"", prompt.strip()):
                continue
        return [line]
    return []


@dataclass(frozen=True, slots=True)
class Said:
    """What a line gives: for each field asked for a number or a fault, and one line for the log."""

    counts: tuple[float | None, ...]
    faults: tuple[Fault, ...]
    detail: str = ""

    @property
    def bad(self) -> bool:
        """Whether the line as a whole is not usable."""
        return bool(self.faults) and all(f is Fault.BAD_ANSWER for f in self.faults)


def understood(line: bytes | None, how: Instrument, fields: Sequence[str]) -> Said:
    """The numbers of a line, in the order of `fields`. Never raises, whatever the line holds."""
    if line is None:
        return _none(fields, f"a line of more than {how.longest} characters")
    text = line.strip(_AROUND)
    if _CONTROL.search(text):
        return _none(fields, f"control characters in {shown(line)}")
    if how.checksum != "none":
        body, why = checked(text, how.checksum)
        if why:
            return _none(fields, f"{why} in {shown(line)}")
        text = body
    # a byte that is no ASCII is one unknown character: a degree sign is two of them, or one
    found = how.pattern.fullmatch("".join(map(_character, text)).strip())
    if found is None:
        return _none(fields, f"{shown(line)} does not fit the pattern")
    counts, faults, wrong = [], [], []
    for field in fields:
        count, fault = number(found[field], how.decimal)
        counts.append(count)
        faults.append(fault)
        if fault is Fault.NOT_A_NUMBER:
            wrong.append(f"{field} is {shown(found[field].encode('ascii', 'replace'))}")
        elif fault:
            wrong.append(f"no {field} in {shown(line)}")
    return Said(tuple(counts), tuple(faults), "; ".join(wrong))


def checked(text: bytes, kind: str) -> tuple[bytes, str]:
    """The text before its checksum, and "" or why that is not right."""
    body, star, digits = text.rpartition(b"*")
    if not star or not re.fullmatch(rb"[0-9A-Fa-f]{2}", digits):
        return text, "no checksum"
    wanted = summed(body.removeprefix(b"$"), kind)
    return body, "" if wanted == int(digits, 16) else f"checksum {digits.decode('ascii')}, wants {wanted:02X},"


def summed(body: bytes, kind: str) -> int:
    """The checksum of a body: "xor8" or "sum8"."""
    return reduce(xor, body, 0) if kind == "xor8" else sum(body) % 256


def number(text: str | None, decimal: str) -> tuple[float | None, Fault]:
    """A field as a number: NOT_AVAILABLE where the line has no such field, NOT_A_NUMBER for all but finite ones."""
    if text is None:
        return None, Fault.NOT_AVAILABLE
    text = text.strip()
    if decimal == ",":
        text = text.replace(".", "x").replace(",", ".")
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    return (value, Fault.NONE) if math.isfinite(value) else (None, Fault.NOT_A_NUMBER)


def shown(line: bytes) -> str:
    """The beginning of a line, printable, in quotes."""
    text = repr(line[:_SHOWN])[1:]
    return text if len(line) <= _SHOWN else f"{text}..."


def _character(byte: int) -> str:
    return chr(byte) if byte < 0x80 else "\ufffd"


def _none(fields: Sequence[str], detail: str) -> Said:
    return Said((None,) * len(fields), (Fault.BAD_ANSWER,) * len(fields), detail)
