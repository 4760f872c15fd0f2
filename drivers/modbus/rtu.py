"""Modbus RTU on a serial port: a blocking thread of its own for each link.

Lives here: the port, the silences before each request, and the wait for its answer. A thread keeps the 3.5
characters of silence that strict modules insist on; an event loop under load does not. pymodbus encodes the frames,
`drivers.modbus.guard` finds the answer.
May import: config, drivers.contract, drivers.modbus, drivers.wire_time, pymodbus, pyserial (when a port is opened).
"""

from __future__ import annotations

import asyncio
import errno
import logging
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from config.model import Link
from drivers import wire_time
from drivers.contract import Answer, DriverError, Fault, ReadPlan, nothing
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, encode, items
from drivers.modbus.guard import SMALLEST, frames_in, look
from drivers.modbus.poll import Ask, Poll, ready
from drivers.modbus.timing import characters, silence

if TYPE_CHECKING:
    from serial import Serial

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

_SLICE: Final = 0.02  # s, the longest a blocked read goes without looking whether the link is being closed
_PARITY: Final = {"none": "N", "even": "E", "odd": "O"}
_STILL: Final = 0.02  # s of silence that end what nobody asked for: adapters hand bytes over in lumps of 16 ms
_FIRST_HOLD, _LONGEST_HOLD = 0.5, 5.0  # s between attempts at a port that cannot be opened


@dataclass(slots=True)
class Counts:
    """What came over the line and was not used, since the link was made."""

    foreign: int = 0  # whole frames nobody waited for
    late: int = 0  # times something arrived after its request had timed out
    noise: int = 0  # bytes that belong to no frame


class RtuDriver:
    """One serial line (`drivers.contract.Driver`)."""

    def __init__(self, link: Link) -> None:
        if not link.device:
            raise DriverError(f'Link {link.name}: modbus-rtu wants device = "/dev/serial/by-id/...".')
        self._link, self._device = link, link.device
        self._frames = FramerRTU(DecodePDU(False))
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"link {link.name}")
        self._port: Serial | None = None
        self._closed = False
        self._hold, self._not_before, self._trouble = _FIRST_HOLD, 0.0, ""
        self._free_at = 0.0  # when the silence before the next request is over
        self._asked: dict[int, float] = {}  # unit that gave no answer: when its time began
        self._slow: dict[int, float] = {}  # unit seen to answer after its time: how long it took, s
        self._polls: dict[str, Poll] = {}
        self.counts = Counts()

    async def connect(self) -> str:
        if self._closed:
            return f"Link {self._link.name} is closed."
        self._not_before = 0.0
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._open)

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, f"link {self._link.name} is closed")
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._read, plan)

    async def aclose(self) -> None:
        if self._closed:
            return
        self._closed = True
        if self._port is not None:
            self._port.cancel_read()
        await asyncio.get_running_loop().run_in_executor(self._thread, self._drop)  # behind a read in flight
        self._thread.shutdown()

    # from here on: in the thread

    def _read(self, plan: ReadPlan) -> Answer:
        poll = self._polls.get(plan.module)
        if poll is None or poll.plan is not plan:
            poll = self._polls[plan.module] = ready(plan)
        steps = poll.steps()
        ask = next(steps)
        try:
            while True:
                ask = steps.send(self._ask(ask, plan.unit))
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    def _open(self) -> str:
        if self._port is not None:
            return ""
        if wire_time.now() < self._not_before:
            return self._trouble
        import termios

        from serial import Serial, SerialException

        link = self._link
        try:
            self._port = Serial(
                self._device,
                baudrate=link.baud,
                parity=_PARITY[link.parity],
                stopbits=link.stop_bits,
                timeout=_SLICE,
                write_timeout=link.timeout_s + 1.0,
                exclusive=True,
            )
        except (OSError, SerialException, ValueError, termios.error) as error:
            self._trouble = _trouble(link, self._device, error)
            self._not_before = wire_time.now() + self._hold
            self._hold = min(2 * self._hold, _LONGEST_HOLD)
            return self._trouble
        self._hold, self._trouble = _FIRST_HOLD, ""
        self._free_at = wire_time.now() + silence(link.baud)
        return ""

    def _drop(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError):  # an unplugged port: it is gone anyway
                port.close()

    def _ask(self, ask: Ask, unit: int) -> Items | Refusal:
        if self._closed:
            return Refusal(Fault.STOPPING, "the link is being closed", skip=True)
        if trouble := self._open():
            return Refusal(Fault.LINK_DOWN, trouble, skip=True)
        assert self._port is not None
        import termios

        try:
            return self._exchange(self._port, ask, unit)
        except (OSError, termios.error, TypeError) as error:
            # TypeError: pyserial's own, when the port is closed under a read
            self._drop()
            return Refusal(Fault.LINK_DOWN, _trouble(self._link, self._device, error), skip=True)

    def _exchange(self, port: Serial, ask: Ask, unit: int) -> Items | Refusal:
        link = self._link
        if not self._quiet(port, unit):
            fault = Fault.STOPPING if self._closed else Fault.BAD_ANSWER
            return Refusal(fault, f"the line was not quiet for {link.timeout_s:g} s; nothing was asked", skip=True)
        request = self._frames.buildFrame(encode(ask.request, unit))
        port.reset_input_buffer()
        port.write(request)
        sent = wire_time.now()
        wire_bytes = len(request) + SMALLEST + ask.shape.data_bytes
        deadline = sent + characters(wire_bytes, link.baud) + link.timeout_s
        data, more, seen = b"", SMALLEST, None
        while not self._closed:
            data += port.read(more)
            seen = look(data, unit, ask.shape) if data else None
            if seen is not None and seen.pdu:
                self._free_at = wire_time.now() + silence(link.baud) + link.pause
                self._note(seen.foreign, seen.noise)
                return items(seen.pdu, ask.shape)
            if wire_time.now() >= deadline or len(data) > 4096:
                break
            more = seen.more if seen is not None else SMALLEST
        now = wire_time.now()
        self._free_at = now + silence(link.baud) + link.pause
        if self._closed:
            return Refusal(Fault.STOPPING, "the link is being closed", skip=True)
        self._asked[unit] = deadline - link.timeout_s
        if seen is None:
            return Refusal(Fault.NO_ANSWER, f"no answer within {link.timeout_s:g} s", skip=True)
        self._note(seen.foreign, seen.noise)
        others = sorted(set(seen.foreign) - {unit})
        what = f"{len(data)} bytes without the answer asked for ({data[:16].hex(' ')})"
        if others:
            what += f"; units {', '.join(map(str, others))} spoke"
        return Refusal(Fault.BAD_ANSWER, what, skip=True)

    def _note(self, foreign: tuple[int, ...], noise: int) -> None:
        self.counts.foreign += len(foreign)
        self.counts.noise += noise
        for unit in self._asked.keys() & set(foreign):
            self.counts.late += 1
            took = wire_time.now() - self._asked[unit]
            self._slow[unit] = min(max(took, self._slow.get(unit, 0.0)), 3 * self._link.timeout_s)

    def _rested(self, unit: int) -> float:
        """Until when a late answer that could be taken for this unit's next one, or disturb it, may still come."""
        ends = []
        for other, asked in self._asked.items():
            # a dead unit shall not cost its neighbours anything; one known to be slow shall not talk into theirs
            if other == unit or other in self._slow:
                ends.append(asked + max(2 * self._link.timeout_s, 1.5 * self._slow.get(other, 0.0)))
        return max(ends, default=0.0)

    def _quiet(self, port: Serial, unit: int) -> bool:
        """Wait until the next request may go: silence kept, no late answer to come. False when it is never quiet."""
        link = self._link
        rested = self._rested(unit)
        deadline = max(rested, self._free_at, wire_time.now()) + link.timeout_s
        stray = b""
        while True:
            if port.in_waiting:
                stray += port.read(port.in_waiting)
                # it may go on: nothing is sent until the line has been silent again
                self._free_at = wire_time.now() + max(silence(link.baud), _STILL) + link.pause
            until = max(rested, self._free_at)
            now = wire_time.now()
            if self._closed or now > deadline:
                return False
            if now >= until and not port.in_waiting:
                break
            wire_time.pause_until(min(until, now + _SLICE))
        if stray:
            self._note(*frames_in(stray))
        self._asked.pop(unit, None)
        return True


def open_rtu(link: Link) -> RtuDriver:
    """The driver of a modbus-rtu link, its port not yet opened."""
    return RtuDriver(link)


def _trouble(link: Link, device: str, error: BaseException) -> str:
    number = getattr(error, "errno", None) or (error.args[0] if error.args else None)
    if number == errno.ENOENT:
        what = "is not there. Check that the adapter is plugged in and the name (see /dev/serial/by-id)"
    elif number in (errno.EACCES, errno.EPERM):
        what = "may not be opened by this user. Give the user the group of the device (often dialout)"
    elif number in (errno.EAGAIN, errno.EBUSY):
        what = "is in use by another program. End that program or use another port"
    elif number == errno.EINVAL or isinstance(error, ValueError):
        what = f"takes no {link.baud} baud with parity {link.parity}. Check baud and parity"
    else:
        what = f"was lost ({error}). Check the adapter and its cable"
    return f"Link {link.name}: {device} {what}. It is tried again by itself."
