r"""How long a pattern may search, at worst, over a line that noise has filled with anything.

Python's `re` tries one way after another, and holds everything else up meanwhile. A repeat costs nothing to speak of
where what follows it cannot begin with a character it takes itself (`\d+C`): giving a character back is then seen to be
wrong at once. Where it can (`\d+\d+`, `.*7`), every way to share a line out among such repeats may be tried.

Lives here: that count, as an upper bound. Pure; imports nothing of ours. It knows single characters, escapes, sets,
plain and named groups, `|` and repeats; anything else is named in a ValueError.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from math import comb
from typing import Final

LINE: Final = 512  # characters of the longest line there is
MOST: Final = 300_000_000  # steps, most of them a few nanoseconds
_ALPHABET: Final = "\t" + "".join(map(chr, range(32, 127))) + "\ufffd"  # what a line can hold when it meets a pattern
_REPEAT: Final = re.compile(r"\{(\d*)(,?)(\d*)\}")
_PLAIN: Final = re.compile(r"\?(?:P<\w+>|:)")
_NUMBERED: Final = re.compile(r"\\[1-9]")
_LONG_ESCAPE: Final = re.compile(
    r"\\(?:x[0-9a-fA-F]{2}|u[0-9a-fA-F]{4}|U[0-9a-fA-F]{8}|N\{[^}]*\}|0[0-7]{0,2}|.)", re.S
)


@dataclass(frozen=True, slots=True)
class _Item:
    takes: frozenset[str]
    low: int = 1
    high: int = 1

    @property
    def first(self) -> frozenset[str]:
        return self.takes if self.high else frozenset()

    @property
    def empty(self) -> bool:
        return self.low == 0


@dataclass(frozen=True, slots=True)
class _Group:
    ways: tuple[tuple[_Item | _Group, ...], ...]
    optional: bool = False

    @property
    def first(self) -> frozenset[str]:
        return frozenset().union(*(_first(way) for way in self.ways))

    @property
    def empty(self) -> bool:
        return self.optional or any(all(part.empty for part in way) for way in self.ways)


_Sequence = tuple[_Item | _Group, ...]


def steps(pattern: str, line: int = LINE) -> int:
    """The most steps a search may take, over any line of `line` characters. ValueError for what is not known here.

    A step is a character looked at, up to a small factor.
    """
    ways, end = _alternatives(pattern, 0)
    if end < len(pattern):
        raise ValueError(f"a bracket too many at character {end + 1}")
    total = sum(_work(_without_open_end(way), frozenset(), line)[0] for way in ways)
    return int(total) + line


@dataclass(slots=True)
class _Ways:
    """How many ways lead here: `wide` repeats that share the line out among themselves, and a factor beside them."""

    line: int
    wide: int = 0
    factor: float = 1.0

    def count(self, more: int = 0) -> float:
        k = self.wide + more
        return self.factor * comb(self.line + k, k)


def _work(parts: _Sequence, after: frozenset[str], line: int) -> tuple[float, _Ways]:
    """The steps in a sequence that is met once, and the ways that lead out of it."""
    ways, total = _Ways(line), 0.0
    for i, part in enumerate(parts):
        follow = _follow(parts[i + 1 :], after)
        if isinstance(part, _Item):
            span = min(part.high, line) - min(part.low, line) + 1
            wide = part.high >= LINE
            total += ways.count(1) if wide else ways.count() * max(span, part.low)
            if span > 1 and part.takes & follow:
                if wide:
                    ways.wide += 1
                else:
                    ways.factor *= span
            continue
        inner = [_work(way, follow, line) for way in part.ways]
        here = ways.count()
        total += here * sum(steps for steps, _ in inner)
        # each way through the group is a way on, where one does not exclude the others by its first character
        seen: set[str] = set(follow) if part.empty else set()
        one_by_one = True
        for way in part.ways:
            one_by_one &= not (seen & _first(way))
            seen |= _first(way)
        out = max(inner, key=lambda x: x[1].count())[1]
        ways.wide += out.wide
        ways.factor *= out.factor * (1 if one_by_one else len(part.ways) + part.optional)
    return total, ways


def _without_open_end(parts: _Sequence) -> _Sequence:
    """A sequence without a last part that fits whatever is left: who gets so far has found a way."""
    if (
        parts
        and isinstance(last := parts[-1], _Item)
        and last.low == 0
        and last.high >= LINE
        and len(last.takes) == len(_ALPHABET)
    ):
        rest = parts[:-1]
        if rest and isinstance(before := rest[-1], _Item):  # and so has who meets one character before it
            rest = (*rest[:-1], _Item(before.takes, before.low, before.low))
        return rest
    return parts


def _first(parts: _Sequence) -> frozenset[str]:
    return _follow(parts, frozenset())


def _follow(parts: _Sequence, after: frozenset[str]) -> frozenset[str]:
    """The characters that can come first in a sequence, or behind it where it may be empty."""
    out: frozenset[str] = frozenset()
    for part in parts:
        out |= part.first
        if not part.empty:
            return out
    return out | after


# reading


def _alternatives(pattern: str, at: int) -> tuple[tuple[_Sequence, ...], int]:
    """The ways of a group, and where its bracket closes (or the pattern ends)."""
    ways: list[_Sequence] = []
    way: list[_Item | _Group] = []
    while at < len(pattern) and pattern[at] != ")":
        if pattern[at] == "|":
            ways.append(tuple(way))
            way, at = [], at + 1
            continue
        part, at = _part(pattern, at)
        if isinstance(part, _Group) and len(part.ways) == 1 and not part.optional:
            way += part.ways[0]
        elif part is not None:
            way.append(part)
    return (*ways, tuple(way)), at


def _part(pattern: str, at: int) -> tuple[_Item | _Group | None, int]:
    """One character, set or group with its repeat; None for what takes no character."""
    if pattern[at] in "^$":
        return None, at + 1
    if pattern[at] == "(":
        begin = at + 1
        if pattern[begin : begin + 1] == "?":
            plain = _PLAIN.match(pattern, begin)
            if plain is None:
                raise ValueError(
                    f"only (?P<name>...) and (?:...) of the groups with a question mark; {_here(pattern, at)}"
                )
            begin = plain.end()
        ways, end = _alternatives(pattern, begin)
        low, high, at = _repeat(pattern, end + 1)
        if high > 1:
            raise ValueError(f"no repeated group; {_here(pattern, end)}")
        return (_Group(ways, low == 0) if high else None), at
    end = _single(pattern, at)
    text = pattern[at:end]
    if _NUMBERED.match(text):
        raise ValueError(f"no reference to a group before; {_here(pattern, at)}")
    if text in (r"\b", r"\B", r"\A", r"\Z"):
        return None, end
    low, high, at = _repeat(pattern, end)
    return _Item(_takes(text), low, high), at


def _single(pattern: str, at: int) -> int:
    """Where a character, an escape or a set ends."""
    if pattern[at] == "\\":
        found = _LONG_ESCAPE.match(pattern, at)
        return found.end() if found else at + 1
    if pattern[at] != "[":
        return at + 1
    at += 1
    at += pattern.startswith("^", at)
    at += pattern.startswith("]", at)
    while at < len(pattern) and pattern[at] != "]":
        at += 2 if pattern[at] == "\\" else 1
    return at + 1


def _repeat(pattern: str, at: int) -> tuple[int, int, int]:
    """How often, at least and at most (`LINE` for any number), and where it ends."""
    low = high = 1
    begin = at
    if at < len(pattern) and pattern[at] in "*+?":
        low = int(pattern[at] == "+")
        high = 1 if pattern[at] == "?" else LINE
        at += 1
    elif (found := _REPEAT.match(pattern, at)) and (found[1] or found[3]):
        low = int(found[1] or 0)
        high = int(found[3] or LINE) if found[2] else low
        at = found.end()
    if at > begin and at < len(pattern) and pattern[at] in "?+":  # taken as little as possible, or never given back
        at += 1
    return low, min(high, LINE), at


@cache
def _takes(text: str) -> frozenset[str]:
    one = re.compile(text, re.ASCII)
    return frozenset(c for c in _ALPHABET if one.fullmatch(c))


def _here(pattern: str, at: int) -> str:
    return f"found {pattern[at : at + 8]!r} at character {at + 1}"
