"""A driver that answers from a list: for tests, and for replaying what a bus once gave.

Lives here: ScriptedDriver. May import: config, drivers.contract. It keeps the whole contract of a real driver.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Sequence

from drivers.contract import Answer, Count, DriverError, Fault, ReadPlan, nothing

Line = Answer | Fault | DriverError | Sequence[Count | Fault | None]
"""One poll: a ready Answer, a fault for every channel, an error that stands for no answer, or one item a channel."""


class LinkSilent(DriverError):
    """A unit that gave nothing. Scripts may hold one to say so in words."""

    def __init__(self, link: str, unit: int, waited_s: float) -> None:
        super().__init__(
            f"Unit {unit} on {link} gave no answer within {waited_s:g} s. "
            "Check power, A/B wires, unit number and baud rate. Polling goes on."
        )
        self.link, self.unit, self.waited_s = link, unit, waited_s


class ScriptedDriver:
    """Answers each poll with the next line of a script; after its end the last line stays.

    `answers`: one list for every module, or a mapping of module name to a list of its own.
    `delay`: awaited before each answer, with the plan (a test moves its own clock there).
    `down`: what `connect` says.
    """

    def __init__(
        self,
        answers: Iterable[Line] | dict[str, Iterable[Line]],
        *,
        delay: Callable[[ReadPlan], Awaitable[object]] | None = None,
        down: str = "",
    ) -> None:
        lists = answers if isinstance(answers, dict) else {"": answers}
        self._lines = {name: list(lines) for name, lines in lists.items()}
        self._delay, self._down = delay, down
        self._closing = asyncio.Event()
        self.asked: list[ReadPlan] = []  # every plan that was read, in order
        self.closed = False

    async def connect(self) -> str:
        return "The link is closed." if self.closed else self._down

    async def read(self, plan: ReadPlan) -> Answer:
        if self.closed:
            return nothing(plan, Fault.STOPPING, "the link is closed")
        self.asked.append(plan)
        if self._delay is not None and not await self._waited(self._delay(plan)):
            return nothing(plan, Fault.STOPPING, "the link is being closed")
        lines = self._lines.get(plan.module, self._lines.get("", []))
        if not lines:
            return nothing(plan, Fault.NO_ANSWER, f"the script has no answer for {plan.module}")
        return answer(plan, lines.pop(0) if len(lines) > 1 else lines[0])

    async def aclose(self) -> None:
        self.closed = True
        self._closing.set()

    async def _waited(self, delay: Awaitable[object]) -> bool:
        """Whether the delay ran to its end; False when the link was closed meanwhile."""
        waiting, closing = asyncio.ensure_future(delay), asyncio.ensure_future(self._closing.wait())
        try:
            await asyncio.wait((waiting, closing), return_when=asyncio.FIRST_COMPLETED)
            if waiting.done():
                waiting.result()
                return True
            return False
        finally:
            waiting.cancel()
            closing.cancel()


def answer(plan: ReadPlan, line: Line) -> Answer:
    """A line of a script as the answer to a plan; DriverError when it has not one item for each channel."""
    if isinstance(line, Answer):
        return line
    if isinstance(line, Fault):
        return nothing(plan, line)
    if isinstance(line, DriverError):
        return nothing(plan, Fault.NO_ANSWER, str(line))
    if len(line) != len(plan.picks):
        raise DriverError(f"Script for {plan.module}: wants {len(plan.picks)} values a poll; found {len(line)}.")
    faults = tuple(v if isinstance(v, Fault) else Fault.NONE if v is not None else Fault.NO_ANSWER for v in line)
    return Answer(tuple(None if isinstance(v, Fault) else v for v in line), faults)
