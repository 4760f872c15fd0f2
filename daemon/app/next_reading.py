"""What the running service is asked for at a calibration: the next representative reading, and the probe as it is now.

Long acts stream progress. Waiting is by plant time, and ends where no reading can be expected any more. May import:
daemon.core, daemon.engine, daemon.measure, daemon.app.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from statistics import median
from typing import Any, Final

from daemon.app.letterbox import ActRefused, Progress
from daemon.core.outcome import GroupOutcome
from daemon.core.reasons import words
from daemon.core.say import minutes
from daemon.core.scan import Group
from daemon.core.tags import STATES
from daemon.engine import State
from daemon.measure.boiler_state import STEAMING
from daemon.measure.correction import at_25, factors
from daemon.measure.sampling import interval_ms
from daemon.measure.senses import BoilerCell, Senses, good_value
from daemon.measure.wiring import BoilerWiring

Listen = Callable[[Callable[[Group, GroupOutcome], None]], Callable[[], None]]
Seen = tuple[Group, State]

TOGETHER: Final = 3  # readings in a row that make one
SLACK_MS: Final = 5 * 60_000
UNKNOWN_MS: Final = 60 * 60_000  # waited where the interval of samples is neither stated nor learned


def boiler_of(state: State | None, name: str) -> tuple[Senses, BoilerCell, BoilerWiring]:
    """The boiler called `name` with its probe; ActRefused when there is none."""
    if state is None:
        raise ActRefused("nothing has been polled yet.", "", "Ask again after the first poll.")
    senses = state.cells.senses
    for b, w in zip(senses.boilers, state.programme.wiring.boilers, strict=True):
        if w.name == name and w.probe >= 0:
            return senses, b, w
    known = ", ".join(w.name for w in state.programme.wiring.boilers if w.probe >= 0) or "none"
    raise ActRefused(f"there is no boiler {name!r} with a conductivity probe.", "boiler", f"There are: {known}.")


def longest_ms(b: BoilerCell, w: BoilerWiring) -> int:
    """How long the next representative reading may take, plant time."""
    rule = w.sample_rule
    if rule.arrangement in ("continuous", "side-stream"):
        return rule.flush_ms + SLACK_MS
    every = interval_ms(b.sampler, rule) or UNKNOWN_MS
    return every * 5 // 4 + 3 * rule.flush_ms + rule.settle_ms + rule.travel_ms + SLACK_MS


async def next_reading(state_of: Callable[[], State | None], listen: Listen, name: str, progress: Progress) -> Any:
    """The next representative reading of a boiler, the middle of up to three in a row, and the one before it.

    ActRefused when the boiler does not steam, has no sample line, or none came within its time.
    """
    _, b, w = boiler_of(state_of(), name)
    if w.sample_rule.arrangement == "none":
        raise ActRefused(
            f"{name} has no sample line (arrangement none): no reading stands for its water.", "", "Use --at-wall."
        )
    before = b.sampler.value if b.sampler.this_run else None
    before_ms = b.sampler.at_ms
    longest, begun, got, last = longest_ms(b, w), -1, list[tuple[float, float, int]](), 0
    news: asyncio.Queue[Seen] = asyncio.Queue()
    forget = listen(_into(news, state_of))
    try:
        while True:
            group, state = await news.get()
            _, b, w = boiler_of(state, name)
            begun = group.elapsed_ms if begun < 0 else begun
            waited = group.elapsed_ms - begun
            if b.state.state != STEAMING:
                raise ActRefused(
                    f"{name} is {STATES[b.state.state]}: no sample stands for its water now.",
                    "",
                    "Grab and enter again while it steams.",
                )
            if b.sampler.fresh and b.sampler.value is not None:
                value, last = b.sampler.value, group.at_ms
                got.append((value, factors(b.correction).undo(value), b.sampler.reason))
            if got and (len(got) >= TOGETHER or not b.sampler.fresh):
                return {
                    "value": median(g[0] for g in got),
                    "probe": median(g[1] for g in got),
                    "readings": len(got),
                    "reason": max(g[2] for g in got),
                    "at_ms": last,
                    "before": before,
                    "before_ms": before_ms,
                }
            if waited > longest:
                raise ActRefused(
                    f"no representative reading of {name} within {minutes(longest)} of plant time.",
                    f"The probe: {words(state.cells.senses.reasons[w.probe])}.",
                    "Look at the sample line and the valve; a grab already taken may be entered with --at.",
                )
            await progress({"words": _words(b, state, w), "waited_ms": waited, "longest_ms": longest})
    finally:
        forget()


def _words(b: BoilerCell, state: State, w: BoilerWiring) -> str:
    valve = {1: "valve open", 0: "valve shut"}.get(b.valve, "")
    return ", ".join(filter(None, (valve, words(state.cells.senses.reasons[w.probe]))))


def _into(news: asyncio.Queue[Seen], state_of: Callable[[], State | None]) -> Callable[[Group, GroupOutcome], None]:
    def look(group: Group, outcome: GroupOutcome) -> None:
        state = state_of()
        if state is not None:
            news.put_nowait((group, state))

    return look


async def probe_now(state_of: Callable[[], State | None], listen: Listen, name: str) -> Any:
    """The probe at its next poll: what the loop says, and that at 25 °C without any correction."""
    boiler_of(state_of(), name)
    news: asyncio.Queue[Seen] = asyncio.Queue()
    forget = listen(_into(news, state_of))
    try:
        while True:
            group, state = await news.get()
            s, b, w = boiler_of(state, name)
            count = next((x.counts[w.probe_at[1]] for x in group.scans if x.module == w.probe_at[0]), None)
            if not any(x.module == w.probe_at[0] for x in group.scans):
                continue
            assert w.probe_line is not None
            value = s.values[w.probe]
            if value is None or count is None:
                raise ActRefused(f"the probe of {name} has no value: {words(s.reasons[w.probe])}.", "", "")
            k25, _ = at_25(value, w.compensation, good_value(s, w.probe_temperature), b.correction.act > 0)
            return {
                "loop": value,
                "ma": w.probe_line.ma(count),
                "probe": k25,
                "reading": None if k25 is None else factors(b.correction).apply(k25),
                "celsius": good_value(s, w.probe_temperature),
                "reason": s.reasons[w.probe],
                "at_ms": group.at_ms,
            }
    finally:
        forget()
