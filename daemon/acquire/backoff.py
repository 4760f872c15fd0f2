"""How long to leave a silent module alone. Pure; imports nothing of ours.

A try at a silent module costs its link one timeout. While neighbours answer, tries are spaced so that silence takes
at most a quarter of the link's time; with nobody else to hurt, a try each timeout costs nothing.
"""

from __future__ import annotations

LONGEST_S = 30.0
SHARE = 4


def wait_s(silences: int, timeout_s: float, silent: int, answering: int) -> float:
    """Real seconds from the start of one try to the earliest next one.

    `silences`: how many in a row so far; `silent`, `answering`: how many modules of the link are either.
    Grows from two timeouts, doubling, to `SHARE` timeouts for each silent module, and never beyond 30 s. Not from one:
    a line without transaction numbers leaves a silent module alone for another timeout, in which it may still answer,
    and a try before that would keep the line from its neighbours twice.
    """
    longest = SHARE * max(silent, 1) * timeout_s if answering else timeout_s
    grown = timeout_s * 2.0 ** min(max(silences, 1), 10)
    return min(grown, longest, LONGEST_S)
