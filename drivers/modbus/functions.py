"""The only Modbus functions this project can ask for: 1, 2, 3 and 4.

Lives here: the table from a channel's function to the request that reads it, and the strict reading of its answer.
Every request that leaves a Modbus driver is made by `encode`; there is no other way to make one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from struct import Struct
from types import MappingProxyType
from typing import Final

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from drivers.contract import Fault, Request, refused
from drivers.modbus.decode import Items

READS: Final[Mapping[str, type[ModbusPDU]]] = MappingProxyType(
    {
        "coil": ReadCoilsRequest,  # 1
        "discrete": ReadDiscreteInputsRequest,  # 2
        "holding": ReadHoldingRegistersRequest,  # 3
        "input": ReadInputRegistersRequest,  # 4
    }
)

MEANINGS: Final[Mapping[int, str]] = MappingProxyType(
    {
        1: "no such function",
        2: "no such register",
        3: "not allowed in this form",
        4: "the module has failed",
        5: "accepted, answer later",
        6: "busy",
        7: "cannot do it",
        8: "memory parity error",
        10: "gateway has no path to the module",
        11: "module behind the gateway gave no answer",
    }
)
"""Exception codes in plain words (MODBUS Application Protocol V1.1b3, section 7)."""


def encode(request: Request, unit: int) -> ModbusPDU:
    """The request as pymodbus sends it. KeyError for any function that does not read."""
    return READS[request.function](dev_id=unit, address=request.address, count=request.count)


@dataclass(frozen=True, slots=True)
class Shape:
    """What a good answer to one request looks like."""

    code: int
    count: int
    data_bytes: int
    registers: Struct | None  # None for bits

    @property
    def pdu_bytes(self) -> int:
        """Length of a good answer from the function code on."""
        return 2 + self.data_bytes


def shape(request: Request) -> Shape:
    """The shape of the good answer to `request`."""
    code = READS[request.function].function_code
    if request.function in ("coil", "discrete"):
        return Shape(code, request.count, (request.count + 7) // 8, None)
    return Shape(code, request.count, 2 * request.count, Struct(f">{request.count}H"))


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an answer carries no items. `skip`: the rest of the module's plan is not worth asking now.

    `sent`: whether the request may have reached the wire.
    """

    fault: Fault
    why: str
    skip: bool = False
    sent: bool = True


def items(pdu: bytes, shape: Shape) -> Items | Refusal:
    """The registers or bits of an answer, function code first; a Refusal unless it is exactly as asked."""
    size = len(pdu)
    if size == 2 + shape.data_bytes and pdu[0] == shape.code and pdu[1] == shape.data_bytes:
        if shape.registers is not None:
            return shape.registers.unpack_from(pdu, 2)
        return [pdu[2 + (i >> 3)] >> (i & 7) & 1 for i in range(shape.count)]
    if size == 2 and pdu[0] == shape.code | 0x80:
        code = pdu[1]
        # behind a gateway the module itself is out of reach: asking on would cost the gateway's wait each time
        return Refusal(
            refused(code),
            f"module refused (code {code}: {MEANINGS.get(code, 'not a listed code')})",
            skip=code in (10, 11),
        )
    if not size or pdu[0] & 0x7F != shape.code:
        return Refusal(Fault.BAD_ANSWER, f"an answer to function {pdu[0] if size else 'nothing'}; asked {shape.code}")
    found = f"{size} bytes" + (f" with byte count {pdu[1]}" if size > 1 else "")
    return Refusal(Fault.BAD_ANSWER, f"an answer of {found}; wanted {shape.pdu_bytes} with {shape.data_bytes}")
