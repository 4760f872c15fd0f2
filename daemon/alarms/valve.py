"""Conditions on the surface blowdown valve: open too long, stuck shut, stuck open.

No verdict before the valve's travel, the line's flush and two polls have passed. End switches, where wired, speak
first; without them conductivity does. Stuck shut is judged while the valve is commanded open, stuck open while it is
commanded shut; between, what was found stands. Figures are common practice, no source. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.alarms.condition import AlarmCell
from daemon.core.reasons import Reason
from daemon.core.say import System, minutes, say
from daemon.measure.boiler_state import STEAMING
from daemon.measure.sampling import DOUBTED
from daemon.measure.senses import BoilerCell, Senses, role_now
from daemon.measure.wiring import BoilerWiring

NO_EFFECT_MS: Final = 20 * 60_000  # a commanded valve is given this long to bring conductivity down at all
SHUT_FALL_MS: Final = 30 * 60_000
SMALLEST_FALL: Final = 0.003  # of the reading: less is no fall
CLEAR_FALL: Final = 0.01  # of the reading: what shows that a valve found stuck shut passes again
STAGNANT: Final = 0.8  # of the set point: below it a sample line's reading may be of cool, stagnant water
FALL_WHILE_SHUT: Final = 0.03  # of the reading
BELOW_BAND: Final = 0.05  # of the set point


@dataclass(frozen=True, slots=True)
class OverTime:
    """The valve has been open for longer than a blow may last."""

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        if not b.valve_read:
            return None  # whether it is still open is not known
        open_ms = s.t - b.valve_ms if b.valve else 0
        c.value, c.limit = open_ms / 1000, self.wiring.valve_longest_ms / 1000
        return open_ms > self.wiring.valve_longest_ms

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b = s.boilers[self.boiler]
        return (
            f"the valve is open for {minutes(s.t - b.valve_ms)}, longest allowed "
            f"{minutes(self.wiring.valve_longest_ms)}{_reading(b, system)}"
        )

    def reading_reason(self, s: Senses) -> int:
        return 0


@dataclass(frozen=True, slots=True)
class StuckShut:
    """Commanded open, and nothing shows that it opened."""

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b, w = s.boilers[self.boiler], self.wiring
        commanded = role_now(s, w.command)
        if commanded is None:
            return None
        wired = w.open_switch.slot >= 0 or w.shut_switch.slot >= 0
        if c.active and not wired and self._in_band(b):
            return False
        if not commanded:
            c.memo, c.memo_ms = None, -1
            return None
        since = s.t - s.contacts[w.command.slot].since_elapsed_ms
        if since <= w.valve_travel_ms + 2 * w.poll_ms:
            return None
        opened, shut = role_now(s, w.open_switch), role_now(s, w.shut_switch)
        if wired:
            return not opened if opened is not None else shut
        smp = b.sampler
        if b.state.state != STEAMING or smp.value is None or not _told(b) or smp.held:
            return None
        if since < w.valve_travel_ms + w.sample_rule.flush_ms:
            return None
        if c.memo is None:
            c.memo, c.memo_ms = smp.value, s.t
        top = smp.reason == Reason.RANGE_HIGH_END
        if c.active:  # once found stuck it takes more than noise to say that it passes
            return False if smp.value <= c.memo * (1 - CLEAR_FALL) and not top else None
        fallen = smp.value <= c.memo * (1 - SMALLEST_FALL) and not top
        return True if not fallen and s.t - c.memo_ms >= NO_EFFECT_MS else None

    def _in_band(self, b: BoilerCell) -> bool:
        """A new reading at the bottom of the band: only a valve that passes brings it there.

        Where a valve that does not pass leaves the probe in stagnant water, a reading far below the band is of that.
        """
        w, smp = self.wiring, b.sampler
        if w.set_point is None or not _told(b) or smp.value is None or smp.reason == Reason.RANGE_HIGH_END:
            return False
        sampled = w.sample_rule.arrangement not in ("continuous", "side-stream")
        least = STAGNANT * w.set_point if sampled else 0.0
        return b.state.state == STEAMING and least <= smp.value <= w.set_point - w.differential

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b, w = s.boilers[self.boiler], self.wiring
        text = f"commanded open for {minutes(s.t - s.contacts[w.command.slot].since_elapsed_ms)}"
        opened, shut = role_now(s, w.open_switch), role_now(s, w.shut_switch)
        if opened is False:
            text += "; the open switch has not made"
        if shut:
            text += "; the shut switch is still made"
        if opened is None and shut is None and c.memo is not None and b.sampler.value is not None:
            text += (
                f"; conductivity {say(c.memo, 'uS/cm', system)} then, {say(b.sampler.value, 'uS/cm', system)} now, no "
                "fall (a line or orifice too small for the load looks the same)"
            )
        return text

    def reading_reason(self, s: Senses) -> int:
        return 0


@dataclass(frozen=True, slots=True)
class StuckOpen:
    """Commanded shut, and an end switch or the conductivity says that it is open."""

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b, w = s.boilers[self.boiler], self.wiring
        commanded = role_now(s, w.command)
        if commanded is None:
            return None
        if commanded:
            return self._at_sample(b, c)
        since = s.t - s.contacts[w.command.slot].since_elapsed_ms
        if since <= w.valve_travel_ms + 2 * w.poll_ms:
            return None
        opened, shut = role_now(s, w.open_switch), role_now(s, w.shut_switch)
        if shut is not None or opened is not None:
            c.memo = None
            return not shut if shut is not None else opened
        if w.sample_rule.arrangement not in ("continuous", "side-stream") or since < SHUT_FALL_MS:
            return None
        return self._fell(b, c) if b.state.state == STEAMING and _told(b) else None

    def _at_sample(self, b: BoilerCell, c: AlarmCell) -> bool | None:
        """Timed or held samples tell of the time since the last one: judged at the first reading of each opening."""
        w, smp = self.wiring, b.sampler
        wired = w.open_switch.slot >= 0 or w.shut_switch.slot >= 0
        if wired or w.sample_rule.arrangement != "timed" or b.sampler.held:
            return None
        if not _told(b) or c.memo_n == smp.of_opening or b.state.state != STEAMING:
            return None
        c.memo_n = smp.of_opening
        return self._fell(b, c)

    def _fell(self, b: BoilerCell, c: AlarmCell) -> bool | None:
        w, now = self.wiring, b.sampler.value
        if b.ref is None or now is None:
            return None
        if now >= b.ref:
            c.memo = None
            return False
        band = w.set_point - w.differential - BELOW_BAND * w.set_point if w.set_point else b.ref
        if now < b.ref * (1 - FALL_WHILE_SHUT) and now < band:
            c.memo = b.ref
            return True
        return None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b, w = s.boilers[self.boiler], self.wiring
        opened, shut = role_now(s, w.open_switch), role_now(s, w.shut_switch)
        text = "commanded shut"
        if not role_now(s, w.command):
            text += f" for {minutes(s.t - s.contacts[w.command.slot].since_elapsed_ms)}"
        if shut is False:
            text += "; the shut switch has not made"
        if opened:
            text += "; the open switch is still made"
        if c.memo is not None and b.sampler.value is not None:
            text += (
                f"; conductivity fell from {say(c.memo, 'uS/cm', system)} to {say(b.sampler.value, 'uS/cm', system)} "
                "meanwhile"
            )
        return text

    def reading_reason(self, s: Senses) -> int:
        return s.boilers[self.boiler].sampler.reason if s.boilers[self.boiler].sampler.value is not None else 0


def _told(b: BoilerCell) -> bool:
    """A new representative reading that nothing makes doubtful: of a valve, one in doubt tells neither way."""
    return b.sampler.fresh and b.sampler.reason not in DOUBTED


def _reading(b: BoilerCell, system: System) -> str:
    v = b.sampler.value
    return "" if v is None else f"; conductivity {say(v, 'uS/cm', system)}"
