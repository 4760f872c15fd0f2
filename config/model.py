"""The plant as written down: frozen, typed, in the units of `config.units`.

Lives here: the shape of the plant file and what one value of it may be; links and modules are in `config.bus`. What
spans several values (does this channel exist?) is in `config.rules`. Imports nothing of ours but `config`.
Every quantity is a float in the base unit that `config.units` names; names in [brackets] are TOML keys.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from config import units
from config.bus import REGISTERS as REGISTERS
from config.bus import Channel as Channel
from config.bus import Link as Link
from config.bus import Module as Module
from config.bus import ModuleType as ModuleType
from config.bus import Span as Span
from config.by_hand import ControlTest as ControlTest
from config.meter import Meter as Meter
from config.meter import MeterChange as MeterChange
from config.rota import Address as Address
from config.rota import Rota as Rota
from config.rota import SignOfLife as SignOfLife
from config.rota import Tell as Tell
from config.rota import Turn as Turn
from config.solids import Degrees, DissolvedSolids, How
from config.tank import Shape as Shape
from config.written import (
    DAYS,
    ChannelRef,
    ClockTime,
    Conductivity,
    Day,
    Hours,
    Length,
    Mass,
    MassFlow,
    Name,
    Part,
    Positive,
    Pressure,
    Ratio,
    Temperature,
    Time,
    Volume,
    VolumeFlow,
    WaterFlow,
    WaterQuality,
    air_of,
    only_text,
)


class Site(Part):
    """[plant]"""

    name: str
    zone: str
    units: Literal["us", "si"] = "si"
    altitude: Length = 0.0  # m
    day: Hours = "07:00..19:00"  # when what is for the day is told: tests out of range or overdue

    @field_validator("altitude")
    @classmethod
    def _altitude(cls, value: float) -> float:
        if not -500 <= value <= 9000:
            raise ValueError(f"wants between -500 m and 9000 m; found {value:g} m")
        return value


class Range(Part):
    """Milliamperes to engineering units: "4..20 mA = 0..5000 uS/cm"; values in the base unit of `kind`.

    `direct`, written "0..5000 uS/cm" alone: a text instrument prints numbers in that unit. There `low_ma` and
    `high_ma` are those numbers, and no current.
    """

    low_ma: float
    high_ma: float
    low: float
    high: float
    unit: str  # as written
    kind: str  # kind of quantity, "" when the unit is not one the tables know (then values are as written)
    direct: bool = False

    example: ClassVar[str] = "4..20 mA = 0..5000 uS/cm"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "current = value", cls.example)
        left, eq, right = value.partition("=")
        if not eq:
            return cls._direct(value, info)
        a, b, ma = units.span(left, "4..20 mA")
        lo, hi, unit = units.span(right)
        if not ma:
            raise ValueError(
                f'wants a current left of the =, like "{cls.example}"; found {units.found_text(left.strip())}. '
                f'Counts go into the channel: span = "{Span.example}"'
            )
        f = units.unit_of(ma, "current").factor
        return {
            "low_ma": a * f,
            "high_ma": b * f,
            "low": units.in_base(lo, unit, atmosphere_kpa=air_of(info)),
            "high": units.in_base(hi, unit, atmosphere_kpa=air_of(info)),
            "unit": unit,
            "kind": units.kind_of(unit),
        }

    @classmethod
    def _direct(cls, value: str, info: ValidationInfo) -> dict[str, object]:
        try:
            lo, hi, unit = units.span(value)
        except ValueError:
            raise ValueError(f'wants current = value, like "{cls.example}"; found {units.found_text(value)}') from None
        low, high = (units.in_base(x, unit, atmosphere_kpa=air_of(info)) for x in (lo, hi))
        kind = units.kind_of(unit)
        return {"low_ma": lo, "high_ma": hi, "low": low, "high": high, "unit": unit, "kind": kind, "direct": True}


class Signal(Part):
    """An analogue signal: a channel and its range."""

    channel: ChannelRef
    range: Range


class Watched(Signal):
    """An analogue signal with limits of its own, in the unit of its range."""

    high: float | None = None
    low: float | None = None
    deadband: float = 0.0
    delay: Time = 0.0
    rate: Annotated[float, Field(gt=0)] | None = None  # in the unit of the range and an hour, up or down
    rate_over: Annotated[Time, Positive] = 600.0  # s: the rate is an average of about so long


class Contact(Part):
    """A dry contact and what it says when closed."""

    contact: ChannelRef
    closed_means: str
    debounce: Time = 0.0  # s


class RunContact(Contact):
    closed_means: Literal["running", "firing", "stopped"] = "running"


class LowWaterContact(Contact):
    closed_means: Literal["normal", "low"] = "low"


class HighWaterContact(Contact):
    closed_means: Literal["normal", "high"] = "high"


class BurnerContact(Contact):
    closed_means: Literal["firing", "off"] = "firing"


class AlarmContact(Contact):
    closed_means: Literal["normal", "alarm"] = "alarm"


class LockoutContact(Contact):
    closed_means: Literal["normal", "lockout"] = "lockout"


class HandContact(Contact):
    closed_means: Literal["auto", "hand"] = "hand"


class ConductivityInput(Part):
    """conductivity = { ... } of a boiler: the probe on its sample line, as the wall controller passes it on."""

    channel: ChannelRef
    range: Range
    compensated: bool = True
    compensation: How | None = None  # who brings it to 25 °C, and how; None: as `compensated` says
    coefficient: Ratio = 2.0  # % per degC referred to 25 °C, for compensation "linear"
    compensation_trusted: Degrees | None = None  # temperatures of the probe over which it was proven on this plant
    neutralised: bool = False  # the reading stands for neutralised water (the instrument is set by such samples)
    calibrated_at: Literal["wall instrument", "log"] | None = None  # None: not said; taken as the wall instrument
    calibrate_every: Annotated[Time, Positive] | None = None
    signal: Literal["live", "held"] | None = None  # None: not said; it is treated as held and check says so
    damping: Time = 0.0
    set_point: Conductivity | None = None
    differential: Conductivity | None = None
    high: Conductivity | None = None
    very_high: Conductivity | None = None
    low: Conductivity | None = None


class FlowContact(Contact):
    closed_means: Literal["flow", "no flow"] = "flow"


class PipeRun(Part):
    """One run of the sample line from the boiler to the probe: a pipe size (schedule 40) or a bore, and a length."""

    pipe: Literal["1/2 in", "3/4 in", "1 in", "1-1/4 in", "1-1/2 in", "2 in"] | None = None
    bore: Annotated[Length, Positive] | None = None  # m, inside diameter
    length: Annotated[Length, Positive]

    @model_validator(mode="after")
    def _one_size(self) -> PipeRun:
        if (self.pipe is None) == (self.bore is None):
            raise ValueError('wants either pipe, like "1/2 in", or bore, like "0.622 in"')
        return self


class Sample(Part):
    """sample = { ... }: when the probe sees boiler water."""

    arrangement: Literal["continuous", "timed", "hold", "side-stream", "none"]
    flush: Time = 30.0
    line: tuple[PipeRun, ...] = ()  # where flush is not written, it is reckoned from these
    flow: Annotated[VolumeFlow, Positive] | None = None  # m3/h through the line; None: the valve's opening_flow
    volumes: Annotated[float, Field(ge=1, le=20)] = 3.0  # line volumes that must pass before a reading counts
    hottest: Temperature | None = None  # side-stream: above it the cooler has failed and the sample is none
    every: Annotated[Time, Positive] | None = None  # interval of samples; None: learned
    open: Annotated[Time, Positive] | None = None  # how long the valve opens for a sample
    settle: Time = 30.0  # arrangement hold: rest after the valve has shut


class BlowdownValve(Part):
    """blowdown_valve = { ... }: the surface blowdown valve as wired."""

    command: ChannelRef | None = None
    kind: Literal["on-off", "pulsed", "modulating"] = "on-off"
    position: Signal | None = None
    demand: Signal | None = None
    open_switch: ChannelRef | None = None
    shut_switch: ChannelRef | None = None
    opening_flow: WaterFlow | None = None  # kg/h
    bore: Annotated[Length, Positive] | None = None  # of the smallest opening, where no flow is stated
    bleed: WaterFlow | None = None  # kg/h
    longest: Annotated[Time, Positive] = 4 * 3600.0  # s, the longest a blow may last before it is an alarm
    travel: Time = 10.0
    tapped_at: Literal["relay", "terminals", "controller"] | None = None
    returns: Literal["shut", "open", "stays"] | None = None
    joins_within: Time = 0.0  # openings less than this apart are one blow; a pulsed valve that says nothing: 5 min
    open_above: Annotated[Ratio, Field(gt=0, le=50)] = 5.0  # %, a modulating valve counts as open above it
    line: Name | None = None  # name of the blow line, where boilers share one


class CutoffTest(Part):
    """A window in which low-water cut-off tests are expected: "05:30..06:30"."""

    window: Hours
    longest: Annotated[Time, Positive] = 60.0  # s: a contact that lasts longer is low water at once
    days: Annotated[tuple[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], ...], Field(min_length=1)] = DAYS


class Boiler(Part):
    """[[boiler]]"""

    name: Name
    pressure: Pressure
    water: Annotated[Mass, Positive] | None = None
    duty: Literal["lead", "lag", "standby", "schedule"] = "lead"
    steam_max: MassFlow | None = None
    conductivity: ConductivityInput | None = None
    sample: Sample | None = None
    dissolved_solids: DissolvedSolids | None = None
    blowdown_valve: BlowdownValve | None = None
    interlock: RunContact | None = None
    low_water: LowWaterContact | None = None
    high_water: HighWaterContact | None = None
    burner: BurnerContact | None = None
    lockout: LockoutContact | None = None
    controller_alarm: AlarmContact | None = None
    controller_hand: HandContact | None = None
    sample_flow: FlowContact | None = None
    water_level: Watched | None = None
    steam_pressure: Watched | None = None
    probe_temperature: Watched | None = None
    cutoff_test: tuple[CutoffTest, ...] = ()
    cutoff_test_every: Annotated[Time, Positive] | None = None  # a test that stops the burner is to be seen so often
    hand_blow: Annotated[Time, Positive] | None = None  # so long a blow by hand may show before it is mailed
    feedwater_conductivity: WaterQuality | None = None  # an analogue's name, or uS/cm
    makeup_conductivity: WaterQuality | None = None
    condensate_conductivity: WaterQuality | None = None
    cycles_by: tuple[Literal["chloride", "silica"], ...] = ()  # tests entered for boiler and feedwater, best first


class Tank(Part):
    """[[tank]]"""

    name: Name
    volume: Annotated[Volume, Positive]
    level: Signal | None = None
    low: Ratio | None = None
    shape: Shape | None = None
    serves: tuple[Name, ...]

    @property
    def tells_volume(self) -> bool:
        """Whether the level tells how much is in the tank."""
        return self.level is not None and (self.shape is not None or self.level.range.kind in ("ratio", "volume"))


class Chemical(Part):
    """[[chemical]]: a dosing pump as its relay shows it."""

    name: Name
    pump: ChannelRef
    closed_means: Literal["running", "stopped"] = "running"
    tank: Name | None = None
    pacing: Literal["with blow", "after blow", "share of time", "schedule", "makeup"] | None = None
    rate: VolumeFlow | None = None
    rate_date: Day | None = None
    serves: tuple[Name, ...]
    paced_by: tuple[Name, ...] = ()  # boilers whose blow, or meters whose volume, paces it; (): those it serves
    limit: Annotated[Time, Positive] | None = None  # with or after a blow: the longest run
    share: Annotated[Ratio, Positive] | None = None  # of the time; after a blow: of the blow's length
    cycle: Annotated[Time, Positive] | None = None  # share of time: on and off once within it
    times: tuple[ClockTime, ...] = ()  # schedule: "06:00" each day, or "Mon 06:00"
    run: Annotated[Time, Positive] | None = None  # schedule, makeup: how long one run lasts
    volume: Annotated[Volume, Positive] | None = None  # makeup: metered volume for one run
    meter: Name | None = None  # a [[meter]] that counts strokes or volume of the chemical itself
    speed: Name | None = None  # an [[analogue]] in % that drives the pump


class Analogue(Watched):
    """[[analogue]]: any other 4-20 mA signal, with limits of its own in the unit of its range."""

    name: Name
    serves: tuple[Name, ...] = ()


class Person(Part):
    """[[person]]: who is told."""

    name: str
    mail: Address
    text_address: Address | None = None  # gets a plain copy of less than 160 characters: a text-message gateway
    daily: bool = True  # gets the daily mail


class Mail(Part):
    """[mail]: the relay that takes our mail. Without it mails are written as files."""

    server: str
    port: int = Field(default=587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password_file: str | None = None
    token_file: str | None = None  # in place of a password: another program renews it
    sender: str
    ca_file: str | None = None


class Mailbox(Part):
    """[mailbox]: where replies to our mails come, read over IMAP; without it a reply is read by nobody."""

    server: str
    port: int = Field(default=993, ge=1, le=65535)
    security: Literal["tls", "starttls"] = "tls"
    user: str
    password_file: str | None = None
    token_file: str | None = None  # OAUTHBEARER: a file that another program keeps fresh
    folder: str = "INBOX"
    ca_file: str | None = None
    every: Annotated[Time, Positive] = 60.0

    @model_validator(mode="after")
    def _one_secret(self) -> Mailbox:
        if (self.password_file is None) == (self.token_file is None):
            raise ValueError("wants either password_file or token_file: the path of a file with what logs in")
        return self


class Store(Part):
    """[store]"""

    path: str | None = None
    low_space: Annotated[float, Field(ge=1)] = 500.0  # MB free below which it is an alarm
    durable: bool = True  # false: a power cut may lose the last seconds
    snapshot_every: Annotated[Time, Positive] = 60.0
    hot: Time = 45 * 86400.0  # older days are put away as Parquet
    keep: Time = 5 * 366 * 86400.0  # readings; records, hours and days are kept for ever
    keep_minutes: Time = 92 * 86400.0  # figures of minutes; hours and days stay


class Copy(Part):
    """[copy]: a central time-series server that takes InfluxDB line-protocol writes."""

    url: Annotated[str, Field(pattern=r"^https?://[^\s/]+(/\S*)?$")]
    org: str = ""
    bucket: str = ""
    token_file: str | None = None
    ca_file: str | None = None
    name: Annotated[str, Field(max_length=60)] = ""  # of this plant there; "": the plant's name in small letters
    every: Annotated[Time, Positive] = 60.0
    late: Annotated[Time, Positive] = 3600.0  # further behind than this is told


class AlarmSetting(Part):
    """[alarms.KIND]: the plant's own figures for one kind of alarm."""

    on_delay: Time | None = None
    off_delay: Time | None = None
    deadband: float | None = None
    priority: Literal["highest", "high", "medium", "low"] | None = None
    enabled: bool = True
    latching: bool | None = None  # held after it has cleared, until `waterside release`; None: as the kind does
    shelving: bool = True  # false: nobody puts it aside
    respond_within: Time | None = None
    count: Annotated[int, Field(ge=1)] | None = None  # kinds that count: the most within the window that is no alarm
    within: Annotated[Time, Positive] | None = None  # and the window, a day at most


class Plant(Part):
    """The whole plant file."""

    plant: Site
    links: tuple[Link, ...] = Field(alias="link", min_length=1)
    modules: tuple[Module, ...] = Field(alias="module", min_length=1)
    module_types: tuple[ModuleType, ...] = Field(alias="module_type", default=())
    boilers: tuple[Boiler, ...] = Field(alias="boiler", default=())
    meters: tuple[Meter, ...] = Field(alias="meter", default=())
    tanks: tuple[Tank, ...] = Field(alias="tank", default=())
    chemicals: tuple[Chemical, ...] = Field(alias="chemical", default=())
    analogues: tuple[Analogue, ...] = Field(alias="analogue", default=())
    tests: tuple[ControlTest, ...] = Field(alias="test", default=())
    persons: tuple[Person, ...] = Field(alias="person", default=())
    rota: Rota | None = None
    tell: Tell = Tell()
    sign_of_life: SignOfLife | None = None
    mail: Mail | None = None
    mailbox: Mailbox | None = None
    store: Store = Store()
    copy_to: Copy | None = Field(alias="copy", default=None)
    alarms: dict[str, AlarmSetting] = Field(default_factory=dict)

    def module(self, name: str) -> Module:
        """The module called `name`; KeyError when there is none."""
        return next((m for m in self.modules if m.name == name), None) or _missing("module", name)

    def boiler(self, name: str) -> Boiler:
        """The boiler called `name`; KeyError when there is none."""
        return next((b for b in self.boilers if b.name == name), None) or _missing("boiler", name)


def _missing(what: str, name: str) -> Any:
    raise KeyError(f"no {what} called {name!r}")
