"""Round numbers and round times for axes. Pure. May import nothing of ours."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_MINUTES: Final = (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 4320, 7200, 10080, 20160, 43200)


def bounds(low: float, high: float, most: int = 5) -> tuple[float, float, float]:
    """A lowest value, a highest and a step, all round, that hold `low` to `high` in at most `most` steps."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0, 1.0
    if high < low:
        low, high = high, low
    if high - low < 1e-9 * max(1.0, abs(high)):
        pad = max(abs(high) * 0.05, 0.5)
        low, high = low - pad, high + pad
    size = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (s * size * f for f in (1.0, 10.0) for s in _STEPS):
        first, last = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
        if round((last - first) / step) <= most:
            return first, last, step
    return low, high, high - low


def ticks(first: float, last: float, step: float) -> list[float]:
    """The values of `bounds`, both ends included."""
    n = round((last - first) / step)
    return [first + i * step for i in range(n + 1)]


def number(value: float, step: float, thousands: bool) -> str:
    """A tick as text, with as many decimals as the step has."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    if step > 0 and abs(round(step, decimals) - step) > 1e-9 * step:  # 2.5
        decimals += 1
    text = f"{value:,.{decimals}f}" if thousands else f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text.replace(",", "")) == 0 else text


def times(from_ms: int, to_ms: int, zone: tzinfo, most: int = 6) -> list[tuple[int, str]]:
    """Round local times between two instants with their text: "03:00", and the day where it is midnight.

    Found hour by hour on the plant's clock, so that the nights on which it changes have their true distances.
    """
    minutes = next((m for m in _MINUTES if (to_ms - from_ms) / 60000 / m <= most), _MINUTES[-1])
    start = datetime.fromtimestamp(from_ms / 1000, UTC).astimezone(zone)
    out: list[tuple[int, str]] = []
    if minutes >= 1440:
        day = start.replace(hour=0, minute=0, second=0, microsecond=0)
        step = timedelta(days=minutes // 1440)
        while (at := _ms(day)) <= to_ms:
            if at >= from_ms:
                out.append((at, f"{day.day} {day:%b}"))
            day += step
        return out
    at = from_ms // 300_000 * 300_000
    while at <= to_ms:
        local = datetime.fromtimestamp(at / 1000, UTC).astimezone(zone)
        if at >= from_ms and (local.hour * 60 + local.minute) % minutes == 0:
            text = f"{local:%H:%M}"
            if not out or out[-1][1] != text:  # the hour that comes twice is labelled once
                out.append((at, text))
        at += 300_000
    return out


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)
