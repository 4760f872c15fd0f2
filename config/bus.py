"""The bus as written down: links, modules and their channels, and reusable types of modules.

Lives here: the shape of [[link]], [[module]] and [[module_type]]. Imports nothing of ours but `config`.
"""

from __future__ import annotations

import math
import re
import struct
from typing import Annotated, Any, ClassVar, Final, Literal, Self

from pydantic import Field, PlainValidator, ValidationInfo, WithJsonSchema, field_validator, model_validator

from config import units
from config.text import Ends, Pattern, Prompt
from config.written import Name, Part, Positive, Time, only_text

Function = Literal["coil", "discrete", "holding", "input"]
FUNCTIONS: Final[tuple[Function, ...]] = ("coil", "discrete", "holding", "input")
TIMEOUT_S: Final = 1.0
"""How long an answer may take where nothing is written (MODBUS over Serial Line V1.02, page 10: 1 s to several)."""


class Link(Part):
    """[[link]]: one pair of wires or one socket, with one owner."""

    name: Name
    kind: Literal["modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp", "modbus-ascii", "text"]
    host: str | None = None
    port: int = Field(default=502, ge=1, le=65535)
    device: str | None = None
    baud: int = Field(default=19200, ge=300, le=1_000_000)  # of the pair behind the gateway for modbus-rtu-over-tcp
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    data_bits: Literal[7, 8] = 8  # of the characters of a text link; Modbus says itself how many
    direction: Literal["adapter", "kernel"] = "adapter"  # who switches an RS-485 pair between sending and listening
    timeout: Annotated[Time, Positive] | None = None  # s, the longest wait for one answer; None: from the module's own
    pause: Time = 0.0  # s of quiet before each request beyond the 3.5 characters: the turnaround pause

    @property
    def timeout_s(self) -> float:
        """The longest wait in s for an answer of a module that does not say how long it may take."""
        return self.waits(None)

    def waits(self, answers_within: float | None) -> float:
        """The longest wait in s for an answer: as written on the link, else as the module says, else 1 s."""
        if self.timeout is not None:
            return self.timeout
        return TIMEOUT_S if answers_within is None else answers_within


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


class Addresses(Part):
    """A stretch of protocol addresses of one function, both ends in it: "holding 100..110", "coil 7"."""

    function: Function
    first: int
    last: int

    example: ClassVar[str] = "holding 100..110"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "function and addresses", cls.example)
        m = re.fullmatch(r"\s*([a-z]+)\s+(\d{1,5})(?:\s*\.\.\s*(\d{1,5}))?\s*", value, re.ASCII)
        if m is None or m[1] not in FUNCTIONS:
            raise ValueError(
                f'wants function and addresses, like "{cls.example}" (functions: {", ".join(FUNCTIONS)}); '
                f"found {units.found_text(value)}"
            )
        first, last = int(m[2]), int(m[3] or m[2])
        if not first <= last <= 65535:
            raise ValueError(f"wants first and last address, 0 to 65535; found {units.found_text(value)}")
        return {"function": m[1], "first": first, "last": last}

    def __str__(self) -> str:
        return f"{self.function} {self.first}" + (f"..{self.last}" if self.last > self.first else "")

    def touches(self, function: str, start: int, end: int) -> bool:
        """True when any address from `start` to before `end` lies in it."""
        return function == self.function and start <= self.last and self.first < end


ChannelType = Literal["u16", "s16", "u32", "s32", "u64", "f32", "f64", "bit", "bcd16", "bcd32"]
REGISTERS: Final[dict[str, int]] = {
    "u16": 1, "s16": 1, "u32": 2, "s32": 2, "u64": 4, "f32": 2, "f64": 4, "bit": 1, "bcd16": 1, "bcd32": 2,
}  # fmt: skip
COUNTS: Final[dict[str, tuple[int, int]]] = {
    "u16": (0, 2**16 - 1),
    "s16": (-(2**15), 2**15 - 1),
    "u32": (0, 2**32 - 1),
    "s32": (-(2**31), 2**31 - 1),
    "u64": (0, 2**64 - 1),
    "bcd16": (0, 9999),
    "bcd32": (0, 99_999_999),
}
"""Lowest and highest count of each whole type."""
FIELD: Final = r"^[A-Za-z_][A-Za-z0-9_]*$"

_BY_DIGIT: Final[dict[str, Function]] = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}


def spot(number: int | str) -> tuple[Function, int]:
    """Function and protocol address of a data-model number: 40001 or "400001" is (holding, 0).

    The first of five or six digits is the table (0 coils, 1 discrete inputs, 3 input registers, 4 holding registers),
    the rest counts from 1, where addresses count from 0 (MODBUS Application Protocol V1.1b3, 4.4; the leading digit is
    common practice, no source). ValueError for anything else.
    """
    text = number if isinstance(number, str) else f"{number:05}"
    if re.fullmatch(r"[0134]\d{4,5}", text, re.ASCII) and 1 <= int(text[1:]) <= 65536:
        return _BY_DIGIT[text[0]], int(text[1:]) - 1
    raise ValueError(
        "wants the number of a coil (00001), discrete input (10001), input register (30001) or holding register "
        f"(40001), five or six digits; found {units.found_text(number)}"
    )


def _is_number(value: object) -> int | str:
    if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    raise ValueError(f'wants a number like 40001, or text like "00001"; found {units.found_text(value)}')


def _is_count(value: object) -> int | float:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return value
    raise ValueError(f"wants the count that stands for no value, like 65535; found {units.found_text(value)}")


class Channel(Part):
    """[module.channels]: where one number of a module is read. `address` is the protocol address, from 0.

    A number of a text instrument is a `field` of its pattern and has neither function nor address: input 0 and f64
    stand in for them, and nobody asks for those.
    """

    function: Function
    address: int = Field(ge=0, le=65535)
    number: Annotated[
        int | str | None,
        PlainValidator(_is_number),
        WithJsonSchema(
            {"anyOf": [{"type": "integer"}, {"type": "string"}], "description": "like 40001; for function and address"}
        ),
    ] = None
    type: ChannelType = "u16"  # "bit" alone for coils and discrete inputs
    bit: int | None = Field(default=None, ge=0, le=15)
    words: Literal["high first", "low first"] = "high first"
    bytes: Literal["high first", "low first"] = "high first"
    span: Span | None = None
    not_available: Annotated[
        int | float | None,
        PlainValidator(_is_count),
        WithJsonSchema({"type": "number", "description": "the count by which the module says that it has no value"}),
    ] = None
    field: Annotated[str, Field(pattern=FIELD)] | None = None  # of the module's pattern, on a text link

    @model_validator(mode="before")
    @classmethod
    def _places(cls, value: Any, info: ValidationInfo) -> Any:
        if not isinstance(value, dict):
            return value
        value = {k: v for k, v in value.items() if v is not None}
        if "field" in value:
            # as a whole only when the model is built from its own dump
            if info.context and (more := [k for k in value if k != "field" and k in cls.model_fields]):
                raise ValueError(f"a field of a text instrument takes nothing beside it; found {', '.join(more)}")
            return {"function": "input", "address": 0, "type": "f64", **value}
        if "number" in value:
            function, address = spot(_is_number(value["number"]))
            meant = {"function": function, "address": address}
            if wrong := [k for k, v in meant.items() if value.get(k, v) != v]:
                raise ValueError(
                    f"number {value['number']} is {function} address {address}; wants number, or function and address; "
                    f"found {wrong[0]} = {units.found_text(value[wrong[0]])} beside it"
                )
            value |= meant
        if value.get("function") in ("coil", "discrete"):
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
        if self.end > 65536:
            raise ValueError(f"wants a value that ends at address 65535 or before; found {self.type} at {self.address}")
        self._no_value()
        return self

    def _no_value(self) -> None:
        """A count that stands for no value is one the type can have."""
        none = self.not_available
        if none is None:
            return
        if self.type == "bit":
            raise ValueError(f"a bit is 0 or 1 and has no not_available; found {none}")
        if self.type in COUNTS:
            low, high = COUNTS[self.type]
            if int(none) != none or not low <= none <= high:
                signed = none - 2 * (high + 1)
                more = f"; the register 0x{int(none):x} is {signed:.0f} there" if low <= signed < 0 else ""
                raise ValueError(f"wants a not_available from {low} to {high} ({self.type}); found {none}{more}")
        elif self.type == "f32":
            try:
                struct.pack(">f", none)
            except OverflowError:
                raise ValueError(f"wants a not_available that a 32-bit float can hold; found {none}") from None

    @property
    def registers(self) -> int:
        """How many registers (or one bit) the value takes."""
        return REGISTERS[self.type]

    @property
    def end(self) -> int:
        """The address after its last."""
        return self.address + REGISTERS[self.type]


class Ways(Part):
    """How a module wants to be asked: written on it, or on its type."""

    max_registers: int = Field(default=125, ge=1, le=125)  # the most one request may ask of it
    max_bits: int = Field(default=2000, ge=1, le=2000)
    gap: int = Field(default=8, ge=0, le=124)  # unused registers that may be read across (bits: 8 times as many)
    never: tuple[Addresses, ...] = ()  # never to be touched
    clear_on_read: tuple[Addresses, ...] = ()  # reading them changes them
    answers_within: Annotated[Time, Positive] | None = None  # s, its worst answer time
    # on a text link alone: an instrument that prints lines
    pattern: Pattern | None = None  # of a whole line, with a named field for each number
    prompt: Prompt | None = None  # what it is asked with; None: it prints by itself
    ends: Ends | None = None  # of a line; None: CR, LF or both
    checksum: Literal["none", "xor8", "sum8"] = "none"  # after a * at the line's end, two hexadecimal digits
    longest: int = Field(default=256, ge=8, le=512)  # characters of a line
    decimal: Literal[".", ","] = "."

    def most(self, function: str) -> int:
        """The most items (bits or registers) one request may ask for."""
        return self.max_bits if function in ("coil", "discrete") else self.max_registers

    def widest_gap(self, function: str) -> int:
        """The most unused items between two channels that may be read across."""
        return 8 * self.gap if function in ("coil", "discrete") else self.gap


class Module(Ways):
    """[[module]]: one answering unit on a link. With a `type` its channels are those of the type and its own."""

    name: Name
    link: Name
    unit: int = Field(default=1, ge=0, le=255)
    every: Time = 10.0  # s between polls
    type: str | None = None
    leave_out: tuple[Name, ...] = ()  # channels of the type that are not wanted
    channels: dict[Name, Channel] = Field(min_length=1)

    @field_validator("every")
    @classmethod
    def _every(cls, value: float) -> float:
        if not 0.1 <= value <= 3600:
            raise ValueError(f"wants between 100 ms and 1 h; found {value:g} s")
        return value


class ModuleType(Ways):
    """[[module_type]]: a kind of module described once. `config/module_types` has some that come along."""

    name: Name
    about: str = ""
    channels: dict[Name, Channel] = Field(min_length=1)
