"""Conditions on who works while he should not, and does not while he should: the wall controller, the blowdown valve
and the chemical pumps against what the boiler does.

Figures are common practice, no source. Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.reasons import words
from daemon.core.say import System, minutes, say
from daemon.core.tags import STATES
from daemon.measure.boiler_state import DRAINED, HOT_STANDBY, OFF, STEAMING
from daemon.measure.sampling import interval_ms
from daemon.measure.senses import BoilerCell, Senses, role_now
from daemon.measure.wiring import BoilerWiring, Role

IDLE_MS: Final = 30 * 60_000  # in hand, or above the set point and no blow (common practice, no source)
INTERVALS: Final = 2.5  # of its own, without an opening; *no representative sample* waits for three
ABOVE: Final = 0.03  # of the set point, or the differential: what two instruments may differ by
SAMPLES: Final = 3  # running, above the set point, and no blow after them
BLOW_MS: Final = 2 * 60_000  # open for longer than its flush by this: a blow
STALE_MS: Final = 2 * 60_000  # a reading older than this is none of now
STILL_OFF_MS: Final = 15 * 60_000  # a pump at rest that long has ended: a share of the time pauses for less
STANDS: Final = (OFF, HOT_STANDBY, DRAINED)


@dataclass(frozen=True, slots=True)
class ControllerIdle:
    """The boiler steams, and its wall controller is in hand, takes no sample, or does not blow above its set point."""

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int
    wiring: BoilerWiring
    patience_ms: int = IDLE_MS

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b, w = s.boilers[self.boiler], self.wiring
        if not s.minute or b.state.state != STEAMING:
            return None
        since, longest = self._since(s, b, c)
        if since is None:
            return None
        c.value, c.limit = (s.t - since) / 1000, longest / 1000
        return s.t - since > longest if w.command.slot >= 0 or w.hand.slot >= 0 else None

    def _since(self, s: Senses, b: BoilerCell, c: AlarmCell) -> tuple[int | None, int]:
        """Since when it has done nothing (None: not known; now: it does something), and how long that may last."""
        w = self.wiring
        if role_now(s, w.hand):
            c.memo_n = IN_HAND
            return max(s.contacts[w.hand.slot].since_elapsed_ms, b.state.since_ms), self.patience_ms
        commanded = role_now(s, w.command)
        if commanded is None:  # not wired, or not read
            unread = w.command.slot >= 0 or s.contact_reasons[w.hand.slot]
            return (None if unread else s.t), self.patience_ms
        if w.sample_rule.arrangement in ("timed", "hold"):
            every = interval_ms(b.sampler, w.sample_rule)
            if every is None or not b.valve_read:
                return None, self.patience_ms
            if (unanswered := self._unanswered(s, b, c)) is not None:
                c.memo_n = NO_BLOW
                return (s.t if self._blows(s, b) else unanswered), self.patience_ms
            c.memo_n = NO_SAMPLE
            longest = max(self.patience_ms, round(INTERVALS * every))
            return (s.t if commanded else max(b.valve_ms, b.state.since_ms)), longest
        return self._above(s, b, c, commanded), self.patience_ms

    def _unanswered(self, s: Senses, b: BoilerCell, c: AlarmCell) -> int | None:
        """Since when samples have ended above the set point and no blow has followed; None before the third running.

        memo: how many; memo_ms: the first; inside_n: the opening last looked at.
        """
        w, smp = self.wiring, b.sampler
        if w.set_point is None or w.sample_rule.arrangement != "timed":
            return None  # held samples are blown after by openings of their own, as short as a sample
        if smp.open_ms < 0 and smp.value is not None and smp.of_opening == smp.opening != c.inside_n:
            c.inside_n = smp.opening
            high = smp.value > w.set_point + max(w.differential, ABOVE * w.set_point)
            if high and smp.last_open_ms <= self._sample_ms():
                c.memo, c.memo_ms = (c.memo or 0.0) + 1, s.t if c.memo_ms < 0 else c.memo_ms
            else:
                c.memo, c.memo_ms = 0.0, -1
        return c.memo_ms if c.memo_ms >= 0 and (c.memo or 0.0) >= SAMPLES else None

    def _sample_ms(self) -> int:
        """The longest opening that is a sample alone."""
        rule = self.wiring.sample_rule
        return rule.travel_ms + rule.flush_ms + BLOW_MS

    def _blows(self, s: Senses, b: BoilerCell) -> bool:
        smp = b.sampler
        return smp.open_ms >= 0 and s.t - smp.open_ms > self._sample_ms()

    def _above(self, s: Senses, b: BoilerCell, c: AlarmCell, commanded: bool) -> int | None:
        """Of a probe that always sees the boiler: since when it has read above the set point with no blow."""
        w, smp = self.wiring, b.sampler
        if w.set_point is None or w.sample_rule.arrangement == "none":
            return s.t
        if commanded:
            c.memo_ms = -1
            return s.t
        if smp.value is None or not smp.this_run or s.t - smp.elapsed_ms > STALE_MS:
            return None
        c.memo_n = NO_BLOW
        if smp.value <= w.set_point:
            c.memo_ms = -1
        elif c.memo_ms < 0 and smp.value > w.set_point + max(w.differential, ABOVE * w.set_point):
            c.memo_ms = s.t
        return s.t if c.memo_ms < 0 else max(c.memo_ms, b.valve_ms, b.state.since_ms)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b, w = s.boilers[self.boiler], self.wiring
        lasts = minutes(round((c.value or 0.0) * 1000))
        if c.memo_n == IN_HAND:
            return f"the wall controller's hand contact is on for {lasts} while the boiler steams{_reads(b, system)}"
        if c.memo_n == NO_BLOW and w.set_point is not None:
            sampled = w.sample_rule.arrangement in ("timed", "hold")
            what = f"no blow after {c.memo or 0:.0f} samples in" if sampled else "no valve command for"
            point = say(w.set_point, "uS/cm", system)
            return f"{what} {lasts} with conductivity above the set point of {point}{_reads(b, system)}"
        every = interval_ms(b.sampler, w.sample_rule)
        stated = f", a sample is due every {minutes(every)}" if every else ""
        return f"no valve command for {lasts} of steaming{stated}{_reads(b, system)}"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.command.slot] if self.wiring.command.slot >= 0 else 0


IN_HAND, NO_SAMPLE, NO_BLOW = 1, 2, 3
"""Why it is idle, in the memo of its cell."""


@dataclass(frozen=True, slots=True)
class BlowdownWhileOff:
    """The boiler does not steam, and its blowdown valve is commanded, or a switch says that it is not shut."""

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        if b.state.state not in (OFF, HOT_STANDBY):
            return None if b.state.state == 0 else False  # what a person drains or lays up is blown down on purpose
        passes = self._switches(s)
        if not b.valve_read and passes is None:
            return None
        if b.valve_read and b.valve == 1:
            c.value = (s.t - max(b.valve_ms, b.state.since_ms)) / 1000
            return True
        if passes:
            c.value = (s.t - b.state.since_ms) / 1000
        return bool(passes)

    def _switches(self, s: Senses) -> bool | None:
        """By the end switches: not shut, or open; None where none is wired or read."""
        w = self.wiring
        shut, opened = role_now(s, w.shut_switch), role_now(s, w.open_switch)
        return opened if shut is None else not shut or bool(opened)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b, w = s.boilers[self.boiler], self.wiring
        commanded, shut, opened = (role_now(s, r) for r in (w.command, w.shut_switch, w.open_switch))
        parts = []
        if commanded is not None:
            parts.append("commanded open" if commanded else "not commanded")
        if shut is not None:
            parts.append(f"the shut switch {'is made' if shut else 'has not made'}")
        if opened:
            parts.append("the open switch is made")
        how = "; ".join(parts) or "it stands open by its position signal"
        return f"{STATES[b.state.state]} for {minutes(s.t - b.state.since_ms)}; {how}, for {_long(c.value)} of it"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.command.slot] if self.wiring.command.slot >= 0 else 0


@dataclass(frozen=True, slots=True)
class FeedWhileOff:
    """A chemical pump runs although every boiler it serves is off, in hot standby or drained.

    Its running time counts, so that a pump that runs for a share of the time is found too. A boiler that a person has
    said to be laid up may be dosed for that: then nothing is judged.
    """

    pump: Role
    boilers: tuple[int, ...]
    patience_ms: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        # memo: ms it has run since the boilers stand; memo_ms: the last look; memo_n: rest in ms since it last ran
        known = True
        for i in self.boilers:
            state = s.boilers[i].state.state
            if state and state not in STANDS:
                if c.memo_ms >= 0:
                    c.memo, c.memo_ms, c.memo_n = None, -1, 0
                return False
            known = known and state > 0
        if not known:
            return None
        since, c.memo_ms = (s.t - c.memo_ms if c.memo_ms >= 0 else 0), s.t
        runs = role_now(s, self.pump)
        if runs is None:
            return None
        if runs:
            c.memo, c.memo_n = (c.memo or 0.0) + since, 0
        else:
            c.memo_n += since
            if c.memo_n >= STILL_OFF_MS:
                c.memo = None
        c.value, c.limit = (c.memo or 0.0) / 1000, self.patience_ms / 1000
        return (c.memo or 0.0) > self.patience_ms

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        stand = min(s.t - s.boilers[i].state.since_ms for i in self.boilers)
        states = sorted({STATES[s.boilers[i].state.state] for i in self.boilers})
        return f"ran for {_long(c.value)} while its boilers stand ({', '.join(states)}, for {minutes(stand)})"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.pump.slot]


def _long(seconds: float | None) -> str:
    return minutes(round((seconds or 0.0) * 1000))


def _reads(b: BoilerCell, system: System) -> str:
    smp = b.sampler
    if smp.value is None:
        return ""
    doubt = f" ({words(smp.reason)})" if smp.reason else ""
    return f"; conductivity {say(smp.value, 'uS/cm', system)}{doubt}"
