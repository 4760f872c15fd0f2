"""The figures that come out of a day's sums of water: each a value or none, and why it is not plainly good. Pure.

May import: config, daemon.core, daemon.water, this room.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from daemon.core.reasons import Quality, Reason, quality
from daemon.measure.balance_rules import (
    ALONE,
    ALONE_COND,
    ALONE_SHAKY,
    BLIND,
    BOTH,
    COND,
    FEED,
    NO_SOURCE,
    OPEN,
    REAL,
    SHAKY,
    STEAMING,
    WATCHED,
    BoilerRule,
    MeterRule,
    MeterSum,
    MixRule,
    Source,
)
from daemon.measure.figure import Figure, first_reason, whole_day
from daemon.measure.manual import latest
from daemon.measure.window import HOUR_MS, Sums
from daemon.water.balance import blowdown_of_feedwater, blowdown_of_steam, cycles, makeup_share

if TYPE_CHECKING:
    from daemon.measure.senses import BoilerCell, Senses

PURE_US_CM: Final = (
    50.0  # feedwater below it: ammonia and carbonic acid outweigh the salts (common practice, no source)
)
SHAKY_SHARE: Final = 0.1  # of the time on uncertain readings
UNSEEN_SHARE: Final = 0.05  # of the time unwatched, or with the valve not seen
SHARE_BEYOND: Final = 1.1  # of feedwater: more is no share of it
APART: Final = 0.1  # makeup and condensate nearer to each other than this share of makeup tell no mixture

FEEDWATER: Final = "feedwater"  # what tests of it are entered under
TESTS_APART_MS: Final = 24 * HOUR_MS
TESTS_LAST_MS: Final = 8 * 24 * HOUR_MS  # tests of a weekly round still count (common practice, no source)

_WRITTEN: Final = int(Reason.WRITTEN_FIGURE)
_CONTRADICT: Final = int(Reason.FIGURES_CONTRADICT)
_NOTHING: Final = int(Reason.NOTHING_FLOWED)
_SHAKY: Final = int(Reason.RESTS_ON_UNCERTAIN)

Found = tuple[float | None, int]


def boiler_figures(r: BoilerRule, sums: Sums, s: Senses, b: BoilerCell) -> list[Figure]:
    """Apparent cycles and both percentages of one boiler."""
    out: list[Figure] = []
    n, why = _cycles(r, sums, s, b) if r.tag_cycles >= 0 else (None, int(Reason.NOT_KNOWN_YET))
    if r.tag_cycles >= 0:
        out.append(Figure(r.tag_cycles, n, why))
    if r.by_test:
        n, why = _by_tests(r, s, n, why, out)
        out.append(Figure(r.tag_best, n, why))
    if r.tag_of_feedwater >= 0:
        of_feed, of_steam = _by_cycles(n, why) if r.plan.blow_by == "cycles" else _by_mass(r, sums)
        out += [Figure(r.tag_of_feedwater, *of_feed), Figure(r.tag_of_steam, *of_steam)]
    return out


def _by_tests(r: BoilerRule, s: Senses, n: float | None, why: int, out: list[Figure]) -> Found:
    """Cycles by each kind of test into `out`; those that count: the first fresh, else the apparent, else old ones."""
    found: list[Found] = []
    for what, tag in r.by_test:
        found.append(by_test(s, r.plan.name, what))
        out.append(Figure(tag, *found[-1]))
    for value, reason in found:
        if value is not None and not reason:
            return value, 0
    if n is not None:
        return n, first_reason(int(Reason.NO_FRESH_TEST), why)
    return next(((v, reason) for v, reason in found if v is not None), (None, int(Reason.NOT_KNOWN_YET)))


def by_test(s: Senses, boiler: str, what: str) -> Found:
    """Cycles by the last tests entered of a boiler and of its feedwater."""
    mine, feed = latest(s.results, boiler, what), latest(s.results, FEEDWATER, what)
    if mine is None or feed is None:
        return None, int(Reason.NOT_KNOWN_YET)
    if feed.value <= 0:
        return None, _CONTRADICT
    apart, old = abs(mine.taken_at - feed.taken_at), s.at - min(mine.taken_at, feed.taken_at)
    fresh = apart <= TESTS_APART_MS and old <= TESTS_LAST_MS
    return mine.value / feed.value, 0 if fresh else int(Reason.NO_FRESH_TEST)


def mean_of(source: Source, sums: Sums) -> float | None:
    """The conductivity of a water over the window, uS/cm; None where it was never read."""
    place, written = source
    if place < 0:
        return written if source != NO_SOURCE else None
    ms = sums.of(place)
    return sums.of(place + 1) / ms if ms > 0 else None


def kg_of(meters: tuple[MeterSum, ...], sums: Sums) -> float:
    """What passed through meters together over the window."""
    return sum(sums.of(m.base + 1) for m in meters)


def doubt_of(meters: tuple[MeterSum, ...], sums: Sums) -> int:
    """COUNTER_RESTARTED where a step of one of them was doubtful within the window."""
    return int(Reason.COUNTER_RESTARTED) if any(sums.of(m.base + 2) for m in meters) else 0


def feedwater_of(r: BoilerRule, sums: Sums) -> Found:
    """The feedwater's conductivity that cycles are reckoned with, and the reason it carries."""
    if r.plan.feedwater_by == "analogue":
        ms = sums.of(r.base + BOTH)
        return (sums.of(r.base + FEED) / ms, 0) if ms > 0 else (None, 0)
    if r.plan.feedwater_by == "figure":
        return mean_of(r.feedwater, sums), _WRITTEN
    makeup, condensate = mean_of(r.makeup, sums), mean_of(r.condensate, sums)
    if r.makeup_share is None or makeup is None or condensate is None:
        return None, 0
    into, all_of = (kg_of(m, sums) for m in r.makeup_share)
    if all_of <= 0:
        return None, _NOTHING
    share = min(1.0, into / all_of)
    why = _WRITTEN if -1 in (r.makeup[0], r.condensate[0]) else doubt_of(r.makeup_share[0] + r.makeup_share[1], sums)
    return share * makeup + (1 - share) * condensate, why


def steam_kg_h(r: BoilerRule, sums: Sums) -> float | None:
    """Steam while steaming: metered feedwater, taken as all steam but for what conductivity says is blown down."""
    hours = sums.of(r.base + STEAMING) / HOUR_MS
    feed, alone = kg_of(r.feed, sums), sums.of(r.base + ALONE)
    water, _ = feedwater_of(r, sums)
    if hours <= 0 or feed <= 0 or alone <= 0 or water is None:
        return None
    return feed / hours * max(0.0, 1 - water / (sums.of(r.base + ALONE_COND) / alone))


def _cycles(r: BoilerRule, sums: Sums, s: Senses, b: BoilerCell) -> Found:
    measured = r.plan.feedwater_by == "analogue"
    time, total, shaky = (BOTH, COND, SHAKY) if measured else (ALONE, ALONE_COND, ALONE_SHAKY)
    ms = sums.of(r.base + time)
    feed, why = feedwater_of(r, sums)
    if ms <= 0 or feed is None or feed <= 0:
        return None, _missing(r, s, b, why)
    unsure = sums.of(r.base + shaky) > SHAKY_SHARE * ms
    why = first_reason(
        int(Reason.FEEDWATER_PURE) if feed < PURE_US_CM else 0, why, _SHAKY if unsure else 0, whole_day(sums)
    )
    return cycles(sums.of(r.base + total) / ms, feed), why


def _missing(r: BoilerRule, s: Senses, b: BoilerCell, why: int) -> int:
    """Why there is nothing to reckon cycles from: the first bad reason on the way."""
    for reason in (why, s.reasons[r.feed_slot] if r.feed_slot >= 0 else 0):
        if reason and quality(reason) is Quality.BAD:
            return reason
    return int(Reason.NOT_KNOWN_YET) if b.sampler.value is None else _NOTHING


def _by_cycles(n: float | None, why: int) -> tuple[Found, Found]:
    if n is None:
        return (None, why), (None, why)
    if n <= 1:  # the boiler is no saltier than what goes in
        return (None, _CONTRADICT), (None, _CONTRADICT)
    return (100 * blowdown_of_feedwater(n), why), (100 * blowdown_of_steam(n), why)


def _by_mass(r: BoilerRule, sums: Sums) -> tuple[Found, Found]:
    watched, passed = sums.of(WATCHED), sums.of(REAL)
    if r.plan.blow_by == "meter":
        blown, why = kg_of(r.blown, sums), doubt_of(r.blown, sums)
    else:
        blown = (r.opening_kg_h * sums.of(r.base + OPEN) + r.bleed_kg_h * sums.of(r.base + STEAMING)) / HOUR_MS
        unseen = sums.of(r.base + BLIND) > UNSEEN_SHARE * watched or watched < (1 - UNSEEN_SHARE) * passed
        why = _SHAKY if unseen else _WRITTEN
    return _percentages(blown, kg_of(r.feed, sums), first_reason(why, doubt_of(r.feed, sums), whole_day(sums)))


def _percentages(blown: float, feed: float, why: int) -> tuple[Found, Found]:
    """Blowdown of feedwater and of steam, masses in kg."""
    if feed <= 0:
        return (None, _NOTHING), (None, _NOTHING)
    if blown >= feed:
        return (None, _CONTRADICT), (None, _CONTRADICT)
    return (100 * blown / feed, why), (100 * blown / (feed - blown), why)


def meter_figures(r: MeterRule, sums: Sums) -> list[Figure]:
    """A meter against all the feedwater of the boilers it serves."""
    mine, feed = kg_of((r.meter,), sums), kg_of(r.feed, sums)
    short = whole_day(sums)
    why = first_reason(doubt_of((r.meter, *r.feed), sums), short)
    first, second = r.tags
    if r.plan.measures == "blowdown":
        of_feed, of_steam = _percentages(mine, feed, why)
        return [Figure(first, *of_feed), Figure(second, *of_steam)]
    share: float | None = None
    if feed <= 0:
        why = _NOTHING
    elif mine > SHARE_BEYOND * feed and not short:  # a tank that fills makes up for more than a day's share at first
        why = _CONTRADICT
    else:
        share = 100 * mine / feed
    out = [Figure(first, share, why)]
    if second >= 0:
        out.append(Figure(second, None if share is None else 100 - share, why))
    return out


def mix_figure(r: MixRule, sums: Sums) -> Figure:
    """The share of makeup in feedwater from three conductivities."""
    feed, makeup, condensate = (mean_of(x, sums) for x in (r.feedwater, r.makeup, r.condensate))
    if feed is None or makeup is None or condensate is None:
        return Figure(r.tag, None, int(Reason.NOT_KNOWN_YET))
    if abs(makeup - condensate) < APART * makeup:
        return Figure(r.tag, None, _CONTRADICT)
    share = makeup_share(feed, condensate, makeup)
    if not 1 - SHARE_BEYOND <= share <= SHARE_BEYOND:
        return Figure(r.tag, None, _CONTRADICT)
    written = _WRITTEN if -1 in (r.makeup[0], r.condensate[0]) else 0
    return Figure(r.tag, 100 * min(max(share, 0.0), 1.0), first_reason(written, whole_day(sums)))
