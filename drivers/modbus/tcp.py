"""Modbus TCP on the event loop: one connection per link, shared in turn by its modules.

Lives here: the connection and the strict reading of what comes over it. pymodbus encodes the requests, owns the
transport and matches transactions; the client classes above it are not used (they pull in every other transport).
May import: config, drivers.contract, drivers.modbus, drivers.wire_time, pymodbus.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from struct import Struct
from typing import Final

from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.transaction import TransactionManager
from pymodbus.transport import CommParams, CommType

from config.model import Link
from drivers import wire_time
from drivers.contract import Answer, DriverError, Fault, ReadPlan
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, encode, items
from drivers.modbus.identify import Identification
from drivers.modbus.poll import Ask, Poll, ready
from drivers.modbus.timing import LUMP_S, answer_timeout, worst_answer
from drivers.tap import Tap, Teller

# pymodbus dumps its last twenty frames with every error; what matters is said in Answer.detail
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

_HEAD: Final = Struct(">HHHB")  # transaction, protocol, length from the unit on, unit
_LONGEST: Final = 254  # unit and 253 bytes of PDU
_ANY_UNIT: Final = (0, 255)  # "the device at this address itself": it may answer as 0 or 255
_FIRST_HOLD, _LONGEST_HOLD = 0.5, 5.0  # s between attempts at a link that cannot be opened


class Arrived(ModbusPDU):
    """What came for the request in flight: the bytes from the function code on, or why they are unusable."""

    def __init__(self, unit: int, transaction: int, pdu: bytes, why: str = "") -> None:
        self.dev_id, self.transaction_id = unit, transaction
        self.pdu, self.why = pdu, why
        self.retries = 0


class Frames(FramerSocket):
    """Cuts the stream into answers. Late answers are dropped and counted; anything that is no Modbus TCP ends it."""

    def __init__(self) -> None:
        super().__init__(DecodePDU(False))
        self.late = 0
        self.broken = ""  # why this connection can no longer be trusted

    def handleFrame(self, data: bytes, exp_devid: int, exp_tid: int) -> tuple[int, ModbusPDU | None]:
        used, size = 0, len(data)
        while size - used >= 8:
            transaction, protocol, length, unit = _HEAD.unpack_from(data, used)
            if protocol or not 2 <= length <= _LONGEST:
                self.broken = f"bytes that are no Modbus TCP ({data[used : used + 8].hex(' ')})"
                return size, Arrived(exp_devid, exp_tid, b"", self.broken)
            end = used + 6 + length
            if end > size:
                break
            if transaction == exp_tid:
                if unit != exp_devid and exp_devid not in _ANY_UNIT:
                    self.broken = f"an answer of unit {unit}"
                    return end, Arrived(exp_devid, exp_tid, b"", self.broken)
                return end, Arrived(exp_devid, exp_tid, data[used + 7 : end])
            self.late += 1
            used = end
        return used, None


class _Tapped(TransactionManager):
    """Tells a tap of what comes, as it comes."""

    def __init__(self, tell: Teller, params: CommParams, frames: Frames, up_or_down: Callable[[bool], None]) -> None:
        super().__init__(params, frames, 0, False, self._sent, None, up_or_down)
        self._tell = tell

    def _sent(self, sending: bool, data: bytes) -> bytes:
        if sending:
            self._tell.sent(data)
        return data

    def data_received(self, data: bytes) -> None:
        self._tell.came(data)
        super().data_received(data)


class TcpDriver:
    """One Modbus TCP link (`drivers.contract.Driver`)."""

    def __init__(self, link: Link, tap: Tap | None = None) -> None:
        if not link.host:
            raise DriverError(f'Link {link.name}: modbus-tcp wants host = "name or address of the module or gateway".')
        self._link, self._where, self._tell = link, f"{link.host}:{link.port}", Teller(tap)
        self._wire: TransactionManager | None = None
        self._frames = Frames()
        self._opening: asyncio.Task[None] | None = None
        self._in_flight = self._closed = False
        self._hold, self._not_before, self._trouble = _FIRST_HOLD, 0.0, ""
        self._polls: dict[str, Poll] = {}

    async def connect(self) -> str:
        self._not_before = 0.0
        return await self._open()

    async def read(self, plan: ReadPlan) -> Answer:
        poll = self._polls.get(plan.module)
        if poll is None or poll.plan is not plan:
            poll = self._polls[plan.module] = ready(plan)
        steps = poll.steps()
        ask = next(steps)
        try:
            while True:
                self._tell.begin()
                got = await self._ask(ask, plan)
                if isinstance(got, Refusal):
                    self._tell.failed(got.fault, plan.unit, encode(ask.request, plan.unit))
                ask = steps.send(got)
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    async def identify(self, unit: int) -> bytes:
        """See `drivers.contract.Identifies`."""
        arrived = await self._execute(Identification(dev_id=unit), self._link.timeout_s + LUMP_S, self._link.timeout_s)
        return b"" if isinstance(arrived, Refusal) else arrived.pdu

    async def aclose(self) -> None:
        self._closed = True
        if self._opening is not None:
            self._opening.cancel()
        self._drop()

    async def _open(self) -> str:
        """Open the connection unless it is open; "" or one sentence about what stands in the way."""
        if self._wire is not None:
            return ""
        if self._closed:
            return f"Link {self._link.name} is closed."
        if wire_time.now() < self._not_before:
            return self._trouble
        self._opening = asyncio.create_task(self._dial())
        try:
            await asyncio.wait((self._opening,))
            if self._opening.cancelled():
                return f"Link {self._link.name} is closed."
            error = self._opening.exception()
        finally:
            self._opening.cancel()
            self._opening = None
        if error is None:
            self._hold, self._trouble = _FIRST_HOLD, ""
            return ""
        self._trouble = _trouble(self._link, self._where, error)
        self._not_before = wire_time.now() + self._hold
        self._hold = min(2 * self._hold, _LONGEST_HOLD)
        return self._trouble

    async def _dial(self) -> None:
        params = CommParams(
            comm_name=self._link.name,
            comm_type=CommType.TCP,
            host=self._link.host or "",
            port=self._link.port,
            timeout_connect=self._link.timeout_s,
            reconnect_delay=0,  # connecting again is ours
        )
        frames = Frames()
        if self._tell.tap is None:
            wire = TransactionManager(params, frames, 0, False, None, None, self._up_or_down)
        else:
            wire = _Tapped(self._tell, params, frames, self._up_or_down)
        async with asyncio.timeout(self._link.timeout_s):
            await wire.call_create()
        if wire.transport is not None:  # else lost again at once
            self._frames, self._wire = frames, wire

    def _up_or_down(self, up: bool) -> None:
        # a lost connection would leave the waiting request to its timeout
        wire = self._wire
        if not up and wire is not None:
            self._wire = None
            if self._in_flight and not wire.response_future.done():
                wire.response_future.set_exception(ConnectionException("connection lost"))

    def _drop(self) -> None:
        wire, self._wire = self._wire, None
        if wire is None:
            return
        if isinstance(wire.transport, asyncio.Transport):
            wire.transport.abort()
        wire.close()
        if self._in_flight and not wire.response_future.done():
            wire.response_future.set_exception(ConnectionException("closed"))

    async def _ask(self, ask: Ask, plan: ReadPlan) -> Items | Refusal:
        request = encode(ask.request, plan.unit)
        waits = worst_answer(self._link, plan)
        arrived = await self._execute(request, answer_timeout(self._link, plan, ask.request), waits)
        if isinstance(arrived, Refusal):
            return arrived
        got = items(arrived.pdu, ask.shape)
        if isinstance(got, Refusal) and got.fault is Fault.BAD_ANSWER:
            self._frames.broken = got.why
            self._drop()
        return got

    async def _execute(self, request: ModbusPDU, timeout: float, waits: float) -> Arrived | Refusal:
        """Send a request and await its answer; `waits`: the timeout as it is told."""
        if self._frames.broken or (self._wire is not None and self._wire.recv_buffer):
            self._drop()  # half of a late answer: the other half would be read as the start of the next
        if self._wire is None and (trouble := await self._open()):
            fault = Fault.STOPPING if self._closed else Fault.LINK_DOWN
            return Refusal(fault, trouble, skip=True, sent=False)
        wire = self._wire
        if wire is None:
            why = f"{self._where} closed the connection at once"
            return Refusal(Fault.LINK_DOWN, why, skip=True, sent=False)
        self._in_flight = True
        wire.comm_params.timeout_connect = timeout  # of an answer, by now
        try:
            arrived = await wire.execute(False, request)
        except ConnectionException:
            if self._closed:
                return Refusal(Fault.STOPPING, "the link is being closed", skip=True)
            return Refusal(Fault.LINK_DOWN, f"{self._where} closed the connection", skip=True)
        except ModbusIOException:
            if wire.recv_buffer:
                self._drop()  # half an answer: what follows it must not be read as the start of the next
                return Refusal(Fault.BAD_ANSWER, "half an answer, then silence", skip=True)
            return Refusal(Fault.NO_ANSWER, f"no answer within {waits:g} s", skip=True)
        finally:
            self._in_flight = False
        if not isinstance(arrived, Arrived) or arrived.why:
            self._drop()
            return Refusal(Fault.BAD_ANSWER, getattr(arrived, "why", "an unknown answer"))
        return arrived


def open_tcp(link: Link, tap: Tap | None = None) -> TcpDriver:
    """The driver of a modbus-tcp link, not yet connected."""
    return TcpDriver(link, tap)


def _trouble(link: Link, where: str, error: BaseException) -> str:
    if isinstance(error, TimeoutError):
        what = f"did not answer within {link.timeout_s:g} s"
        look = "Check power, cable and address of the module"
    elif isinstance(error, ConnectionRefusedError):
        what = "refuses the connection"
        look = "Check the port, and whether the module takes another connection"
    else:
        what = f"cannot be reached ({getattr(error, 'strerror', None) or error})"
        look = "Check the host name, cable and network"
    return f"Link {link.name}: {where} {what}. {look}. It is tried again by itself."
