"""The plant as written down: frozen, typed, in the units of `config.units`.

Lives here: the shape of the plant file and what one value of it may be. What spans several values
(does this channel exist?) is in `config.rules`. Imports nothing of ours but `config`.
Every quantity is a float in the base unit that `config.units` names; names in [brackets] are TOML keys.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from config import units
from config.written import (
    ChannelRef,
    Conductivity,
    Day,
    Length,
    Mass,
    MassFlow,
    Name,
    Positive,
    Pressure,
    Ratio,
    Temperature,
    Time,
    Volume,
    VolumeFlow,
    WaterFlow,
    air_of,
    only_text,
)


class Part(BaseModel):
    """Any part of the plant: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False)


class Site(Part):
    """[plant]"""

    name: str
    zone: str
    units: Literal["us", "si"] = "si"
    altitude: Length = 0.0  # m

    @field_validator("altitude")
    @classmethod
    def _altitude(cls, value: float) -> float:
        if not -500 <= value <= 9000:
            raise ValueError(f"wants between -500 m and 9000 m; found {value:g} m")
        return value


class Link(Part):
    """[[link]]: one pair of wires or one socket, with one owner."""

    name: Name
    kind: Literal["modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp", "modbus-ascii", "text"]
    host: str | None = None
    port: int = Field(default=502, ge=1, le=65535)
    device: str | None = None
    baud: int = Field(default=19200, ge=300, le=1_000_000)
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    timeout: Annotated[Time, Positive] = 1.0  # s, the longest wait for one answer
    pause: Time = 0.0  # s of quiet before each request beyond the 3.5 characters


class Span(Part):
    """Counts of a module to milliamperes: "0..65535 = 0..20 mA"."""

    low_count: float
    high_count: float
    low_ma: float
    high_ma: float

    example: ClassVar[str] = "0..65535 = 0..20 mA"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "counts = current", cls.example)
        left, eq, right = value.partition("=")
        if not eq:
            raise ValueError(f'wants counts = current, like "{cls.example}"; found {units.found_text(value)}')
        lo, hi, none = units.span(left, "0..65535")
        a, b, unit = units.span(right, "0..20 mA")
        if none:
            raise ValueError(f'wants plain counts left of the =, like "{cls.example}"; found {units.found_text(value)}')
        u = units.unit_of(unit, "current")
        return {"low_count": lo, "high_count": hi, "low_ma": a * u.factor, "high_ma": b * u.factor}


class Range(Part):
    """Milliamperes to engineering units: "4..20 mA = 0..5000 uS/cm"; values in the base unit of `kind`."""

    low_ma: float
    high_ma: float
    low: float
    high: float
    unit: str  # as written
    kind: str  # kind of quantity, "" when the unit is not one the tables know (then values are as written)

    example: ClassVar[str] = "4..20 mA = 0..5000 uS/cm"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "current = value", cls.example)
        left, eq, right = value.partition("=")
        if not eq:
            raise ValueError(f'wants current = value, like "{cls.example}"; found {units.found_text(value)}')
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


ChannelType = Literal["u16", "s16", "u32", "s32", "u64", "f32", "f64", "bit"]
REGISTERS: dict[str, int] = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "u64": 4, "f32": 2, "f64": 4, "bit": 1}


class Channel(Part):
    """[module.channels]: where one number of a module is read. `address` is the protocol address, from 0."""

    function: Literal["coil", "discrete", "holding", "input"]
    address: int = Field(ge=0, le=65535)
    type: ChannelType = "u16"  # "bit" alone for coils and discrete inputs
    bit: int | None = Field(default=None, ge=0, le=15)
    words: Literal["high first", "low first"] = "high first"
    bytes: Literal["high first", "low first"] = "high first"
    span: Span | None = None

    @model_validator(mode="before")
    @classmethod
    def _bits(cls, value: Any) -> Any:
        if isinstance(value, dict) and value.get("function") in ("coil", "discrete"):
            return {"type": "bit", **value}
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.function in ("coil", "discrete"):
            if self.type != "bit" or self.bit is not None or self.span is not None:
                written = ", ".join(k for k in ("type", "bit", "span") if k in self.model_fields_set)
                raise ValueError(f"a coil or discrete input is one bit: it takes no type, bit or span; found {written}")
        elif (self.type == "bit") != (self.bit is not None):
            found = f'type = "{self.type}"' + ("" if self.bit is None else f", bit = {self.bit}")
            raise ValueError(f'a bit of a register is written type = "bit", bit = 0..15; found {found}')
        if self.address + self.registers > 65536:
            raise ValueError(f"wants a value that ends at address 65535 or before; found {self.type} at {self.address}")
        return self

    @property
    def registers(self) -> int:
        """How many registers (or one bit) the value takes."""
        return REGISTERS[self.type]


class Module(Part):
    """[[module]]: one answering unit on a link."""

    name: Name
    link: Name
    unit: int = Field(default=1, ge=0, le=255)
    every: Time = 10.0  # s between polls
    channels: dict[Name, Channel] = Field(min_length=1)

    @field_validator("every")
    @classmethod
    def _every(cls, value: float) -> float:
        if not 0.1 <= value <= 3600:
            raise ValueError(f"wants between 100 ms and 1 h; found {value:g} s")
        return value


class Signal(Part):
    """An analogue signal: a channel and its range."""

    channel: ChannelRef
    range: Range


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
    coefficient: Ratio = 2.0  # % per degC, when not compensated and a probe temperature is wired
    signal: Literal["live", "held"] | None = None  # None: not said; it is treated as held and check says so
    damping: Time = 0.0
    set_point: Conductivity | None = None
    differential: Conductivity | None = None
    high: Conductivity | None = None
    very_high: Conductivity | None = None
    low: Conductivity | None = None


class Sample(Part):
    """sample = { ... }: when the probe sees boiler water."""

    arrangement: Literal["continuous", "timed", "hold", "side-stream", "none"]
    flush: Time = 30.0
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
    bleed: WaterFlow | None = None  # kg/h
    longest: Annotated[Time, Positive] = 4 * 3600.0  # s, the longest a blow may last before it is an alarm
    travel: Time = 10.0
    tapped_at: Literal["relay", "terminals", "controller"] | None = None
    returns: Literal["shut", "open", "stays"] | None = None
    joins_within: Time = 0.0  # openings less than this apart are one blow


class CutoffTest(Part):
    """A window in which low-water cut-off tests are expected: "05:30..06:30"."""

    window: Annotated[str, Field(pattern=r"^[0-2]\d:[0-5]\d\.\.[0-2]\d:[0-5]\d$")]


class Boiler(Part):
    """[[boiler]]"""

    name: Name
    pressure: Pressure
    water: Annotated[Mass, Positive] | None = None
    duty: Literal["lead", "lag", "standby", "schedule"] = "lead"
    steam_max: MassFlow | None = None
    conductivity: ConductivityInput | None = None
    sample: Sample | None = None
    blowdown_valve: BlowdownValve | None = None
    interlock: RunContact | None = None
    low_water: LowWaterContact | None = None
    high_water: HighWaterContact | None = None
    burner: BurnerContact | None = None
    lockout: LockoutContact | None = None
    controller_alarm: AlarmContact | None = None
    controller_hand: HandContact | None = None
    water_level: Signal | None = None
    steam_pressure: Signal | None = None
    probe_temperature: Signal | None = None
    cutoff_test: tuple[CutoffTest, ...] = ()


class Meter(Part):
    """[[meter]]: pulses of a water, steam or fuel meter."""

    name: Name
    channel: ChannelRef
    measures: Literal["makeup", "feedwater", "condensate", "blowdown", "steam", "fuel", "other"]
    pulse: Annotated[Volume, Positive]  # m3 a pulse
    max_rate: Annotated[VolumeFlow, Positive]  # m3/h; a step beyond it is no rollover
    serves: tuple[Name, ...]
    temperature: Temperature | None = None


class Tank(Part):
    """[[tank]]"""

    name: Name
    volume: Annotated[Volume, Positive]
    level: Signal | None = None
    low: Ratio | None = None
    serves: tuple[Name, ...]


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


class Analogue(Part):
    """[[analogue]]: any other 4-20 mA signal, with limits of its own in the unit of its range."""

    name: Name
    channel: ChannelRef
    range: Range
    high: float | None = None
    low: float | None = None
    deadband: float = 0.0
    delay: Time = 0.0
    serves: tuple[Name, ...] = ()


class Person(Part):
    """[[person]]: who is told."""

    name: str
    mail: Annotated[str, Field(pattern=r"^[^@\s<>]+@[^@\s<>]+$")]


class Mail(Part):
    """[mail]: the relay that takes our mail. Without it mails are written as files."""

    server: str
    port: int = Field(default=587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password_file: str | None = None
    sender: str
    ca_file: str | None = None


class Store(Part):
    """[store]"""

    path: str | None = None
    low_space: Annotated[float, Field(ge=1)] = 500.0  # MB free below which it is an alarm
    durable: bool = True  # false: a power cut may lose the last seconds
    snapshot_every: Annotated[Time, Positive] = 60.0
    keep: Time = 5 * 366 * 86400.0


class Copy(Part):
    """[copy]: a central time-series server. Named so that a plant can be described; not yet in use."""

    url: str
    org: str = ""
    bucket: str = ""
    token_file: str | None = None


class AlarmSetting(Part):
    """[alarms.KIND]: the plant's own figures for one kind of alarm."""

    on_delay: Time | None = None
    off_delay: Time | None = None
    deadband: float | None = None
    priority: Literal["highest", "high", "medium", "low"] | None = None
    enabled: bool = True
    respond_within: Time | None = None


class Plant(Part):
    """The whole plant file."""

    plant: Site
    links: tuple[Link, ...] = Field(alias="link", min_length=1)
    modules: tuple[Module, ...] = Field(alias="module", min_length=1)
    boilers: tuple[Boiler, ...] = Field(alias="boiler", default=())
    meters: tuple[Meter, ...] = Field(alias="meter", default=())
    tanks: tuple[Tank, ...] = Field(alias="tank", default=())
    chemicals: tuple[Chemical, ...] = Field(alias="chemical", default=())
    analogues: tuple[Analogue, ...] = Field(alias="analogue", default=())
    persons: tuple[Person, ...] = Field(alias="person", default=())
    mail: Mail | None = None
    store: Store = Store()
    copy_to: Copy | None = Field(alias="copy", default=None)
    alarms: dict[str, AlarmSetting] = {}

    def module(self, name: str) -> Module:
        """The module called `name`; KeyError when there is none."""
        return next((m for m in self.modules if m.name == name), None) or _missing("module", name)

    def boiler(self, name: str) -> Boiler:
        """The boiler called `name`; KeyError when there is none."""
        return next((b for b in self.boilers if b.name == name), None) or _missing("boiler", name)


def _missing(what: str, name: str) -> Any:
    raise KeyError(f"no {what} called {name!r}")
