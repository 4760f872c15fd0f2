"""What no text for people may say: used over the alarm table and over every mail.

Three nets, from coarse to fine:
1. words of comfort ("safe", "harmless", "can wait") are refused wherever they stand;
2. words of dangerous deeds ("reset", "bypass", "isolate", "add water" ...) are refused wherever they stand, unless
   they are part of one of the few known phrases in KNOWN, each a caution or a plain cause;
3. everyday words that are a deed only when told to somebody ("open", "shut", "start" ...) are refused where they
   stand as an instruction: at the start of a clause or after "to", "please", "then", "must" and the like, with
   something to do it to behind them ("Open the valve" but not "open", "valve open", "drain and vent").
"""

from __future__ import annotations

import re

COMFORT = (
    r"\b(safe|safely|safer|unsafe|harmless|unimportant|trivial|nuisance|reassuring)\b",
    r"\b(can|could|may|might) wait\b",
    r"\bwait (until|till|for) (the )?(morning|monday|day)",
    r"\bno (danger|risk|hazard|hurry|rush|concern|harm|urgency|need)\b",
    r"\bnot (dangerous|urgent|serious|critical|necessary|a problem|a danger)",
    r"\b(do not|don't|nothing to) (worry|fear)|\bnever mind|\bnothing to do\b|\bignor(e|ed|ing)\b",
    r"\ball is well|\brest assured|\bgo back to sleep|\bfalse alarm|\b(only|just) an? (alarm|warning)",
)
DEEDS = (
    r"\bre-?set",
    r"\bby-?pass",
    r"\bisolat",
    r"\badd(ing|s|ed)? (some |more |cold |fresh )*(water|feedwater|makeup)",
    r"\b(jumper|defeat|overrid|disabl|disconnect|unplug|relight|re-?fire|unscrew|loosen|tighten)",
    r"\b(bridge|silence|touch|feel)\b",
    r"\btop(ping)? up",
    r"\brefill (the|a) boiler",
)
TOLD = (
    "open|close|shut|start|stop|restart|switch|turn|press|push|pull|add|fill|refill|drain|bleed|vent|clear|clean|"
    "blow|fire|ignite|raise|lower|increase|reduce|throttle|replace|remove|repair|adjust|disable|put|set|force"
)
OBJECT = "the|a|an|it|its|this|that|them|all|both|every|up|off|on|down|water|feedwater|slowly|gently|some|more"
KNOWN = (
    "never isolate a low-water cut-off to quiet an alarm",
    "never add water to a hot boiler",
    "opened by hand or bypass",
    "a hand valve or bypass left passing",
    "cut-off bypassed or its wiring changed",
    "put aside",
)
_COMFORT = [re.compile(p, re.IGNORECASE) for p in COMFORT]
_DEEDS = [re.compile(p, re.IGNORECASE) for p in DEEDS]
_TOLD = [
    re.compile(rf"(?:^|[.;:!?]\s+|\b(?:to|please|then|must|should|shall|can|may|now)\s+)(?:{TOLD})\s+(?!or\b)\w", re.I),
    re.compile(rf"(?:[,(]\s*|\b(?:and|or)\s+)(?:{TOLD})\s+(?:{OBJECT})\b", re.I),
]
_KNOWN = [re.compile(p, re.IGNORECASE) for p in KNOWN]


def forbidden(text: str) -> list[str]:
    """Everything in `text` that may not be said, with some of its surroundings; empty when it may be sent.

    Line breaks inside a paragraph are taken as spaces, empty lines as the end of a sentence.
    """
    found: list[str] = []
    for paragraph in re.split(r"\n\s*\n", text):
        flat = " ".join(paragraph.split())
        found += [_around(flat, m) for p in _COMFORT for m in p.finditer(flat)]
        for known in _KNOWN:
            flat = known.sub("(known)", flat)
        found += [_around(flat, m) for p in (*_DEEDS, *_TOLD) for m in p.finditer(flat)]
    return found


def _around(text: str, m: re.Match[str]) -> str:
    return f"{m[0].strip()!r} in {text[max(0, m.start() - 30) : m.end() + 30]!r}"
