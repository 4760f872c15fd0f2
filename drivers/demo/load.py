"""How much steam the creamery wants: shifts, wash cycles, the weekend.

Pure: minutes since Monday 00:00 local time to a share of the largest ordinary load.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

STEAM_FULL: Final = 2.40  # kg/s at share 1: 19 000 lb/h for both boilers together

# hour of the day, share; straight lines between
WEEKDAY: Final = (
    (0.0, 0.30),
    (4.0, 0.30),
    (5.0, 0.55),  # heating up
    (6.0, 0.80),  # first shift
    (7.0, 0.84),
    (9.0, 0.88),
    (11.5, 0.85),
    (12.25, 0.70),  # lunch
    (13.0, 0.85),
    (14.0, 0.74),  # change of shift
    (15.0, 0.84),
    (19.0, 0.76),
    (21.0, 0.66),
    (22.5, 0.50),
    (23.5, 0.32),
    (24.0, 0.30),
)
SATURDAY: Final = ((0.0, 0.30), (5.0, 0.35), (6.0, 0.60), (13.0, 0.58), (14.5, 0.30), (24.0, 0.25))
SUNDAY: Final = ((0.0, 0.25), (8.0, 0.25), (9.0, 0.32), (11.0, 0.32), (12.0, 0.25), (24.0, 0.28))

# from hour, to hour: within them a wash cycle takes 12 of every 40 minutes
WASHES: Final = ((5.0, 6.0), (13.3, 15.3), (21.0, 23.3))
WASH_SHARE: Final = 0.10
_MINUTES_PER_DAY: Final = 1440.0


def steam_share(minute_of_week: float) -> float:
    """The load as a share of `STEAM_FULL`, without noise."""
    day, minute = divmod(minute_of_week % (7 * _MINUTES_PER_DAY), _MINUTES_PER_DAY)
    hour = minute / 60.0
    table = WEEKDAY if day < 5 else SATURDAY if day < 6 else SUNDAY
    at = bisect_right(table, hour, key=lambda row: row[0])
    (h0, s0), (h1, s1) = table[at - 1], table[min(at, len(table) - 1)]
    share = s0 if h1 == h0 else s0 + (s1 - s0) * (hour - h0) / (h1 - h0)
    washing = any(a <= hour < b for a, b in WASHES) and minute % 40.0 < 12.0
    return share + (WASH_SHARE if washing and day < 6 else 0.0)


def condensate_share(minute_of_week: float) -> float:
    """The share of the steam that comes back: less when steam goes into wash water."""
    minute = minute_of_week % _MINUTES_PER_DAY
    return 0.46 if any(a <= minute / 60.0 < b for a, b in WASHES) else 0.55
