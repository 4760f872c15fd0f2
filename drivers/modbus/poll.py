"""One poll of a module, without any wire: which request next, and what its answer means for the channels.

Lives here: what TCP and RTU share. `Poll.steps()` yields what to ask, is sent what came, and returns the Answer.
May import: drivers.contract, drivers.modbus. No clock, no I/O.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from drivers.contract import Answer, Count, Fault, ReadPlan, Request
from drivers.modbus.decode import Fields, Items, fields
from drivers.modbus.functions import Refusal, Shape, shape
from drivers.modbus.plan import picks_in, without_gaps


@dataclass(frozen=True, slots=True)
class Ask:
    """One request ready to go. `apart`: the same channels without unused addresses between, () when there are none."""

    request: Request
    shape: Shape
    fields: Fields
    apart: tuple[Ask, ...] = ()


Steps = Generator[Ask, Items | Refusal, Answer]


@dataclass(slots=True)
class Poll:
    """A plan made ready once and polled many times."""

    plan: ReadPlan
    asks: tuple[Ask, ...]
    fine: tuple[Fault, ...] = field(init=False)
    simple: bool = field(init=False)  # one request that fills all picks in order

    def __post_init__(self) -> None:
        self.fine = (Fault.NONE,) * len(self.plan.picks)
        self._settle()

    def _settle(self) -> None:
        self.simple = len(self.asks) == 1 and self.asks[0].fields.places == tuple(range(len(self.fine)))

    def steps(self) -> Steps:
        """Ask what is to be asked, one at a time; send each answer in.

        A request refused with code 2 (no such register) although it could leave unused addresses out is asked again
        without them, and from then on always.
        """
        if self.simple:
            got = yield self.asks[0]
            if not isinstance(got, Refusal):
                counts = tuple(self.asks[0].fields.read(got))
                return Answer(counts, self.fine if None not in counts else self.asks[0].fields.faults(got, counts))
            return (yield from self._each(got))
        return (yield from self._each(None))

    def _each(self, first: Items | Refusal | None) -> Steps:
        counts: list[Count | None] = [None] * len(self.fine)
        faults = [Fault.NO_ANSWER] * len(self.fine)
        details: list[str] = []
        clears = self.plan.clears
        todo = list(self.asks)
        while todo:
            ask = todo.pop(0)
            got = (yield ask) if first is None else first
            first = None
            if not isinstance(got, Refusal):
                read = ask.fields.read(got)
                why = ask.fields.faults(got, read) if None in read else (Fault.NONE,) * len(read)
                for place, count, fault in zip(ask.fields.places, read, why, strict=True):
                    counts[place], faults[place] = count, fault
                continue
            if got.fault is Fault.REFUSED_2 and ask.apart:
                self.asks = tuple(part for a in self.asks for part in (a.apart if a is ask else (a,)))
                self._settle()
                todo[:0] = ask.apart
                continue
            details.append(f"{ask.request.function} {_range(ask.request)}: {got.why}")
            for place in ask.fields.places:
                faults[place] = _cleared(got) if place in clears else got.fault
            if got.skip:
                for place in (p for a in todo for p in a.fields.places):
                    faults[place] = Fault.NOT_ASKED if place in clears else got.fault
                break
        return Answer(tuple(counts), tuple(faults), _line(self.plan, details))


def ready(plan: ReadPlan) -> Poll:
    """A plan with its shapes and decoders made."""
    asks = []
    for index, request in enumerate(plan.requests):
        places = [i for i, pick in enumerate(plan.picks) if pick.request == index]
        channels = tuple(plan.picks[i].channel for i in places)
        whole = tuple((i, plan.picks[i].offset, plan.picks[i].channel) for i in places)
        tight = without_gaps(channels)
        apart: tuple[Ask, ...] = ()
        if tight != (request,):
            found = list(zip(places, picks_in(tight, channels), strict=True))
            apart = tuple(
                Ask(r, shape(r), fields([(i, p.offset, p.channel) for i, p in found if p.request == k]))
                for k, r in enumerate(tight)
            )
        asks.append(Ask(request, shape(request), fields(whole), apart))
    return Poll(plan, tuple(asks))


def _cleared(got: Refusal) -> Fault:
    """The fault of registers that reading clears: it must tell whether they may have been read."""
    if not got.sent:
        return got.fault if got.fault in (Fault.LINK_DOWN, Fault.STOPPING) else Fault.NOT_ASKED
    return Fault.CUT_OFF if got.fault in (Fault.LINK_DOWN, Fault.STOPPING) else got.fault


def _range(request: Request) -> str:
    last = request.address + request.count - 1
    return str(request.address) if last == request.address else f"{request.address}..{last}"


def _line(plan: ReadPlan, details: list[str]) -> str:
    return f"module {plan.module}, unit {plan.unit}: {'; '.join(details)}" if details else ""
