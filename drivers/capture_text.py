"""The capture of a text link played back: the same bytes, cut and read by the same code, give the same polls.

May import: config, drivers.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from config.model import Link
from drivers.contract import Answer, Fault, ReadPlan, nothing
from drivers.text import TextPlan, answer_of
from drivers.text_line import Cutter, first_answer


@dataclass(slots=True)
class _Poll:
    """One poll: what came since the last, None where it was begun to listen, and the `fault` where it took no line."""

    came: list[bytes | None] = field(default_factory=list)
    fault: Fault = Fault.NONE


class CapturedText:
    """Gives each poll what the same poll gave, prompt by prompt in order; then no answer. Keeps a driver's contract.

    `unused`: polls of the capture that nobody made again.
    """

    def __init__(self, lines: Iterable[tuple[str, Fault, bytes]], link: Link) -> None:
        self._link = link
        self._polls: defaultdict[bytes, deque[_Poll]] = defaultdict(deque)
        self._cutter: Cutter | None = None
        self._newest: list[bytes | None] = []
        self._closed = False
        now = _Poll()
        for way, fault, data in lines:
            if way == "<":
                now.came.append(data)
            elif way == "~":
                now.came.append(None)
            elif way == ">":  # what came before a prompt is no answer to it
                now.came.clear()
            else:
                now.fault = fault
                self._polls[data].append(now)
                now = _Poll()

    @property
    def unused(self) -> int:
        return sum(len(q) for q in self._polls.values())

    async def connect(self) -> str:
        return f"Link {self._link.name} is closed." if self._closed else ""

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, f"link {self._link.name} is closed")
        if not isinstance(plan, TextPlan):
            return nothing(plan, Fault.BAD_ANSWER, f"link {self._link.name} has text instruments and no registers")
        waiting = self._polls[plan.instrument.prompt]
        if not waiting:
            return nothing(plan, Fault.NO_ANSWER, f"module {plan.module}: the capture has no further poll")
        poll = waiting.popleft()
        lines = self._answered(poll, plan) if plan.instrument.prompt else self._printed(poll, plan)
        if poll.fault or not lines:
            return nothing(plan, poll.fault or Fault.NO_ANSWER, f"module {plan.module}: as captured")
        return answer_of(plan, lines[0])

    async def aclose(self) -> None:
        self._closed = True

    def _answered(self, poll: _Poll, plan: TextPlan) -> list[bytes | None]:
        how = plan.instrument
        cutter = Cutter(how.ends, how.longest, begun=True)
        for data in poll.came:
            if data and (found := first_answer(cutter.feed(data), how.prompt)):
                return found
        return []

    def _printed(self, poll: _Poll, plan: TextPlan) -> list[bytes | None]:
        """The newest line, which no other poll gets; bytes that came before anybody listened are in none."""
        how = plan.instrument
        for data in poll.came:
            if data is None:
                self._cutter, self._newest = Cutter(how.ends, how.longest, begun=False), []
            elif self._cutter is not None and (lines := self._cutter.feed(data)):
                self._newest = lines[-1:]
        if poll.fault is Fault.LINK_DOWN:
            self._cutter, self._newest = None, []
        newest, self._newest = self._newest, []
        return newest
