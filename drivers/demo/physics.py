"""A fire-tube boiler, its sample line and the feedwater tank, one time step at a time.

Pure: `step_*` takes a state, what acts on it and a time step, and gives the next state and the flows that led to it.
Mass and dissolved solids are balanced exactly: what a state holds changes by the flows returned with it and nothing
else. Conductivity here is at 25 °C, uS/cm; "salt" is conductivity times kg of water, which is conserved in this model
(real boiler water is not so kind). Flows kg/s, masses kg, temperatures °C, pressures kPa gauge, heat kW.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Final

from drivers.demo.water import CP, PSI, boiling_temp, gauge_pressure, latent_heat

AMBIENT: Final = 35.0  # °C in the boiler house
PRESSURE_SET: Final = 120 * PSI
BURNER_OFF_ABOVE: Final = 130 * PSI
BURNER_ON_BELOW: Final = 117 * PSI
LOW_FIRE_BELOW: Final = 105 * PSI  # after a cold or long stop the burner is held at low fire
RETURN_SHUT_BELOW: Final = 90 * PSI  # the non-return valve to the header
RETURN_BAND: Final = 15 * PSI
LOW_FIRE: Final = 0.2
WARM_FIRE: Final = 0.35
PURGE_S: Final = 45.0


@dataclass(frozen=True, slots=True)
class BoilerDesign:
    """What does not change about a boiler."""

    water_kg: float = 5443.0  # 12 000 lb, at half glass
    glass_kg: float = 900.0  # from 0 to 100 % of the glass
    steam_max: float = 1.26  # 10 000 lb/h
    fire_max: float = 3500.0  # into the water
    efficiency: float = 0.82
    loss: float = 25.0  # through the shell, burning or not
    feed_max: float = 2.1
    feed_modulates: bool = True  # else the pump runs between two levels
    valve_max: float = 0.832  # 6600 lb/h at 120 psig
    valve_travel: float = 10.0  # s
    bleed: float = 0.0  # at 120 psig, always past the probe
    line_s: float = 8.0  # time constant of the line and probe at a full valve's flow
    line_flow: float = 0.832  # the flow that time constant belongs to
    stagnant_drift: float = 0.08  # reads so much too high when the trapped sample has gone cold


@dataclass(frozen=True, slots=True)
class Boiler:
    """The state of one boiler and its sample line."""

    water: float
    salt: float
    temp: float
    fire: float = 0.5  # share of fire_max
    fire_sum: float = 0.0  # integral part of the pressure controller
    purge: float = 0.0  # s still to purge before the burner may light
    burning: bool = True
    feed: float = 0.0
    feeding: bool = False
    valve: float = 0.0  # 0 shut .. 1 open
    line_cond: float = 0.0  # of the water at the probe, at 25 °C
    line_temp: float = 60.0

    @property
    def cond(self) -> float:
        """Conductivity of the boiler water, uS/cm."""
        return self.salt / self.water

    @property
    def pressure(self) -> float:
        """kPa gauge."""
        return gauge_pressure(self.temp)


@dataclass(frozen=True, slots=True)
class Acting:
    """What acts on a boiler during a step."""

    steam: float  # drawn
    feed_cond: float
    feed_temp: float
    may_fire: bool = True  # the limit circuit is closed
    valve_command: bool = False
    stuck_shut: bool = False  # the stem does not leave its seat
    held_open: float = 0.0  # the valve does not shut further than this
    bottom: float = 0.0  # bottom blowdown
    bleed_open: float = 1.0  # share of the throttle that is not plugged


@dataclass(frozen=True, slots=True)
class BoilerFlows:
    """What flowed during a step, kg/s (heat in kW)."""

    feed: float
    steam: float
    blow: float
    bleed: float
    bottom: float
    heat: float


def level(b: Boiler, d: BoilerDesign) -> float:
    """Water in the glass, %, without swell."""
    return 50.0 + 100.0 * (b.water - d.water_kg) / d.glass_kg


def boiler_at(cond: float, gauge_kpa: float, d: BoilerDesign) -> Boiler:
    """A steaming boiler at a conductivity and pressure, half glass; its sample line hot only where a bleed flows."""
    temp = boiling_temp(gauge_kpa)
    return Boiler(
        d.water_kg, d.water_kg * cond, temp, feed=1.0, line_cond=cond, line_temp=temp - 9.0 if d.bleed > 0 else 60.0
    )


def step_boiler(b: Boiler, d: BoilerDesign, a: Acting, dt: float) -> tuple[Boiler, BoilerFlows]:
    """One step. Flows are those of the state at its start, so that the balance closes to the last digit."""
    pressure = b.pressure
    push = (pressure / PRESSURE_SET) ** 0.5
    blow = d.valve_max * b.valve * push
    bleed = d.bleed * a.bleed_open * push
    steam = a.steam
    out_of_water = blow + bleed + a.bottom
    cond = b.cond
    feed = b.feed
    water = b.water + dt * (feed - steam - out_of_water)
    salt = b.salt + dt * (feed * a.feed_cond - out_of_water * cond)
    heat = d.fire_max * b.fire if b.burning else 0.0
    wanted = steam * latent_heat(b.temp) + feed * CP * (b.temp - a.feed_temp) + d.loss
    temp = b.temp + dt * (heat - wanted) / (b.water * CP)
    burning, fire, fire_sum, purge = _burner(b, pressure, a.may_fire, dt)
    feeding, next_feed = _feedwater(b, d, steam + out_of_water, dt)
    valve = _valve(b.valve, d.valve_travel, a, dt)
    line_cond, line_temp = _sample_line(b, d, cond, blow + bleed, dt)
    return (
        Boiler(water, salt, temp, fire, fire_sum, purge, burning, next_feed, feeding, valve, line_cond, line_temp),
        BoilerFlows(feed, steam, blow, bleed, a.bottom, heat),
    )


def _burner(b: Boiler, pressure: float, may_fire: bool, dt: float) -> tuple[bool, float, float, float]:
    """On and off at two pressures, modulating between by a proportional and a slow integral part."""
    if not may_fire:
        return False, 0.0, 0.0, PURGE_S
    if not b.burning:
        if b.purge > 0:
            return False, 0.0, 0.0, b.purge - dt
        return pressure < BURNER_ON_BELOW, LOW_FIRE, 0.0, 0.0
    if pressure > BURNER_OFF_ABOVE:
        return False, 0.0, 0.0, PURGE_S
    error = (PRESSURE_SET - pressure) / (12 * PSI)
    fire_sum = min(0.5, max(-0.5, b.fire_sum + error * dt / 200.0))
    target = min(1.0, max(LOW_FIRE, 0.5 + error + fire_sum))
    if pressure < LOW_FIRE_BELOW:
        target, fire_sum = max(WARM_FIRE, min(target, b.fire + 0.001 * dt)), b.fire_sum
    step = 0.02 * dt
    return True, b.fire + min(step, max(-step, target - b.fire)), fire_sum, 0.0


def _feedwater(b: Boiler, d: BoilerDesign, leaving: float, dt: float) -> tuple[bool, float]:
    """Modulating: what leaves, corrected by the level. Otherwise: a pump between two levels."""
    glass = level(b, d)
    if d.feed_modulates:
        target = min(d.feed_max, max(0.0, leaving + 0.12 * (52.0 - glass)))
        return True, b.feed + (target - b.feed) * min(1.0, dt / 8.0)
    feeding = glass < 46.0 or (b.feeding and glass < 54.0)
    return feeding, d.feed_max if feeding else 0.0


def _valve(position: float, travel: float, a: Acting, dt: float) -> float:
    """Travel towards the command; a stuck stem stays on its seat, a held one does not reach it."""
    step = dt / travel
    if a.valve_command and not (a.stuck_shut and position <= 0.0):
        return min(1.0, position + step)
    return max(min(a.held_open, 1.0), position - step, 0.0)


def _sample_line(b: Boiler, d: BoilerDesign, cond: float, flow: float, dt: float) -> tuple[float, float]:
    """Water at the probe follows the boiler while sample flows, and cools where it stands when it does not."""
    if flow > 1e-4:
        swap = 1.0 - exp(-dt * flow / (d.line_s * d.line_flow))
        # the line loses heat to the room, the more the slower it flows
        arriving = AMBIENT + (b.temp - AMBIENT) * flow / (flow + 0.0012)
        return b.line_cond + (cond - b.line_cond) * swap, b.line_temp + (arriving - b.line_temp) * min(swap, dt / 9.0)
    return b.line_cond, b.line_temp + (AMBIENT - b.line_temp) * dt / 700.0


def probe_reading(b: Boiler, d: BoilerDesign) -> float:
    """What the compensated probe shows, uS/cm. Its linear coefficient is right hot and reads high on cold water."""
    cold = min(1.0, max(0.0, (165.0 - b.line_temp) / (165.0 - AMBIENT)))
    return b.line_cond * (1.0 + d.stagnant_drift * cold * cold)


@dataclass(frozen=True, slots=True)
class TankDesign:
    """The feedwater tank: makeup by a float valve, condensate returning, chemicals dosed."""

    full_kg: float = 4000.0
    makeup_max: float = 2.85  # 45 gpm
    open_below: float = 0.52
    shut_above: float = 0.62
    condensate_lag: float = 500.0  # s from steam to returning condensate
    temp: float = 104.0


@dataclass(frozen=True, slots=True)
class FeedTank:
    """The state of the feedwater tank."""

    water: float
    salt: float
    returning: float  # condensate on its way back, kg/s
    filling: bool = False
    temp: float = 104.0

    @property
    def cond(self) -> float:
        """Conductivity of the feedwater, uS/cm."""
        return self.salt / self.water


@dataclass(frozen=True, slots=True)
class TankFlows:
    """What flowed during a step, kg/s."""

    makeup: float
    condensate: float
    overflow: float
    feed: float
    chemical_salt: float  # uS/cm·kg/s


def step_tank(
    t: FeedTank,
    d: TankDesign,
    *,
    feed: float,
    condensate: float,
    makeup_cond: float,
    condensate_cond: float,
    chemical_salt: float,
    dt: float,
) -> tuple[FeedTank, TankFlows]:
    """One step. `condensate` is the share of the steam on its way back now; it arrives later."""
    share = t.water / d.full_kg
    filling = share < d.open_below or (t.filling and share < d.shut_above)
    makeup = d.makeup_max if t.filling else 0.0
    overflow = max(0.0, t.returning - feed) if share > 0.97 else 0.0
    water = t.water + dt * (makeup + t.returning - overflow - feed)
    gained = makeup * makeup_cond + t.returning * condensate_cond + chemical_salt
    salt = t.salt + dt * (gained - (overflow + feed) * t.cond)
    returning = t.returning + (condensate - t.returning) * dt / d.condensate_lag
    temp = t.temp + (d.temp - 4.0 * makeup / d.makeup_max - t.temp) * dt / 240.0
    return FeedTank(water, salt, returning, filling, temp), TankFlows(
        makeup, t.returning, overflow, feed, chemical_salt
    )


def online(b: Boiler) -> float:
    """How far the boiler takes part in the steam header, 0..1: its non-return valve shuts when pressure is low."""
    return min(1.0, max(0.0, (b.pressure - RETURN_SHUT_BELOW) / RETURN_BAND))


def share_steam(demand: float, weights: tuple[float, ...], limits: tuple[float, ...]) -> tuple[float, ...]:
    """The demand in kg/s divided over boilers by weight, none above its limit; what cannot be had is not delivered."""
    out = [0.0] * len(weights)
    left = demand
    for _ in weights:  # each round fills at least one boiler or ends
        open_ = [i for i, w in enumerate(weights) if w > 0 and out[i] < limits[i] * min(1.0, w) - 1e-9]
        total = sum(weights[i] for i in open_)
        if not open_ or left <= 1e-9:
            break
        for i in open_:
            out[i] = min(limits[i] * min(1.0, weights[i]), out[i] + left * weights[i] / total)
        left = demand - sum(out)
    return tuple(out)
