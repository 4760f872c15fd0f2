r"""How an instrument that prints lines of text is described: its pattern, its prompt, its line end.

Lives here: what those may be, with the errors in words. Imports nothing of ours but `config`.

A pattern is read by Python's `re` over lines that noise may have filled with anything, so what could make it search for
ever is refused: repeated groups, more than three `.*` or `.+`, and whatever else `pattern_cost` finds too long.
"""

from __future__ import annotations

import re
import warnings
from typing import Annotated, Final

from pydantic import AfterValidator

from config.pattern_cost import MOST, steps
from config.units import found_text

EXAMPLE: Final = r"COND=(?P<cond>[-+0-9.]+)\s*uS\s+T=(?P<temp>[-+0-9.]+)\s*C"
LONGEST_PROMPT: Final = 16  # bytes
ENDS: Final = ("\r\n", "\r", "\n")
_WILD: Final = 3  # the most `.*` and `.+` of a pattern


def compiled(pattern: str) -> re.Pattern[str]:
    """A pattern ready for use; ValueError says what is wrong with it, and where."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # a [ within a set: taken as the character it is
            made = re.compile(pattern, re.ASCII)
    except (re.error, OverflowError, RecursionError) as e:
        at = getattr(e, "pos", None)
        where = "" if at is None else f", at {found_text(pattern[at : at + 12])} (character {at + 1})"
        raise ValueError(f"is no regular expression: {getattr(e, 'msg', e)}{where}") from None
    if not made.groupindex:
        raise ValueError(f"wants at least one named field, like '{EXAMPLE}'; found {found_text(pattern)}")
    bare = _bare(pattern)
    if m := re.search(r"\)[*+{]", bare):
        raise ValueError(
            f"wants no repeated group, which noise could keep busy for ever; found one that ends at character "
            f"{m.start() + 1}. Repeat single characters or [sets] instead"
        )
    if (wild := len(re.findall(r"\.[*+]", bare))) > _WILD:
        raise ValueError(
            f"wants at most {_WILD} of .* and .+, which noise could keep busy for ever; found {wild}. "
            r"Write what stands there, like \s* or [^,]*"
        )
    try:
        most = steps(pattern)
    except ValueError as e:
        raise ValueError(f"wants {e}") from None
    if most > MOST:
        raise ValueError(
            f"could search a line of noise for {most:.1e} steps; wants {MOST:.0e} at most. It has repeats that can "
            r"take each other's characters, like \d+\d+ or .*.*: write what stands between them, like \d+,\d+ or [^,]*,"
        )
    return made


def _bare(pattern: str) -> str:
    """A pattern of the same length with `x` for escaped characters and for the insides of sets."""
    out: list[str] = []
    i, in_set = 0, False
    while i < len(pattern):
        c = pattern[i]
        if c == "\\":
            out.append("xx"[: len(pattern) - i])
            i += 2
            continue
        if in_set:
            in_set = c != "]"
            out.append("x")
        else:
            in_set = c == "["
            out.append("x" if in_set else c)
            if in_set:  # a ] that comes first, also after ^, is one of the set
                first = re.compile(r"\^?\]?").match(pattern, i + 1)
                assert first is not None
                out.append("x" * len(first[0]))
                i += len(first[0])
        i += 1
    return "".join(out)


def _pattern(value: str) -> str:
    compiled(value)
    return value


def _prompt(value: str) -> str:
    body = value.rstrip("\r\n")
    if not body or len(value) > LONGEST_PROMPT or not all(" " <= c <= "~" for c in body):
        raise ValueError(
            f'wants 1 to {LONGEST_PROMPT} plain characters, with \\r and \\n at the end only, like "R\\r"; '
            f"found {found_text(value)}"
        )
    if body.startswith(":"):
        raise ValueError(f"may not begin with a colon, as frames of Modbus ASCII do; found {found_text(value)}")
    return value


def _ends(value: str) -> str:
    if value not in ENDS:
        raise ValueError(f'wants "\\r\\n", "\\r" or "\\n" (left out: any of them); found {found_text(value)}')
    return value


Pattern = Annotated[str, AfterValidator(_pattern)]
Prompt = Annotated[str, AfterValidator(_prompt)]
Ends = Annotated[str, AfterValidator(_ends)]
