"""What a counted pulse of a meter is worth, in m3 and kg, and from when on. Compiled once a plant. Pure.

May import: config, daemon.core, daemon.water.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final
from zoneinfo import ZoneInfo

from config.meter import instant, volume_of_count
from config.model import Channel, Meter, Module
from daemon.water.steam import water_density

COLD_C: Final = 15.0  # makeup as it comes, where the plant file does not say (common practice, no source)
NO_FLOW: Final = 1 / 1000  # of max_rate: no meter turns below it, where the plant file does not say (common practice)

_BITS: Final = {"u16": 16, "s16": 16, "u32": 32, "s32": 32, "u64": 64}
HOUR_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """What does not change about a meter. `modulus` 0: the count has no end to roll over at (f32, f64).

    `changes`: the specs that hold from instants of the plant's calendar on, in order, without changes of their own.
    """

    modulus: int
    pulse_m3: float  # for each pulse that is counted
    max_per_ms: float  # pulses a ms at max_rate
    density: float = 0.0  # kg/m3 of the water in the meter, 0 where it is none
    least_per_ms: float = 0.0  # pulses a ms below which the meter stands still or does not turn truly
    changes: tuple[Change, ...] = ()
    clears: bool = False  # reading sets the count to 0: each count is an increment


@dataclass(frozen=True, slots=True)
class Change:
    """A meter's figures from `from_ms` (UTC) on; `dial_m3`: what the dial of the new meter showed then."""

    from_ms: int
    spec: MeterSpec
    dial_m3: float | None = None


def meter_spec(meter: Meter, module: Module, channel: Channel, zone: str = "UTC") -> MeterSpec:
    """The figures of a meter read from a module's channel; `zone` is that of the plant, for the dates of changes."""
    clears = any(a.touches(channel.function, channel.address, channel.end) for a in module.clear_on_read)
    bits = _BITS.get(channel.type, 0)
    density = water_density(COLD_C if meter.temperature is None else meter.temperature) if meter.of_water else 0.0
    least = NO_FLOW * meter.max_rate if meter.minimum_flow is None else meter.minimum_flow

    def figures(counted: float) -> MeterSpec:
        per_ms = 1 / counted / HOUR_MS
        return MeterSpec(1 << bits if bits else 0, counted, meter.max_rate * per_ms, density, least * per_ms)

    changes = []
    pulse, k_factor, divider = meter.pulse, meter.k_factor, meter.divider
    for c in meter.changes:
        if c.pulse is not None or c.k_factor is not None:
            pulse, k_factor = c.pulse, c.k_factor
        divider = c.divider or divider
        from_ms = round(instant(c.from_).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)
        changes.append(Change(from_ms, figures(volume_of_count(pulse, k_factor, divider)), c.dial))
    return replace(figures(meter.counted), changes=tuple(changes), clears=clears)
