"""What each condition looks at, in words. May import: as `explain`."""

from __future__ import annotations

import inspect
from typing import Final

from daemon.alarms.condition import Alarm

JUDGED: Final = {
    "Limit": "the representative conductivity against the limit, once for each new reading",
    "NoSample": "time steaming since the last representative reading, against three intervals of samples and ten "
    "minutes at least",
    "LoopFault": "the probe's current, by the limits of NAMUR NE 43",
    "ProbeOpen": "the signal rests at the bottom of its range while sample flows and the boiler steams",
    "AnalogueLimit": "the signal's value against its limit, at every poll; a bad reading says nothing",
    "RateLimit": "the slope of the signal's average against its limit, at every poll; a bad reading says nothing",
    "LowWater": "the contact, debounced, at every poll, last read on too; only what is seen to be a declared test of "
    "the cut-off is held back, for its stated time",
    "BurnerFiresOn": "the burner's contact while the low water contact is on, against the time a burner may take",
    "TestNotSeen": "time since the burner last went out at a low water contact, against the plant's own interval",
    "ContactSays": "the contact, debounced, at every poll; one that cannot be read says nothing, but a water level "
    "contact last read on stays on",
    "InterlockOpen": "the limit circuit is open, or the burner has been silent for so long that the boiler is off",
    "OverTime": "how long the valve has been open, against the longest a blow may last",
    "StuckShut": "commanded open, and neither an end switch nor the fall of conductivity shows that it opened",
    "StuckOpen": "commanded shut, and an end switch or the fall of conductivity shows that it still passes",
    "Verdict": "the signal of flowing sample against its own history, at every poll; a held signal is not judged",
    "Fouling": "the line through the comparisons with hand samples since the probe was new or cleaned, once an hour",
    "Stepped": "a jump further than the boiler's water can make it, that stayed; a calibration on record explains it",
    "SwitchesDisagree": "the two end switches against each other",
    "SlowValve": "the mean of the last five strokes against the valve's first ones and the stated travel, and what the "
    "last blows did to conductivity against the first",
    "LeakByHeat": "how warm the sample line still is late in a pause with the valve commanded shut, against its "
    "first pauses",
    "LeakByMeter": "what the blowdown meter passes in an hour with every valve commanded shut, against what is usual",
    "ControllerIdle": "time the wall controller has been in hand, has taken no sample, or has not blown above its set "
    "point while the boiler steams",
    "BlowdownWhileOff": "the valve's command and end switches while the boiler is off or in hot standby",
    "FeedWhileOff": "how long the pump has run since every boiler it serves stands",
    "TankLevel": "the tank's level against its limit in % of the full level, once a minute; a bad reading says nothing",
    "NotAsPaced": "the last judgement on the pump's pacing, once a minute; what was not watched is not judged",
    "Overrun": "how long the pump's contact has been on without a break, once a minute",
    "RunsWhileOff": "what the meter passes in a quarter of an hour (or on_delay), every boiler it serves off for an "
    "hour",
    "QualityChanged": "the last minutes of the feedwater's conductivity against the band of its last week, once a "
    "minute while a boiler steams",
    "ShortCycling": "burner starts (or openings of the limit circuit where no burner is wired) within a window",
    "ModuleSilent": "no usable answer in polls one after another, while its link is up",
    "LinkDown": "no connection, for every module on the link",
    "CalibrationDue": "time since the probe was last compared with a reference, against the plant's own interval",
    "Reported": "what the service reports of itself",
}


def judged(alarm: Alarm) -> str:
    """What an alarm's condition looks at; of one not yet in the list, what its own text says."""
    condition = type(alarm.condition)
    own = " ".join((inspect.getdoc(condition) or "").split()).replace("`", "")
    return JUDGED.get(condition.__name__, own)
