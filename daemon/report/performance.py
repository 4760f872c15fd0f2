"""How the alarm system performs, as ISA-18.2 and IEC 62682 (clause 16) and EEMUA 191 measure it. Pure.

An alarm counts when it is raised. A flood begins with more than ten raises in ten minutes and ends with fewer than five
(AL-045, AL-046; from memory); an alarm chatters that is raised three times or more within a minute (AL-050; from
memory), is stale when it has stood for more than 24 hours without a break (AL-052; from memory), and fleeting when it
returns within a minute without chattering (common practice, no source). Times are ms UTC; shares are of all raises.
May import: daemon.core.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from daemon.core.outcome import Entry

TEN_MINUTES_MS: Final = 600_000
MINUTE_MS: Final = 60_000
DAY_MS: Final = 86_400_000
FLOOD_BEGINS: Final = 10  # more than
FLOOD_ENDS: Final = 5  # fewer than
CHATTER: Final = 3
TOP: Final = 10
PRIORITIES: Final = ("highest", "high", "medium", "low")
ENDS: Final = frozenset({"returned", "suppressed", "out_of_service", "removed"})


@dataclass(frozen=True, slots=True)
class Flood:
    from_ms: int
    to_ms: int
    raised: int
    busiest: int  # raises within ten minutes


@dataclass(frozen=True, slots=True)
class Frequent:
    """One alarm's raises and their share of all."""

    alarm: str  # target/kind/name
    raised: int
    share: float


@dataclass(frozen=True, slots=True)
class Stale:
    """One alarm that has stood for more than a day; `to_ms` None while it still does."""

    alarm: str
    occurrence: int
    from_ms: int
    to_ms: int | None


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """How long raises waited for a person, seconds; None where nobody was asked or nobody answered."""

    answered: int
    unanswered: int  # returned, or standing, without an answer
    median_s: float | None
    ninth_tenth_s: float | None  # nine of ten came sooner
    longest_s: float | None


@dataclass(frozen=True, slots=True)
class Performance:
    """One stretch of time, from `from_ms` to before `to_ms`."""

    from_ms: int
    to_ms: int
    raised: int
    per_day: float
    per_ten_minutes: float
    busiest_ten_minutes: int
    busiest_day: int
    floods: tuple[Flood, ...]
    flood_share: float  # of the time
    chattering: tuple[Frequent, ...]
    fleeting: int
    stale: tuple[Stale, ...]
    most_stale_at_once: int
    frequent: tuple[Frequent, ...]
    frequent_share: float
    priorities: dict[str, int]
    acknowledged: Acknowledged
    put_aside: int

    def as_json(self) -> dict[str, Any]:
        """Plain values for a JSON document."""
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return plain


def performance(journal: Iterable[Entry], from_ms: int, to_ms: int) -> Performance:
    """Measure one stretch. `journal` may begin earlier: what stood before is then known to stand.

    An empty stretch has no rates: they are 0.
    """
    entries = [e for e in journal if e.at_ms < to_ms and e.occurrence]
    raises = [e for e in entries if e.event == "raised" and e.at_ms >= from_ms]
    times = sorted(e.at_ms for e in raises)
    by_alarm: dict[str, list[int]] = {}
    for e in raises:
        by_alarm.setdefault(_name(e), []).append(e.at_ms)
    length = max(0, to_ms - from_ms)
    floods = floods_of(times, to_ms)
    chatters = [a for a, at in by_alarm.items() if busiest(sorted(at), MINUTE_MS) >= CHATTER]
    stale, at_once = _stale(entries, from_ms, to_ms)
    frequent = tuple(Frequent(a, n, n / len(raises)) for a, n in _most(by_alarm)[:TOP])
    flood_ms = sum(min(f.to_ms, to_ms) - f.from_ms for f in floods)
    return Performance(
        from_ms=from_ms,
        to_ms=to_ms,
        raised=len(raises),
        per_day=len(raises) * DAY_MS / length if length else 0.0,
        per_ten_minutes=len(raises) * TEN_MINUTES_MS / length if length else 0.0,
        busiest_ten_minutes=busiest(times, TEN_MINUTES_MS),
        busiest_day=busiest(times, DAY_MS),
        floods=floods,
        flood_share=flood_ms / length if length else 0.0,
        chattering=tuple(Frequent(a, len(by_alarm[a]), len(by_alarm[a]) / len(raises)) for a in sorted(chatters)),
        fleeting=_fleeting(entries, from_ms, set(chatters)),
        stale=stale,
        most_stale_at_once=at_once,
        frequent=frequent,
        frequent_share=sum(f.share for f in frequent),
        priorities={p: sum(e.priority == p for e in raises) for p in PRIORITIES},
        acknowledged=_acknowledged(entries, raises),
        put_aside=sum(e.event == "shelved" and e.at_ms >= from_ms for e in entries),
    )


def _name(e: Entry) -> str:
    return "/".join(filter(None, (e.target, e.kind, e.name)))


def _most(by_alarm: dict[str, list[int]]) -> list[tuple[str, int]]:
    return sorted(((a, len(at)) for a, at in by_alarm.items()), key=lambda x: (-x[1], x[0]))


def busiest(times: Sequence[int], window_ms: int) -> int:
    """The most instants within any window [t, t + window); `times` in order."""
    most, first = 0, 0
    for k, t in enumerate(times):
        while t - times[first] >= window_ms:
            first += 1
        most = max(most, k - first + 1)
    return most


def floods_of(times: Sequence[int], to_ms: int) -> tuple[Flood, ...]:
    """Floods among raises in order: from the first of more than ten in ten minutes until fewer than five are left."""
    out: list[Flood] = []
    window: deque[int] = deque()
    begun: int | None = None
    raised = most = 0
    changes = sorted([(t + TEN_MINUTES_MS, 0) for t in times] + [(t, 1) for t in times])
    for at, came in changes:
        if came:
            window.append(at)
            if begun is not None:
                raised += 1
            elif len(window) > FLOOD_BEGINS:
                begun, raised, most = window[0], len(window), 0
            most = max(most, len(window))
        else:
            window.popleft()
            if begun is not None and len(window) < FLOOD_ENDS:
                out.append(Flood(begun, min(at, to_ms), raised, most))
                begun = None
    return tuple(out)


def _fleeting(entries: Sequence[Entry], from_ms: int, chatters: set[str]) -> int:
    raised: dict[int, int] = {}
    n = 0
    for e in entries:
        if e.event == "raised" and e.at_ms >= from_ms and _name(e) not in chatters:
            raised[e.occurrence] = e.at_ms
        elif e.event == "returned" and e.occurrence in raised:
            n += e.at_ms - raised.pop(e.occurrence) <= MINUTE_MS
    return n


def _stale(entries: Sequence[Entry], from_ms: int, to_ms: int) -> tuple[tuple[Stale, ...], int]:
    standing: dict[str, Entry] = {}
    out: list[Stale] = []

    def ended(e: Entry, at_ms: int | None) -> None:
        until = to_ms if at_ms is None else at_ms
        if until - e.at_ms > DAY_MS and until > from_ms:
            out.append(Stale(_name(e), e.occurrence, e.at_ms, at_ms))

    for e in entries:
        if e.event == "raised":
            if (before := standing.pop(_name(e), None)) is not None:
                ended(before, e.at_ms)
            standing[_name(e)] = e
        elif e.event in ENDS and (before := standing.pop(_name(e), None)) is not None:
            ended(before, e.at_ms)
    for e in standing.values():
        ended(e, None)
    changes = [(s.from_ms + DAY_MS, 1) for s in out] + [(s.to_ms, -1) for s in out if s.to_ms is not None]
    n = most = 0
    for _, change in sorted(changes):
        n += change
        most = max(most, n)
    return tuple(sorted(out, key=lambda s: s.from_ms)), most


def _acknowledged(entries: Sequence[Entry], raises: Sequence[Entry]) -> Acknowledged:
    at = {e.occurrence: e.at_ms for e in raises}
    waited: dict[int, float] = {}
    for e in entries:
        if e.event == "acknowledged" and e.occurrence in at:
            waited.setdefault(e.occurrence, (e.at_ms - at[e.occurrence]) / 1000)
    found = sorted(waited.values())
    return Acknowledged(
        answered=len(found),
        unanswered=len(at) - len(found),
        median_s=_at_share(found, 0.5),
        ninth_tenth_s=_at_share(found, 0.9),
        longest_s=found[-1] if found else None,
    )


def _at_share(ordered: Sequence[float], share: float) -> float | None:
    """The least value that is not below so large a share of all."""
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)] if ordered else None


def by_day(journal: Iterable[Entry], days: Sequence[tuple[str, int, int]]) -> list[tuple[str, int, int]]:
    """For each day (its name, from, to): raises, and the most within ten minutes."""
    times = sorted(e.at_ms for e in journal if e.event == "raised" and e.occurrence)
    out = []
    for name, begin, end in days:
        inside = [t for t in times if begin <= t < end]
        out.append((name, len(inside), busiest(inside, TEN_MINUTES_MS)))
    return out
