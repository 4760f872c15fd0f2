"""What stands between the plant and a register: transmitters and pulse meters.

Pure arithmetic on small objects. Currents in mA.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from math import exp
from typing import Final

# a sound transmitter saturates within these limits (NAMUR NE 43, the signal range of measured values)
LOWEST_MA: Final = 3.8
HIGHEST_MA: Final = 20.5


@dataclass(slots=True)
class Transmitter:
    """A two-wire transmitter: range, damping, noise, saturation. `ma` is what flows in the loop now."""

    low: float
    high: float
    noise: float = 0.0  # standard deviation, in the unit of the range
    damping: float = 0.0  # time constant, s
    ma: float = 4.0
    _value: float | None = None

    def sense(self, value: float, noise: float, dt: float) -> None:
        """Take a true value; `noise` is a draw from the standard normal distribution."""
        seen = value + noise * self.noise
        if self._value is None or self.damping <= 0:
            self._value = seen
        else:
            self._value += (seen - self._value) * (1.0 - exp(-dt / self.damping))
        ma = 4.0 + 16.0 * (self._value - self.low) / (self.high - self.low)
        self.ma = min(HIGHEST_MA, max(LOWEST_MA, ma))


@dataclass(slots=True)
class PulseMeter:
    """A meter with a contact per `pulse` m3 into a counter of so many bits."""

    pulse: float  # m3
    bits: int = 32
    count: int = 0  # pulses the module has counted, before rollover
    volume: float = 0.0  # m3 passed since the demo began
    _carry: float = 0.0  # m3 since the last pulse

    def pass_on(self, cubic_metres: float) -> None:
        """Let a volume through."""
        self.volume += cubic_metres
        self._carry += cubic_metres
        if self._carry >= self.pulse:
            whole = int(self._carry / self.pulse)
            self._carry -= whole * self.pulse
            self.count += whole

    @property
    def register(self) -> int:
        """The counter as read."""
        return self.count % (1 << self.bits)


def as_f32(value: float) -> float:
    """A value as a 32-bit float register holds it."""
    return float(struct.unpack(">f", struct.pack(">f", value))[0])
