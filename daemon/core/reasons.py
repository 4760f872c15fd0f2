"""Quality of a reading and the one list of reasons for it.

Quality words are those of OPC UA: good, uncertain, bad. A verdict is stored as the number of its reason, one byte a
channel, so numbers are never reused. 1..28 are the faults of `drivers.contract.Fault`, same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, IntEnum
from typing import Final


class Quality(Enum):
    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Reason(IntEnum):
    """Why a reading is not plainly good; GOOD is 0."""

    GOOD = 0
    NO_ANSWER = 1
    LINK_DOWN = 2
    BAD_ANSWER = 3
    NOT_A_NUMBER = 4
    NOT_POLLED = 5
    STOPPING = 6
    NOT_AVAILABLE = 7
    NOT_ASKED = 8
    CUT_OFF = 9
    COUNTS_LOST = 10  # in a total: what a register held that reading clears never arrived
    REFUSED_1 = 17
    REFUSED_2 = 18
    REFUSED_3 = 19
    REFUSED_4 = 20
    REFUSED_5 = 21
    REFUSED_6 = 22
    REFUSED_7 = 23
    REFUSED_8 = 24
    REFUSED_9 = 25
    REFUSED_10 = 26
    REFUSED_11 = 27
    REFUSED_OTHER = 28
    LOOP_OPEN = 40  # 3.6 mA or less
    LOOP_SHORT = 41  # 21 mA or more
    UNDER_RANGE = 42  # between 3.6 and 3.8 mA
    OVER_RANGE = 43  # between 20.5 and 21 mA
    RANGE_LOW_END = 44  # rests at 4.00 mA while sample flows
    RANGE_HIGH_END = 45  # rests at 20.00 mA: at least this
    BELOW_RANGE = 46  # a printed number, more than 2 % of span below its range
    ABOVE_RANGE = 47
    NOT_SAMPLING = 50  # the valve is shut: stagnant water, or the last value held
    FLUSHING = 51
    SETTLING = 52
    INFERRED = 53  # sample flow is inferred, not wired
    STANDBY = 54
    BOILER_OFF = 55
    NOT_YET_SAMPLED = 56  # steaming, but no sample since
    OUT_OF_SERVICE = 57
    CALIBRATING = 58
    STEAM_AT_PROBE = 59
    VALUE_STUCK = 60
    CUT_SHORT = 61  # the last opening was too short for a sample
    NOT_SETTLED = 62  # the sample was still moving
    SHARED_SAMPLE = 63  # two boilers' sample valves are open at one probe
    SAMPLE_TOO_HOT = 64  # a cooled sample above its limit
    NOISY = 65  # noise grown beyond the signal's own history
    IMPOSSIBLE_RATE = 66  # faster than boiler water can change
    SAMPLE_COLD = 67  # sample is said to flow, and the probe is cold
    ABOVE_BOILING = 68  # of a probe's temperature: hotter than the boiler
    COUNTER_RESTARTED = 70
    COUNTER_STEP_REFUSED = 71
    FEW_PULSES = 72
    BELOW_MINIMUM_FLOW = 73
    METER_STUTTER = 74
    COUNTER_RAN_BACK = 75
    DAY_NOT_WHOLE = 76
    DAY_SHARED = 77  # pulses of a gap over midnight, shared by time
    LEVEL_OUTSIDE = 78  # of a tank: below its bottom or above its top
    NOT_COMPENSATED = 80  # wants a temperature that is not there
    FEEDWATER_PURE = 81  # under 50 uS/cm: cycles by conductivity say little
    LESS_THAN_A_DAY = 87  # the window is not full yet
    NOMINAL_RATE = 88  # a rate without a dated draw-down test
    WRITTEN_FIGURE = 89  # worked out with a figure of the plant file
    NOT_KNOWN_YET = 90  # nothing read since start
    NOTHING_FLOWED = 91  # nothing to divide by
    RESTS_ON_UNCERTAIN = 92
    FIGURES_CONTRADICT = 93
    NO_FRESH_TEST = 94  # entered results are old, far apart, or stood in for
    NOT_JUDGED_YET = 95
    COMPENSATION_STRETCHED = 96
    COMPENSATION_ENDS = 97
    NOT_AT_25 = 98  # nobody compensates, and no correction made in place is in force


_TEXT: Final[Mapping[int, tuple[Quality, str]]] = {
    0: (Quality.GOOD, "good"),
    1: (Quality.BAD, "no answer"),
    2: (Quality.BAD, "link down"),
    3: (Quality.BAD, "answer not usable"),
    4: (Quality.BAD, "not a number"),
    5: (Quality.BAD, "no answer (next try later)"),
    6: (Quality.BAD, "service stopping"),
    7: (Quality.BAD, "module says: not available"),
    8: (Quality.BAD, "not asked this time"),
    9: (Quality.BAD, "cut off before the answer came"),
    10: (Quality.UNCERTAIN, "counts may be lost: at least this"),
    17: (Quality.BAD, "module refused (code 1: no such function)"),
    18: (Quality.BAD, "module refused (code 2: no such register)"),
    19: (Quality.BAD, "module refused (code 3: not that many registers)"),
    20: (Quality.BAD, "module refused (code 4: device failure)"),
    21: (Quality.BAD, "module refused (code 5: still working)"),
    22: (Quality.BAD, "module refused (code 6: busy)"),
    23: (Quality.BAD, "module refused (code 7: negative acknowledge)"),
    24: (Quality.BAD, "module refused (code 8: memory parity)"),
    25: (Quality.BAD, "module refused (code 9)"),
    26: (Quality.BAD, "gateway refused (code 10: no path)"),
    27: (Quality.BAD, "gateway refused (code 11: module gave it no answer)"),
    28: (Quality.BAD, "module refused (unlisted code)"),
    40: (Quality.BAD, "loop open (3.6 mA or less)"),
    41: (Quality.BAD, "loop short (21 mA or more)"),
    42: (Quality.UNCERTAIN, "under range (3.6 to 3.8 mA)"),
    43: (Quality.UNCERTAIN, "over range (20.5 to 21 mA)"),
    44: (Quality.BAD, "rests at the bottom of its range"),
    45: (Quality.UNCERTAIN, "rests at the top of its range: at least this"),
    46: (Quality.UNCERTAIN, "below its range"),
    47: (Quality.UNCERTAIN, "above its range"),
    50: (Quality.UNCERTAIN, "not sampling"),
    51: (Quality.UNCERTAIN, "flushing"),
    52: (Quality.UNCERTAIN, "settling"),
    53: (Quality.UNCERTAIN, "sample flow inferred, not wired"),
    54: (Quality.UNCERTAIN, "standby"),
    55: (Quality.UNCERTAIN, "boiler off"),
    56: (Quality.UNCERTAIN, "no sample since steaming"),
    57: (Quality.BAD, "out of service"),
    58: (Quality.UNCERTAIN, "calibrating"),
    59: (Quality.BAD, "steam at the probe"),
    60: (Quality.BAD, "value stuck"),
    61: (Quality.UNCERTAIN, "sample cut short"),
    62: (Quality.UNCERTAIN, "sample not settled: still moving"),
    63: (Quality.BAD, "two boilers' sample valves open at once"),
    64: (Quality.BAD, "sample hotter than its limit"),
    65: (Quality.UNCERTAIN, "noisier than its own history"),
    66: (Quality.UNCERTAIN, "changed faster than boiler water can"),
    67: (Quality.BAD, "probe too cold for flowing sample"),
    68: (Quality.BAD, "hotter than water boils at this pressure"),
    70: (Quality.UNCERTAIN, "counter restarted: the gap is not known"),
    71: (Quality.BAD, "counter step refused"),
    72: (Quality.UNCERTAIN, "few pulses: the rate is rough"),
    73: (Quality.UNCERTAIN, "below the meter's least flow"),
    74: (Quality.UNCERTAIN, "more pulses than the meter can pass: not counted"),
    75: (Quality.UNCERTAIN, "counter ran back: that is made up first"),
    76: (Quality.UNCERTAIN, "day not seen whole: at least this"),
    77: (Quality.UNCERTAIN, "a gap over midnight is shared by time"),
    78: (Quality.UNCERTAIN, "level beyond the tank: at its end"),
    80: (Quality.BAD, "not compensated: no probe temperature"),
    81: (Quality.UNCERTAIN, "feedwater below 50 uS/cm: cycles by conductivity say little"),
    87: (Quality.UNCERTAIN, "less than a day watched"),
    88: (Quality.UNCERTAIN, "nominal: no dated draw-down test"),
    89: (Quality.UNCERTAIN, "worked out with a figure of the plant file"),
    90: (Quality.BAD, "nothing read yet"),
    91: (Quality.BAD, "nothing flowed in the time"),
    92: (Quality.UNCERTAIN, "rests on uncertain readings"),
    93: (Quality.BAD, "the figures contradict each other"),
    94: (Quality.UNCERTAIN, "no fresh test of boiler and feedwater"),
    95: (Quality.UNCERTAIN, "not seen long enough to judge"),
    96: (Quality.UNCERTAIN, "compensated outside the range it is trusted in"),
    97: (Quality.BAD, "not compensated: the probe is too hot for the natural-water curve"),
    98: (Quality.UNCERTAIN, "not compensated: at the temperature of the probe"),
}

QUALITY: Final[Mapping[int, Quality]] = {k: v[0] for k, v in _TEXT.items()}
WORDS: Final[Mapping[int, str]] = {k: v[1] for k, v in _TEXT.items()}


def quality(reason: int) -> Quality:
    """The quality a reason stands for."""
    return QUALITY[reason]


def words(reason: int) -> str:
    """A reason in the words used on screens, in mails and exports."""
    return WORDS[reason]
