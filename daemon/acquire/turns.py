"""Whose turn it is on a link: the order of an instant, and which of the silent are tried at it.

Lives here: what the poller asks when it opens a group, and whether an answer is one. What a try may cost is in
`backoff`. May import: drivers, daemon.acquire.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from daemon.acquire.backoff import Silent, Try, tries
from daemon.acquire.parts import Collected, Polling, Wire
from drivers.contract import Answer, Fault

OVERDUE_MS: Final = 30_000  # plant ms after which a silent module no longer stands back for its neighbours
MARGIN_S: Final = 0.1  # real seconds a silence may take beyond its timeout: frames, adapters, wake-ups


def try_silent(link: Wire, group: Collected, now: float, origin: float, speed: float) -> list[Polling]:
    """Queue the silent modules of an instant that are to be tried; those to be tried beside the groups."""
    silent, link.silent = sorted(link.silent, key=lambda m: m.last_asked), []
    living = [m for m in link.modules if not m.stats.silent_in_row]
    if living:
        free = now + sum(m.took for m, _ in link.queue)
        if isinstance(link.asking, Polling):
            m = link.asking
            free += max(0.0, m.last_asked + (m.timeout * speed if m.stats.silent_in_row else m.took) - now)
        due = origin + min((int(group.due_ms // (1000 * m.every) + 1) * m.every) for m in living)
        asked = [
            Silent((m.timeout + MARGIN_S) * speed, m.rest, group.due_ms >= m.retry_ms, bool(m.plan.clears), m.every)
            for m in silent
        ]
        found = tries(asked, free, group.closes, due)
    else:
        found = [Try.NOW if group.due_ms >= m.retry_ms else Try.NONE for m in silent]
    for m, what in zip(silent, found, strict=True):
        if what is Try.NOW:
            link.queue.append((m, group))
            m.waits = group
        else:
            m.stats.held_back += 1
            group.put(m.index, m.without[Fault.NOT_POLLED])
    return [m for m, what in zip(silent, found, strict=True) if what is Try.BESIDE]


def in_turn(link: Wire, now_ms: int) -> None:
    """Plant-file order; the silent last, and after an instant that was too short first who waited longest.

    Where it was too short because a module fell silent, those whose turn did not come stand behind those who answered.
    Tries beside the groups that the last instant had no time for are dropped. A silent module that a link too slow for
    its modules left no time for takes its turn like the others after 30 s.
    """
    waiting = [(m, group) for m, group in link.queue if group is not None and m.waits is group]
    if link.behind:
        waiting.sort(key=lambda x: x[0].last_asked)
        if link.fell_silent:  # whoever it kept from being asked may have died with it
            waiting.sort(key=lambda x: x[0].passed_over)
    if link.behind or len(waiting) != len(link.queue) or any(m.stats.silent_in_row for m, _ in waiting):
        slow = link.behind and not link.fell_silent
        waiting.sort(key=lambda x: x[0].stats.silent_in_row > 0 and not (slow and now_ms - x[0].retry_ms >= OVERDUE_MS))
        link.queue = deque(waiting)
    link.behind = link.fell_silent = False


def unheard(answer: Answer) -> bool:
    """Nothing was heard of the module itself: silence, noise, or a gateway saying it found nobody."""
    beyond = (Fault.REFUSED_10, Fault.REFUSED_11, Fault.NOT_ASKED)
    return answer.silent or (bool(answer.faults) and all(f in beyond for f in answer.faults))
