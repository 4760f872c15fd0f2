"""The whole boiler house: load, boilers, tank, pumps, controllers, instruments and the scenario, second by second.

`House` is deterministic for a start and a seed: every random draw happens in the plant second it belongs to, whether
or not anybody asks, so that two runs and two ways of polling see the same plant. Plant time is handed in.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from drivers.demo import physics, scenario
from drivers.demo.controller import Controller, Setting, step_controller
from drivers.demo.instruments import PulseMeter, Transmitter
from drivers.demo.load import STEAM_FULL, condensate_share, steam_share
from drivers.demo.physics import Acting, Boiler, BoilerDesign, BoilerFlows, FeedTank, TankDesign, TankFlows
from drivers.demo.scenario import Event
from drivers.demo.water import FT3, GAL, PSI, density, lying_level

ZONE: Final = ZoneInfo("America/Chicago")
BOILERS: Final = ("B1", "B2")
DESIGNS: Final = (
    BoilerDesign(),
    BoilerDesign(feed_modulates=False, bleed=0.0164, line_s=30.0, line_flow=0.0164, stagnant_drift=0.05),
)
SETTINGS: Final = (Setting(), Setting(sampled=False))
TANK: Final = TankDesign()
DT: Final = 1.0  # plant seconds per step

MAKEUP_COND: Final = 700.0
CONDENSATE_COND: Final = 16.0
MAKEUP_TEMP: Final = 16.0
BLOW_METER_TEMP: Final = 49.0  # behind the cooler
GAS_KJ_PER_M3: Final = 37_300.0

# chemicals: m3/s while the pump runs, and the salt they bring (uS/cm·kg per m3)
SCAVENGER_RATE: Final = 1.6 * GAL / 3600.0
POLYMER_RATE: Final = 1.3 * GAL / 3600.0
SCAVENGER_SALT: Final = 9.0e7
POLYMER_SALT: Final = 4.0e7
SCAVENGER_ON: Final = 120.0
SCAVENGER_EVERY: Final = 300.0
AMINE_LONGEST: Final = 600.0
TANK_M3: Final = {"scavenger_tank": 100 * GAL, "polymer_tank": 55 * GAL}


@dataclass(frozen=True, slots=True)
class Acts:
    """The scenario at one instant, per boiler and for the house."""

    stuck_shut: tuple[bool, bool] = (False, False)
    held_open: tuple[float, float] = (0.0, 0.0)
    tripped: tuple[bool, bool] = (False, False)
    hand: tuple[bool, bool] = (False, False)
    bleed_open: tuple[float, float] = (1.0, 1.0)
    bottom: tuple[float, float] = (0.0, 0.0)
    chamber_drained: tuple[bool, bool] = (False, False)
    condensate: float = 1.0
    brine: float = 0.0
    fouling: float = 0.0
    load: float = 1.0
    loops_open: frozenset[str] = frozenset()
    silent: frozenset[str] = frozenset()
    restarting: frozenset[str] = frozenset()
    filling: frozenset[str] = frozenset()


def acts_of(events: tuple[Event, ...]) -> Acts:
    """Events that are going on, as what acts on the plant."""

    def each(what: str) -> tuple[bool, bool]:
        on = {e.whom for e in events if e.what == what}
        return "B1" in on, "B2" in on

    def most(what: str) -> tuple[float, float]:
        worst = {b: max((e.amount for e in events if e.what == what and e.whom == b), default=0.0) for b in BOILERS}
        return worst["B1"], worst["B2"]

    def named(what: str) -> frozenset[str]:
        return frozenset(e.whom for e in events if e.what == what)

    def house(what: str) -> list[float]:
        return [e.amount for e in events if e.what == what]

    plugged = most("bleed plugged")
    return Acts(
        stuck_shut=each("valve stuck shut"),
        held_open=most("valve leaks"),
        tripped=each("burner trip"),
        hand=each("in hand"),
        bleed_open=(1.0 - plugged[0], 1.0 - plugged[1]),
        bottom=most("bottom blowdown"),
        chamber_drained=each("cut-off test"),
        condensate=1.0 - max(house("condensate lost"), default=0.0),
        brine=sum(house("brine in makeup")),
        fouling=sum(house("condensate fouled")),
        load=max(house("load"), default=1.0),
        loops_open=named("loop open"),
        silent=named("module silent"),
        restarting=named("counters restart"),
        filling=named("tank filled"),
    )


class House:
    """The plant. `advance(elapsed)` brings it to a plant second; attributes are what the instruments see then."""

    def __init__(self, start_ms: int, seed: int = 1, events: tuple[Event, ...] | None = None) -> None:
        """`events` stand in for the demo's own schedule."""
        self._events = events
        self.start_ms, self.seconds = start_ms, 0
        self._random = random.Random(f"{seed} {start_ms}")
        local = datetime.fromtimestamp(start_ms / 1000, UTC)
        self._week_minute = self._local_minute(local)
        share = steam_share(self._week_minute)
        self.boilers: tuple[Boiler, Boiler] = (
            physics.boiler_at(2950.0, 119 * PSI, DESIGNS[0]),
            physics.boiler_at(2905.0, 119 * PSI, DESIGNS[1]),
        )
        self.controllers: tuple[Controller, Controller] = (Controller(left=150.0), Controller())
        self.tank = FeedTank(2300.0, 2300.0 * 350.0, STEAM_FULL * share * condensate_share(self._week_minute))
        self.flows: tuple[BoilerFlows, BoilerFlows] = (BoilerFlows(0, 0, 0, 0, 0, 0), BoilerFlows(0, 0, 0, 0, 0, 0))
        self.tank_flows = TankFlows(0, 0, 0, 0, 0)
        self.chemicals = {
            "scavenger_tank": 0.62 * TANK_M3["scavenger_tank"],
            "polymer_tank": 0.71 * TANK_M3["polymer_tank"],
        }
        self.pumps = {"scavenger": False, "polymer": False, "amine": False}
        self.header = 118 * PSI
        self.slosh = [0.0, 0.0]
        self.stack = [190.0, 190.0]
        self._unrest = 0.0  # of the load
        self._amine_due = 0.0
        self._next_change = 0.0
        self.acts = Acts()
        self.meters = {
            "makeup": PulseMeter(GAL, count=1_204_331),
            "feedwater_b1": PulseMeter(GAL, count=2_310_904),
            "feedwater_b2": PulseMeter(GAL, count=1_987_220),
            "blowdown": PulseMeter(GAL, count=418_077),
            "gas": PulseMeter(10 * FT3, count=5_402_118),
            "softener": PulseMeter(0.05 * GAL, bits=16, count=52_000),
        }
        self.loops = {
            "ai.b1_cond": Transmitter(0, 5000, 4.0, 2.0),
            "ai.b2_cond": Transmitter(0, 5000, 6.0, 5.0),
            "ai.b1_probe_temp": Transmitter(_f(0), _f(400), 0.15),
            "ai.b2_probe_temp": Transmitter(_f(0), _f(400), 0.15),
            "ai.b1_pressure": Transmitter(0, 200 * PSI, 0.8, 1.0),
            "ai.b2_pressure": Transmitter(0, 200 * PSI, 0.8, 1.0),
            "ai.b1_level": Transmitter(0, 100, 0.3, 2.0),
            "ai.b2_level": Transmitter(0, 100, 0.3, 2.0),
            "aux.scavenger_level": Transmitter(0, 100, 0.05, 5.0),
            "aux.polymer_level": Transmitter(0, 100, 0.05, 5.0),
            "aux.condensate_cond": Transmitter(0, 200, 0.3, 5.0),
            "aux.feed_tank_level": Transmitter(0, 100, 0.4, 3.0),
            "aux.feed_tank_temp": Transmitter(0, 150, 0.1, 5.0),
            "aux.header_pressure": Transmitter(0, 200 * PSI, 0.8, 1.0),
            "aux.b1_stack_temp": Transmitter(_f(0), _f(800), 0.4, 5.0),
            "aux.b2_stack_temp": Transmitter(_f(0), _f(800), 0.4, 5.0),
        }
        # draws of its own, so that what it adds to the house moves no other reading
        self._more_random = random.Random(f"{seed} {start_ms} feedwater")
        self.feedwater_loop = Transmitter(0, 2000, 0.8, 5.0)
        self._sense()

    def _local_minute(self, at: datetime) -> float:
        local = at.astimezone(ZONE)
        return local.weekday() * 1440.0 + local.hour * 60.0 + local.minute + local.second / 60.0

    def advance(self, elapsed: float) -> None:
        """Step to the last whole plant second at or before `elapsed` (s since the start). Never goes back."""
        while self.seconds + DT <= elapsed:
            self.step()

    def step(self) -> None:
        """One plant second."""
        minute = self.seconds / 60.0
        if minute >= self._next_change:
            self.acts = acts_of(scenario.running(minute, self._events))
            self._next_change = scenario.next_change(minute, self._events)
            if "counters" in self.acts.restarting:
                for m in self.meters.values():
                    m.count = 0
        if self.seconds % 60 == 0:
            self._week_minute = self._local_minute(datetime.fromtimestamp(self.start_ms / 1000 + self.seconds, UTC))
        a, draw = self.acts, self._random.gauss
        self._unrest += -self._unrest / 120.0 + draw(0.0, 0.0025)
        demand = STEAM_FULL * max(0.05, (steam_share(self._week_minute) + self._unrest) * a.load)
        b1, b2 = self.boilers
        steam = physics.share_steam(
            demand,
            (physics.online(b1) * 1.04, physics.online(b2)),
            (DESIGNS[0].steam_max * 1.03, DESIGNS[1].steam_max * 1.03),
        )
        runs = self.limits_closed
        readings = (physics.probe_reading(b1, DESIGNS[0]), physics.probe_reading(b2, DESIGNS[1]))
        c1, c2 = self.controllers
        self.controllers = (
            step_controller(c1, SETTINGS[0], readings[0], runs[0], a.hand[0], DT),
            step_controller(c2, SETTINGS[1], readings[1], runs[1], a.hand[1], DT),
        )
        salt = self._pumps(runs)
        n1, f1 = self._boiler(0, steam[0], runs[0])
        n2, f2 = self._boiler(1, steam[1], runs[1])
        returned = condensate_share(self._week_minute) * a.condensate
        self.tank, self.tank_flows = physics.step_tank(
            self.tank,
            TANK,
            feed=f1.feed + f2.feed,
            condensate=(f1.steam + f2.steam) * returned,
            makeup_cond=MAKEUP_COND + a.brine,
            condensate_cond=CONDENSATE_COND + a.fouling,
            chemical_salt=salt,
            dt=DT,
        )
        self.boilers, self.flows = (n1, n2), (f1, f2)
        self.header += (max(n1.pressure, n2.pressure) - 2 * PSI * demand / STEAM_FULL - self.header) * 0.2
        self._meter()
        self.seconds += 1
        for i, (flows, design) in enumerate(zip(self.flows, DESIGNS, strict=True)):
            self.slosh[i] += -self.slosh[i] / 5.0 + draw(0.0, 0.5)
            fire = flows.heat / design.fire_max
            hot = 150.0 + 90.0 * fire if fire > 0 else 120.0
            self.stack[i] += (hot - self.stack[i]) / 150.0
        self._sense()

    def _boiler(self, i: int, steam: float, runs: bool) -> tuple[Boiler, BoilerFlows]:
        a = self.acts
        return physics.step_boiler(
            self.boilers[i],
            DESIGNS[i],
            Acting(
                steam,
                self.tank.cond,
                self.tank.temp,
                runs,
                self.controllers[i].command,
                a.stuck_shut[i],
                a.held_open[i],
                a.bottom[i],
                a.bleed_open[i],
            ),
            DT,
        )

    def _pumps(self, runs: tuple[bool, bool]) -> float:
        """Switch the chemical pumps, draw their tanks down; the salt they bring to the feedwater, uS/cm·kg/s."""
        blow1, blow2 = (c.command for c in self.controllers)
        feeding = any(runs)
        self.pumps["scavenger"] = feeding and self.seconds % SCAVENGER_EVERY < SCAVENGER_ON
        self.pumps["polymer"] = blow1 or blow2
        if blow1:
            self._amine_due = min(AMINE_LONGEST, self._amine_due + DT)
        self.pumps["amine"] = feeding and not blow1 and self._amine_due > 0
        if self.pumps["amine"]:
            self._amine_due -= DT
        salt = 0.0
        for pump, tank, rate, strength in (
            ("scavenger", "scavenger_tank", SCAVENGER_RATE, SCAVENGER_SALT),
            ("polymer", "polymer_tank", POLYMER_RATE, POLYMER_SALT),
        ):
            if self.pumps[pump]:
                pumped = min(rate * DT, self.chemicals[tank])
                self.chemicals[tank] -= pumped
                salt += pumped * strength / DT
            if tank in self.acts.filling:
                room = 0.93 * TANK_M3[tank] - self.chemicals[tank]
                self.chemicals[tank] += max(0.0, min(room, TANK_M3[tank] / 50.0))
        return salt

    def _meter(self) -> None:
        f1, f2 = self.flows
        cold, hot = density(MAKEUP_TEMP), density(self.tank.temp)
        self.meters["makeup"].pass_on(self.tank_flows.makeup * DT / cold)
        self.meters["softener"].pass_on(self.tank_flows.makeup * DT / cold)
        self.meters["feedwater_b1"].pass_on(f1.feed * DT / hot)
        self.meters["feedwater_b2"].pass_on(f2.feed * DT / hot)
        self.meters["blowdown"].pass_on((f1.blow + f1.bleed + f2.blow + f2.bleed) * DT / density(BLOW_METER_TEMP))
        heat = f1.heat / DESIGNS[0].efficiency + f2.heat / DESIGNS[1].efficiency
        self.meters["gas"].pass_on(heat * DT / GAS_KJ_PER_M3)

    def _sense(self) -> None:
        b1, b2 = self.boilers
        swell = [8.0 * (f.steam - 0.9) if f.steam else 0.0 for f in self.flows]
        glass = [
            physics.level(b, d) + swell[i] * 0.4 + self.slosh[i]
            for i, (b, d) in enumerate(zip(self.boilers, DESIGNS, strict=True))
        ]
        self.glass = (glass[0], glass[1])
        values = (
            physics.probe_reading(b1, DESIGNS[0]),
            physics.probe_reading(b2, DESIGNS[1]),
            b1.line_temp,
            b2.line_temp,
            b1.pressure,
            b2.pressure,
            glass[0],
            glass[1],
            100.0 * self.chemicals["scavenger_tank"] / TANK_M3["scavenger_tank"],
            100.0 * lying_level(self.chemicals["polymer_tank"] / TANK_M3["polymer_tank"]),
            CONDENSATE_COND + self.acts.fouling,
            100.0 * self.tank.water / TANK.full_kg,
            self.tank.temp,
            self.header,
            self.stack[0],
            self.stack[1],
        )
        draw = self._random.gauss
        for (ref, loop), value in zip(self.loops.items(), values, strict=True):
            loop.sense(value, draw(0.0, 1.0), DT)
            if ref in self.acts.loops_open:
                loop.ma = 0.0
        self.feedwater_loop.sense(self.tank.cond, self._more_random.gauss(0.0, 1.0), DT)

    @property
    def limits_closed(self) -> tuple[bool, bool]:
        """The limit circuits: opened by a trip, and by the low-water cut-off whatever lowered its float."""
        low, trip = self.low_water, self.acts.tripped
        return not (trip[0] or low[0]), not (trip[1] or low[1])

    @property
    def low_water(self) -> tuple[bool, bool]:
        """The float of each low-water cut-off has dropped."""
        g, d = self.glass, self.acts.chamber_drained
        return g[0] < 18.0 or d[0], g[1] < 18.0 or d[1]

    @property
    def contacts(self) -> tuple[bool, ...]:
        """The sixteen discrete inputs, in order of address."""
        (b1, b2), (c1, c2) = self.boilers, self.controllers
        low, limits = self.low_water, self.limits_closed
        return (
            c1.command,
            b1.valve >= 0.99,
            b1.valve <= 0.01,
            limits[0],
            low[0],
            self.glass[0] > 85.0,
            c1.alarm,
            c2.command,
            b2.valve <= 0.01,
            limits[1],
            low[1],
            self.glass[1] > 85.0,
            c2.alarm,
            self.pumps["scavenger"],
            self.pumps["polymer"],
            self.pumps["amine"],
        )

    @property
    def status_word(self) -> int:
        """The burner panels' status word: burner, lockout, hand, each for B1 and B2."""
        b1, b2 = self.boilers
        bits = (b1.burning, b2.burning, *self.acts.tripped, *self.acts.hand)
        return sum(1 << i for i, on in enumerate(bits) if on)


def _f(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) * 5.0 / 9.0
