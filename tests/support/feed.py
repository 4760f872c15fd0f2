"""A plant fed by hand, one poll after another, for tests that read like a shift log.

`Feed` keeps the present signals (in engineering units and words), turns them to counts as a module would, steps the
engine, and collects the journal. `B1`, `B2` plants below have one TCP module polled every 10 s.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from config.load import loads
from config.model import Plant
from daemon.core.outcome import Blow, Entry, GroupOutcome, Notice
from daemon.core.scan import Act, Group, Scan
from daemon.core.tags import RawTag, derived_tags, raw_tags
from daemon.engine import State, start, step

START_MS = 1_789_000_000_000

HEAD = """[plant]
name = "Quillmarsh Creamery"
zone = "America/Chicago"
units = "us"
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
[[module]]
name = "m"
link = "panel"
every = "10 s"
[module.channels]
cond = { function = "input", address = 0, span = "0..65535 = 0..20 mA" }
temp = { function = "input", address = 1, span = "0..65535 = 0..20 mA" }
pulses = { function = "input", address = 2, type = "u16" }
blow = { function = "discrete", address = 0 }
limit = { function = "discrete", address = 1 }
low = { function = "discrete", address = 2 }
high = { function = "discrete", address = 3 }
alarm = { function = "discrete", address = 4 }
opened = { function = "discrete", address = 5 }
shut = { function = "discrete", address = 6 }
"""
CONDUCTIVITY = (
    'conductivity = { channel = "m.cond", range = "4..20 mA = 0..5000 uS/cm", signal = "SIGNAL", '
    'set_point = "3000 uS/cm", differential = "100 uS/cm" }\n'
)


def boiler(
    arrangement: str = "continuous",
    *,
    signal: str = "live",
    sample: str = 'flush = "20 s"',
    valve: str = 'command = "m.blow", travel = "10 s"',
    duty: str = "lead",
    interlock: str = 'contact = "m.limit", closed_means = "running"',
    more: str = "",
) -> str:
    """The text of boiler B1; `valve` or `interlock` "" leaves it unwired."""
    text = f'[[boiler]]\nname = "B1"\npressure = "120 psig"\nduty = "{duty}"\n' + CONDUCTIVITY.replace("SIGNAL", signal)
    text += f'sample = {{ arrangement = "{arrangement}", {sample} }}\n'
    if valve:
        text += f"blowdown_valve = {{ {valve} }}\n"
    if interlock:
        text += f"interlock = {{ {interlock} }}\n"
    return text + more


WATER = (
    'low_water = { contact = "m.low", closed_means = "low" }\n'
    'high_water = { contact = "m.high", closed_means = "high" }\n'
    'controller_alarm = { contact = "m.alarm", closed_means = "alarm" }\n'
)


NEVER_IDLE = "[alarms.controller_idle]\nenabled = false\n"
"""Most logs feed conductivities that nobody answers with a blow: that alone is an alarm, and not theirs."""


def plant(*parts: str) -> Plant:
    """A plant of the one module and what is given; a controller that does nothing is told where `parts` speak of it."""
    text = HEAD + "".join(parts)
    return loads(text if "controller_idle" in text else text + NEVER_IDLE).plant


class Feed:
    """The engine with a plant in front of it; several modules are polled each at its own interval.

    Signals are set by channel name: `feed(cond=3100, limit=1)`.

    Conductivity in uS/cm, "temp" in mA, contacts 0 or 1; `ma=` gives the conductivity loop's current itself; None is
    no answer.
    """

    def __init__(self, p: Plant, every_s: float = 10.0) -> None:
        self.plant, self.state = p, start(p, 1)
        self.every_ms = round(every_s * 1000)
        self.t = -self.every_ms
        self.number = 0
        self.now: dict[str, Any] = {"cond": 2800.0, "limit": 1, "shut": 1}
        self.entries: list[Entry] = []
        self.notices: list[Notice] = []
        self.blows: list[Blow] = []
        self.readings: list[tuple[int, float, int]] = []  # representative: seconds, value, reason
        self.groups: list[Group] = []
        self._mark = 0

    def count(self, name: str) -> float | int | None:
        """What the module gives for a channel now."""
        value = self.now.get(name, 0)
        if value is None or name not in ("cond", "temp"):
            return value  # type: ignore[no-any-return]
        given = value if name == "temp" else self.now.get("ma")
        ma = 4 + 16 * float(value) / 5000 if given is None else float(given)
        return round(ma / 20 * 65535)

    def group(self, acts: tuple[Act, ...] = (), gap_ms: int = 0, silent: int = 0) -> Group:
        """The next group from the present signals; `silent`: the reason number of a module that gives nothing."""
        self.t += self.every_ms
        self.number += 1
        scans = tuple(
            self._scan(i, tuple(m.channels), silent)
            for i, m in enumerate(self.plant.modules)
            if len(self.plant.modules) == 1 or self.t % round(m.every * 1000) == 0
        )
        return Group(self.number, START_MS + self.t, self.t, 1, self.state.version, scans, acts, gap_ms)

    def _scan(self, module: int, names: tuple[str, ...], silent: int) -> Scan:
        counts = tuple(None if silent else self.count(n) for n in names)
        return Scan(module, counts, tuple((silent or 1) if c is None else 0 for c in counts))

    def poll(self, *, acts: tuple[Act, ...] = (), gap_ms: int = 0, silent: int = 0, **now: Any) -> GroupOutcome:
        """One poll, with signals changed first."""
        self.now |= now
        group = self.group(acts, gap_ms, silent)
        self.groups.append(group)
        self.state, (outcome,) = step(self.state, [group])
        self.take(outcome)
        return outcome

    def take(self, outcome: GroupOutcome) -> None:
        """Collect what a group led to."""
        self.entries += outcome.journal
        self.notices += outcome.notices
        self.blows += outcome.blows
        tags = derived_tags(self.plant)
        for d in outcome.derived:
            if tags[d.tag].what == "conductivity":
                self.readings.append((self.t // 1000, d.value, d.reason))

    def run(self, seconds: float, *, silent: int = 0, ramp: float = 0.0, **now: Any) -> Feed:
        """Polls for so many seconds; `ramp` moves the conductivity by so many uS/cm each poll."""
        self.now |= now
        for _ in range(round(seconds * 1000 / self.every_ms)):
            self.poll(silent=silent)
            if ramp:
                self.now["cond"] += ramp
        return self

    def act(self, what: str, /, by: str = "Kim", **body: Any) -> str:
        """An act in a poll of its own; what became of it."""
        outcome = self.poll(acts=(Act(self.number + 1, what, by, 0, body),))
        return outcome.acts[0][1]

    def log(self) -> list[str]:
        """The journal since the last call, as "kind event" lines."""
        new = self.entries[self._mark :]
        self._mark = len(self.entries)
        return [f"{e.kind} {e.event}" for e in new]

    def last(self, kind: str) -> Entry:
        """The newest journal entry of a kind."""
        return next(e for e in reversed(self.entries) if e.kind == kind)

    def alarm_state(self, kind: str, target: str = "B1") -> str:
        """The life-cycle state of an alarm."""
        for a, c in zip(self.state.programme.alarms, self.state.cells.alarms, strict=True):
            if (a.target, a.kind) == (target, kind):
                return c.state
        raise KeyError(kind)

    def tag(self, name: str) -> RawTag:
        return next(t for t in raw_tags(self.plant) if t.name == name)


def later(group: Group, number: int, by_ms: int) -> Group:
    """A group moved in time."""
    return replace(group, number=number, at_ms=group.at_ms + by_ms, elapsed_ms=group.elapsed_ms + by_ms)


def same(a: State, b: State) -> bool:
    """Whether two states are equal in everything that changes."""
    return a.version == b.version and a.cells == b.cells
