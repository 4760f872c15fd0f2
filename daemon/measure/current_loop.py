"""Counts of a 4-20 mA input to milliamperes, a verdict on the loop, and engineering units.

Lives here: the two straight lines (module's span, transmitter's range) and the verdict of NAMUR NE 43.
Pure: same input, same output. May import: config, daemon.core. A new input shape is a new file beside this one, as
`printed` is for the numbers of text instruments; `to_reading` and `line` are the way to it.

The limits 3.6 and 21 mA themselves count as failures; between the measuring band (3.8 to 20.5 mA) and the failures
the reading is uncertain (common practice). A range that starts below 3.8 mA ("0..20 mA") has no live zero: a broken
wire cannot be told from zero there, and the two low verdicts do not apply.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from config.model import Range, Span
from daemon.core.reading import Reading, reading
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.scan import Count
from daemon.core.tags import RawTag
from daemon.measure import printed

OPEN_MA: Final = 3.6
LOWEST_MA: Final = 3.8
HIGHEST_MA: Final = 20.5
SHORT_MA: Final = 21.0
END_TOLERANCE_MA: Final = 0.01  # a signal within this of an end of its range rests there
END_TOLERANCE_COUNTS: Final = 1.5


def milliamps(count: Count, span: Span | None) -> float:
    """The loop current in mA; without a span the count is the current in mA itself."""
    if span is None:
        return float(count)
    return span.low_ma + (count - span.low_count) * _ma_gain(span)


def loop_reason(ma: float, live_zero: bool = True) -> Reason:
    """What NAMUR NE 43 says of a current: GOOD, or LOOP_OPEN, LOOP_SHORT, UNDER_RANGE, OVER_RANGE."""
    if live_zero:
        if ma <= OPEN_MA:
            return Reason.LOOP_OPEN
        if ma < LOWEST_MA:
            return Reason.UNDER_RANGE
    if ma >= SHORT_MA:
        return Reason.LOOP_SHORT
    return Reason.OVER_RANGE if ma > HIGHEST_MA else Reason.GOOD


def along(ma: float, r: Range) -> float:
    """The value in the base unit of the range that a current in mA stands for; beyond the ends it goes on straight."""
    return r.low + (ma - r.low_ma) * ((r.high - r.low) / (r.high_ma - r.low_ma))


def to_reading(count: Count | None, tag: RawTag, at_ms: int, fault: int = 0) -> Reading:
    """One raw count as a reading. Never raises for a bad signal: a failed loop has no value, but its reason.

    `count` None: there is no answer, and `fault` (a Reason number) says why. Without a range the value is the
    current in mA.
    """
    unit = tag.unit if tag.range else "mA"
    if count is None:
        return reading(tag.name, None, unit, fault or Reason.NO_ANSWER, at_ms)
    if tag.range is not None and tag.range.direct:
        zero, low, gain = printed.straight(tag.range)
        return reading(tag.name, low + (count - zero) * gain, unit, printed.reason(count, tag.range), at_ms)
    why = loop_reason(milliamps(count, tag.span), has_live_zero(tag.range))
    if quality(why) is Quality.BAD:
        return reading(tag.name, None, unit, why, at_ms)
    zero, low, gain = _straight(tag.span, tag.range)
    return reading(tag.name, low + (count - zero) * gain, unit, why, at_ms)


def has_live_zero(r: Range | None) -> bool:
    """True when the lowest current of a range says that the wire is whole."""
    return r is None or min(r.low_ma, r.high_ma) >= LOWEST_MA


@dataclass(frozen=True, slots=True)
class Line:
    """All of a signal's arithmetic made ready for a loop over samples: the same results as `to_reading`.

    A count between `good_min` and `good_max` (both included) has no loop fault. `resolution` is one count in the
    unit of the value, 0 for a module that gives fractions.
    """

    unit: str
    low_count: float
    low_ma: float
    ma_gain: float  # mA a count
    zero: float  # the count that stands for `low`
    low: float
    gain: float  # value a count
    good_min: float
    good_max: float
    live_zero: bool
    bottom_ma: float  # ends of the range and how near to them a signal rests there
    top_ma: float
    tolerance_ma: float
    resolution: float
    printed: bool = False  # a text instrument's number: no current, and no end of a range where a signal rests

    def ma(self, count: Count) -> float:
        """The current in mA; of a printed number the number itself."""
        return self.low_ma + (count - self.low_count) * self.ma_gain

    def value(self, count: Count) -> float:
        """The value in `unit`, whatever the loop's verdict."""
        return self.low + (count - self.zero) * self.gain

    def reason(self, count: Count) -> int:
        """The verdict of `loop_reason` as a number; 0 is good."""
        if self.good_min <= count <= self.good_max:
            return 0
        if self.printed:
            return int(Reason.BELOW_RANGE if count < self.good_min else Reason.ABOVE_RANGE)
        return int(loop_reason(self.ma(count), self.live_zero))

    def at_low_end(self, ma: float) -> bool:
        """True when a current rests at the low end of the range (4.00 mA within resolution) or is below it."""
        return ma <= self.bottom_ma + self.tolerance_ma

    def at_high_end(self, ma: float) -> bool:
        """True when a current rests at the high end of the range (20.00 mA within resolution) or is above it."""
        return ma >= self.top_ma - self.tolerance_ma


def line(tag: RawTag) -> Line:
    """The line of an analogue tag. Without a range the value is the current in mA and the ends are 4 and 20 mA."""
    span, r = tag.span, tag.range
    if r is not None and r.direct:
        return _printed(tag.unit, r)
    zero, low, gain = _straight(span, r)
    ma_gain = _ma_gain(span) if span else 1.0
    live = has_live_zero(r)
    good = _good_counts(lambda count: loop_reason(milliamps(count, span), live) is Reason.GOOD, span)
    ends = (r.low_ma, r.high_ma) if r else (4.0, 20.0)
    whole = tag.whole and span is not None
    return Line(
        unit=tag.unit if r else "mA",
        low_count=span.low_count if span else 0.0,
        low_ma=span.low_ma if span else 0.0,
        ma_gain=ma_gain,
        zero=zero,
        low=low,
        gain=gain,
        good_min=good[0],
        good_max=good[1],
        live_zero=live,
        bottom_ma=min(ends),
        top_ma=max(ends),
        tolerance_ma=max(END_TOLERANCE_COUNTS * abs(ma_gain), END_TOLERANCE_MA) if whole else END_TOLERANCE_MA,
        resolution=abs(gain) if whole else 0.0,
    )


def _printed(unit: str, r: Range) -> Line:
    zero, low, gain = printed.straight(r)
    good_min, good_max = printed.ends(r)
    return Line(
        unit=unit,
        low_count=0.0,
        low_ma=0.0,
        ma_gain=1.0,
        zero=zero,
        low=low,
        gain=gain,
        good_min=good_min,
        good_max=good_max,
        live_zero=False,
        bottom_ma=-math.inf,
        top_ma=math.inf,
        tolerance_ma=0.0,
        resolution=0.0,
        printed=True,
    )


def _ma_gain(span: Span) -> float:
    return (span.high_ma - span.low_ma) / (span.high_count - span.low_count)


def _straight(span: Span | None, r: Range | None) -> tuple[float, float, float]:
    """(count at the low end, value there, value a count): one step from counts to the value."""
    per_count = _ma_gain(span) if span else 1.0
    count0, ma0 = (span.low_count, span.low_ma) if span else (0.0, 0.0)
    if r is None:
        return count0, ma0, per_count
    return count0 + (r.low_ma - ma0) / per_count, r.low, (r.high - r.low) / (r.high_ma - r.low_ma) * per_count


def _good_counts(good: Callable[[float], bool], span: Span | None) -> tuple[float, float]:
    """The lowest and the highest count with a sound loop, to the last bit; infinite where no limit applies."""

    def at(ma: float) -> float:
        return ma if span is None else span.low_count + (ma - span.low_ma) / _ma_gain(span)

    def last(inside: float, outside: float) -> float:
        if good(outside):
            return math.copysign(math.inf, outside - inside)
        while (mid := (inside + outside) / 2) not in (inside, outside):
            if good(mid):
                inside = mid
            else:
                outside = mid
        return inside

    low, high = sorted((last(at(12.0), at(-1e3)), last(at(12.0), at(1e3))))
    return low, high
