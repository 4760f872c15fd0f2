"""One cell of a recording: a count as written, or the reason there is none.

Pure. A count is written so that it reads back exactly: whole numbers whole, floats by their shortest exact form. A
reason starts with "!": `!no answer`, `!link down`, `!bad answer`, `!not a number`, `!not polled`, `!stopping`,
`!not available`, `!not asked`, `!cut off`, `!exception 2` (the code the module gave). `!not due` says that the
module was not polled in this row, where the reader would otherwise take an empty cell for a missing answer.
"""

from __future__ import annotations

import math
from typing import Final

from daemon.core.reasons import Reason
from daemon.core.scan import Count

NOT_DUE: Final = "!not due"

_WORDS: Final[dict[int, str]] = {
    Reason.NO_ANSWER: "!no answer",
    Reason.LINK_DOWN: "!link down",
    Reason.BAD_ANSWER: "!bad answer",
    Reason.NOT_A_NUMBER: "!not a number",
    Reason.NOT_POLLED: "!not polled",
    Reason.STOPPING: "!stopping",
    Reason.NOT_AVAILABLE: "!not available",
    Reason.NOT_ASKED: "!not asked",
    Reason.CUT_OFF: "!cut off",
    **{16 + code: f"!exception {code}" for code in range(1, 12)},
    Reason.REFUSED_OTHER: "!exception other",
}
_FAULTS: Final = {text: number for number, text in _WORDS.items()}

_LIMITS: Final[dict[str, tuple[int, int]]] = {
    "bit": (0, 1),
    "u16": (0, 2**16 - 1),
    "s16": (-(2**15), 2**15 - 1),
    "u32": (0, 2**32 - 1),
    "s32": (-(2**31), 2**31 - 1),
    "u64": (0, 2**64 - 1),
    "bcd16": (0, 9999),
    "bcd32": (0, 99_999_999),
}


class CellError(ValueError):
    """A cell that cannot be read; the text says what was found and what is wanted."""


def fault_text(fault: int) -> str:
    """The cell of a count that is not there."""
    return _WORDS[fault]


def fault_number(text: str) -> int:
    """The Reason number of a cell that starts with "!"; CellError lists the reasons there are."""
    found = _FAULTS.get(" ".join(text.split()).lower())
    if found is None:
        code = text.lower().removeprefix("!exception").strip()
        if code.isdigit() and 0 < int(code) < 256:
            return Reason.REFUSED_OTHER
        raise CellError(f"wants one of {', '.join([*_FAULTS, NOT_DUE])}; found {text!r}")
    return found


def count_text(count: Count) -> str:
    """The cell of a count."""
    return repr(count)


def count_of(found: object, kind: str) -> Count:
    """A count of a channel type from text or from a number of a table.

    CellError when it is no number, not finite, or not one that the type can hold.
    """
    if kind in ("f32", "f64"):
        return _float(found, kind)
    low, high = _LIMITS[kind]
    whole = _whole(found)
    if whole is None or not low <= whole <= high:
        raise CellError(f"wants a whole number {low} to {high} ({kind}); found {said(found)}")
    return whole


def _whole(found: object) -> int | None:
    if isinstance(found, (bool, int)):
        return int(found)
    try:
        if isinstance(found, str):
            try:
                return int(found)
            except ValueError:
                found = float(found)
        number = float(found)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    # a table program may have made floats of whole numbers; beyond 2**53 they are no longer exact
    return int(number) if number.is_integer() and abs(number) <= 2**53 else None


def _float(found: object, kind: str) -> float:
    try:
        number = float(found)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise CellError(f"wants a finite number ({kind}), or a reason like !not a number; found {said(found)}")
    return number


def said(found: object) -> str:
    """What was found, as an error quotes it: cut when it is long."""
    text = repr(found)
    return text if len(text) <= 60 else text[:57] + "..."
