"""The talk of `calibrate`: what was given, what is asked, and how times, temperatures and progress are read and shown.

What is not given as an option is asked for where there is a terminal; a script is told everything it left out at once.
May import: config, daemon.app, daemon.core, daemon.measure.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from textwrap import fill
from zoneinfo import ZoneInfo

from config import units
from config.model import Boiler, Plant
from daemon.core.say import System, minutes, say
from daemon.measure.handheld import TOLERANCE

Ask = Callable[[str], str]
Say = Callable[[str], None]


class NotDone(Exception):
    """Nothing was recorded; the text says why. `code` is the exit code."""

    def __init__(self, text: str, code: int = 1) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the command line gave; None where it gave nothing. Conductivities in uS/cm unless `unit` says else."""

    boiler: str
    handheld: float | None = None
    handheld_from: Path | None = None  # a file that describes a handheld which prints its value
    unit: str | None = None
    meter_factor: float | None = None
    cooled: bool | None = None
    compensated: bool | None = None
    neutralised: bool | None = None
    temperature: str | None = None
    tolerance: str | None = None
    at: str | None = None
    standard: float | None = None
    zero: bool = False
    offset: float | None = None
    how: str | None = None  # wall, log
    as_found: float | None = None
    as_left: float | None = None
    display: float | None = None
    no_display: str | None = None
    correct: bool | None = None  # whatever the tolerance says
    new_probe: bool = False
    cleaned: bool = False
    instrument: str | None = None
    remark: str | None = None
    reason: str | None = None
    override: str | None = None
    undo: int | None = None


@dataclass(slots=True)
class Talk:
    """One calibration under way. `ask` None: no terminal, and what is missing is collected in `missing`."""

    wishes: Wishes
    store: Path
    by: str
    plant: Plant
    boiler: Boiler
    ask: Ask | None
    say: Say
    missing: list[str] = field(default_factory=list)

    @property
    def system(self) -> System:
        return self.plant.plant.units

    def tell(self, text: str) -> None:
        self.say(fill(text, 100, subsequent_indent="  "))

    def shown(self, value: float) -> str:
        return say(value, "uS/cm", self.system)

    def clock(self, at_ms: int) -> str:
        return f"{datetime.fromtimestamp(at_ms / 1000, ZoneInfo(self.plant.plant.zone)):%Y-%m-%d %H:%M:%S}"

    def wanted(self, option: str, question: str) -> str | None:
        """The answer to a question, None where there is nobody to ask: then the option is missing."""
        if self.ask is None:
            self.missing.append(option)
            return None
        return self.ask(f"{question}  ").strip()

    def yes(self, given: bool | None, option: str, question: str) -> bool | None:
        """Yes or no, asked until it is one."""
        while given is None:
            answer = self.wanted(option, f"{question} (y/n)")
            if answer is None:
                return None
            given = {"y": True, "yes": True, "n": False, "no": False}.get(answer.lower())
        return given

    def number(self, given: float | None, option: str, question: str, *, none: bool = False) -> float | None:
        """A number, asked until it is one; with `none` an "n" means that there is none."""
        while given is None:
            answer = self.wanted(option, question)
            if answer is None or (none and answer.lower() in ("n", "none", "")):
                return None
            try:
                given = float(answer.replace(",", ""))
            except ValueError:
                self.say(f"wants a number; found {answer!r}")
        return given

    def complete(self) -> None:
        """NotDone with everything that a script left out."""
        if self.missing:
            raise NotDone(
                f"Not calibrated: {', '.join(self.missing)} {'is' if len(self.missing) == 1 else 'are'} wanted where "
                "nobody can be asked.",
                2,
            )


def override_of(talk: Talk) -> str:
    """The reason of a technician who knows better; NotDone without one."""
    assert talk.ask is not None
    reason = talk.ask("Override, with a reason that stays on record? (Enter: no)  ").strip()
    if not reason:
        raise NotDone("Nothing was recorded.")
    return reason


def celsius_of(talk: Talk, text: str | None) -> float | None:
    if text is None:
        return None
    bare = text.replace(",", ".").strip()
    try:
        if bare.replace(".", "", 1).isdigit():
            bare += " °F" if talk.system == "us" else " °C"
        return units.quantity(bare, "temperature")
    except units.QuantityError as e:
        raise NotDone(f"--temperature {e}.", 2) from e


def percent_of(text: str | None) -> float:
    if text is None:
        return TOLERANCE
    try:
        return units.quantity(text if "%" in text else f"{text} %", "ratio")
    except units.QuantityError as e:
        raise NotDone(f"--tolerance {e}.", 2) from e


class Progress:
    """Progress on one line of a terminal, or a line for each change of words."""

    def __init__(self, tell: Say) -> None:
        self._say, self._words, self._live = tell, "", sys.stderr.isatty()

    def show(self, what: object) -> None:
        if not isinstance(what, Mapping):
            return
        text = f"{what['words']}; waited {minutes(what['waited_ms'])} of at most {minutes(what['longest_ms'])}"
        if self._live:
            print(f"\r\x1b[K  {text}", end="", file=sys.stderr, flush=True)
        elif what["words"] != self._words:
            self._words = what["words"]
            self._say(f"  {text}")

    def end(self) -> None:
        if self._live:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def moment_ms(text: str, zone: ZoneInfo, newest_ms: int) -> int:
    """ "14:05" (the last one before the newest reading), or a time as `export` reads it, as ms UTC. NotDone."""
    from daemon.app.exporting import ExportError, instant_ms

    try:
        if len(text.strip()) in (4, 5) and ":" in text:
            day = datetime.fromtimestamp(newest_ms / 1000, zone)
            found = instant_ms(f"{day:%Y-%m-%d} {text.strip():0>5}", zone, newest_ms)
            return found if found <= newest_ms else found - 86_400_000
        return instant_ms(text, zone, newest_ms)
    except ExportError as e:
        raise NotDone(f'--at: {e} Or a time of day, "14:05".', 2) from e
