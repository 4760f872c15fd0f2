"""The loop check: each 4-20 mA input at 4, 8, 12, 16 and 20 mA and at the wall instrument's live value.

The technician drives the loop (a calibrator in its place, or the instrument's own output test), confirms each step,
and reads the wall display at the sixth. The sheet is saved as a record with who and when. Values come from the running
service where it owns the link, else from the modules directly; nothing is ever written to either.

Lives here: the steps, the verdict on each, the talk. May import: config, daemon.core, daemon.measure, drivers,
daemon.app.ask. Differences: within 0.5 % of span is drawn as right, over 1 % as a difference of range, damping or loop
(common practice, no source).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any, Final, Protocol

from config.model import Module, Plant
from daemon.core.reasons import words
from daemon.core.say import System, in_plant_units
from daemon.core.tags import RawTag, raw_tags
from daemon.measure.current_loop import Line, line
from drivers.contract import Fault

STEPS_MA: Final = (4.0, 8.0, 12.0, 16.0, 20.0)
RIGHT: Final = 0.5  # % of span
WRONG: Final = 1.0
CAUTION: Final = (
    "Panel terminals carry mains voltage and the wires of the limit circuit: this is work for qualified people, by the "
    "site's lock-out procedure. While a loop is driven the wall controller may act on what it is shown: site procedure "
    "says in which mode it stands meanwhile. Alarms may come here. Local codes and licensed operators decide."
)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a channel shows now; `count` None: there is none, and `reason` says why."""

    count: float | int | None
    ma: float | None
    value: float | None  # in the plant's units
    unit: str
    reason: int

    def text(self, name: str) -> str:
        """One line: channel, counts, milliamps, verdict, value."""
        if self.count is None or self.ma is None:
            return f"{name}: {words(self.reason)}"
        value = "" if self.value is None else f"{self.value:.6g} {self.unit}"
        return f"{name}: {self.count} counts, {self.ma:.3f} mA, {words(self.reason)}, {value}"


@dataclass(frozen=True, slots=True)
class Step:
    """One confirmed step. `expected`: mA for the five driven steps, the wall display (plant units) for the sixth."""

    what: str
    expected: float
    count: float | int | None
    found: float | None
    off_percent: float | None  # of span
    verdict: str


class Source(Protocol):
    """Where counts come from."""

    def read(self, ref: str) -> tuple[float | int | None, int]:
        """The present count of a channel, or None and the number of the reason."""
        ...


def inputs(plant: Plant, only: Sequence[str] = ()) -> list[RawTag]:
    """The 4-20 mA inputs to check, in plant-file order; `only` names channels or tags. A text instrument has none."""
    looped = [t for t in raw_tags(plant) if t.kind == "analogue" and not (t.range and t.range.direct)]
    found = [t for t in looped if not only or t.ref in only or t.name in only]
    seen: set[str] = set()
    return [t for t in found if not (t.ref in seen or seen.add(t.ref))]  # type: ignore[func-returns-value]


def seen(tag: RawTag, count: float | int | None, fault: int, system: System) -> Seen:
    """What a count means."""
    made: Line = line(tag)
    if count is None:
        return Seen(None, None, None, "", fault)
    number, unit = in_plant_units(made.value(count), made.unit, system)
    return Seen(count, made.ma(count), number, unit, made.reason(count))


def driven(tag: RawTag, ma: float, now: Seen) -> Step:
    """The verdict on a step driven at `ma`."""
    if now.ma is None:
        return Step(f"{ma:g} mA", ma, None, None, None, words(now.reason))
    off = (now.ma - ma) / 16 * 100
    return Step(f"{ma:g} mA", ma, now.count, round(now.ma, 4), round(off, 3), _verdict(off))


def displayed(tag: RawTag, display: float, now: Seen, system: System) -> Step:
    """The verdict on the wall display against our value at the same moment, in % of the range's span."""
    if now.value is None or tag.range is None:
        return Step("wall display", display, now.count, None, None, words(now.reason))
    span = abs(in_plant_units(tag.range.high, tag.unit, system)[0] - in_plant_units(tag.range.low, tag.unit, system)[0])
    off = (now.value - display) / span * 100
    return Step("wall display", display, now.count, round(now.value, 4), round(off, 3), _verdict(off))


def _verdict(off: float) -> str:
    if abs(off) <= RIGHT:
        return "right"
    if abs(off) <= WRONG:
        return "a little off"
    return "off: compare the range at both ends, the damping, and the loop's wiring"


def talk(
    plant: Plant,
    source: Source,
    tags: Sequence[RawTag],
    ask: Callable[[str], str],
    say: Callable[[str], None],
) -> Iterator[dict[str, Any]]:
    """Lead through the check of each input; yields one record for each input that was checked.

    An answer of "s" skips a step, "n" goes on to the next input, "q" ends; steps done are kept. So does EOFError from
    `ask`, without those of its input.
    """
    system = plant.plant.units
    for row in wrap(CAUTION, 78):
        say(row)
    for tag in tags:
        say("")
        say(f"{tag.ref} ({tag.name})")
        question = "Driven by: calibrator (c) or the instrument's output test (t)? n: next input, q: end  "
        means = _one_of(ask, say, question, ("c", "t", "n", "q"), "c, t, n or q")
        if means == "q":
            return
        if means == "n":
            continue
        steps: list[Step] = []
        answer = ""
        for ma in STEPS_MA:
            question = f"  Drive {ma:g} mA and press Enter when it is steady (s: skip)  "
            answer = _one_of(ask, say, question, ("", "s", "n", "q"), "Enter, s, n (next input) or q (end)")
            if answer in ("n", "q"):
                break
            if answer == "s":
                continue
            now = seen(tag, *source.read(tag.ref), system)
            step = driven(tag, ma, now)
            steps.append(step)
            say(f"  {now.text(tag.ref)}: {step.verdict}")
        else:
            steps += _wall(tag, source, system, ask, say)
        if steps:
            yield {
                "channel": tag.ref,
                "tag": tag.name,
                "driven_by": "calibrator" if means == "c" else "output test",
                "steps": [asdict(s) for s in steps],
            }
        if answer == "q":
            return


def _one_of(
    ask: Callable[[str], str], say: Callable[[str], None], question: str, known: tuple[str, ...], wanted: str
) -> str:
    """One of the answers that are known; anything else is told and asked again."""
    while True:
        text = ask(question).strip()
        if text.lower() in known:
            return text.lower()
        say(f"  wants {wanted}; found {text!r}")


def _wall(
    tag: RawTag, source: Source, system: System, ask: Callable[[str], str], say: Callable[[str], None]
) -> list[Step]:
    unit = in_plant_units(0.0, tag.unit, system)[1]
    while True:
        text = ask(f"  Back to the live value. What does the wall instrument show, in {unit}? (s: skip)  ").strip()
        if text.lower() in ("s", ""):
            return []
        try:
            display = float(text.replace(",", ""))
        except ValueError:
            say(f"  wants a number; found {text!r}")
            continue
        now = seen(tag, *source.read(tag.ref), system)
        step = displayed(tag, display, now, system)
        say(f"  {now.text(tag.ref)}; the wall shows {display:g} {unit}: {step.verdict}")
        return [step]


class ServiceSource:
    """Counts of the running service's last polls; waits for a poll that came after the question."""

    def __init__(self, store: Path) -> None:
        self._store = store

    def read(self, ref: str) -> tuple[float | int | None, int]:
        from daemon.app.ask import ask

        found = ask(self._store, {"ask": "fresh counts", "channel": ref}, 60.0)
        count: float | int | None = found["count"]
        return count, int(found["fault"])


class ModuleSource:
    """Counts read from the modules directly, while no service owns the links.

    Registers that reading clears are the service's to read: they are left out, and a channel there is not asked.
    """

    def __init__(self, plant: Plant) -> None:
        from drivers.registry import open_link, plan_reads

        self._loop = asyncio.new_event_loop()
        self._drivers = {x.name: open_link(x) for x in plant.links}
        links = {x.name: x for x in plant.links}
        self._modules = {m.name: kept for m in plant.modules if (kept := _without_cleared(m)).channels}
        self._plans = {m.name: plan_reads(m, links[m.link]) for m in self._modules.values()}

    def read(self, ref: str) -> tuple[float | int | None, int]:
        name, _, channel = ref.partition(".")
        module = self._modules.get(name)
        if module is None or channel not in module.channels:
            return None, Fault.NOT_ASKED
        answer = self._loop.run_until_complete(self._drivers[module.link].read(self._plans[name]))
        k = list(module.channels).index(channel)
        return answer.counts[k], int(answer.faults[k])

    def close(self) -> None:
        """Close every link."""
        for driver in self._drivers.values():
            self._loop.run_until_complete(driver.aclose())
        self._loop.close()


def _without_cleared(module: Module) -> Module:
    cleared = module.clear_on_read
    kept = {
        name: c
        for name, c in module.channels.items()
        if not any(a.touches(c.function, c.address, c.end) for a in cleared)
    }
    return module.model_copy(update={"channels": kept})


def summary(record: Mapping[str, Any]) -> str:
    """A record in one line, for the journal."""
    parts = [
        f"{s['what']}: {'no value' if s['off_percent'] is None else format(s['off_percent'], '+.2f') + ' %'}"
        for s in record["steps"]
    ]
    return f"loop check of {record['channel']} ({record['driven_by']}): {', '.join(parts)} of span"
