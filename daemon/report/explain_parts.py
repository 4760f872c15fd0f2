"""What an explanation is made of, and how it reads on a terminal. Pure; imports nothing of ours."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Final

WIDTH: Final = 92


@dataclass(frozen=True, slots=True)
class Step:
    """One step on the way to a number: what is said of it, its formula in letters and with the numbers put in."""

    title: str
    says: tuple[str, ...] = ()
    formula: str = ""
    worked: str = ""
    source: str = ""  # published source, "common practice, no source", or a line of the plant file
    rows: tuple[str, ...] = ()  # a table, printed as it is


@dataclass(frozen=True, slots=True)
class Explained:
    """A number or an alarm with all that led to it.

    `facts` are plain JSON: value and unit in base units exactly as stored, times in ms UTC. `differs`: where working
    it out again gave another result than was stored.
    """

    title: str
    summary: tuple[str, ...]
    facts: Mapping[str, Any]
    steps: tuple[Step, ...]
    remarks: tuple[str, ...] = ()
    differs: tuple[str, ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        return {
            "title": self.title,
            **self.facts,
            "summary": list(self.summary),
            "steps": [asdict(s) for s in self.steps],
            "remarks": list(self.remarks),
            "differs": list(self.differs),
        }

    def as_text(self, width: int = WIDTH) -> str:
        """For people, in lines of `width` columns; tables and formulas may be longer."""
        lines = [self.title]
        for text in self.summary:
            lines += _wrapped(text, "  ", width)
        for n, step in enumerate(self.steps, 1):
            lines += ["", f"{n:>2}  {step.title}", *_step(step, width)]
        for head, texts in (("Not known, or to be kept in mind", self.remarks), ("DIFFERS", self.differs)):
            if texts:
                lines += ["", head, *(line for text in texts for line in _wrapped(text, "  - ", width))]
        return "\n".join(lines)


def _step(step: Step, width: int) -> Iterator[str]:
    for text in step.says:
        yield from _wrapped(text, "    ", width)
    if step.formula:
        yield from _wrapped(step.formula, "      ", width)
    if step.worked:
        yield from _wrapped(step.worked, "      ", width)
    for row in step.rows:
        yield f"    {row}".rstrip()
    if step.source:
        yield from _wrapped(f"[{step.source}]", "    ", width)


def _wrapped(text: str, lead: str, width: int) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    )


def num(x: float | int) -> str:
    """A number for a formula: whole numbers whole, others with seven figures."""
    return str(x) if isinstance(x, int) else f"{x:.7g}"


def listed(words: list[str]) -> str:
    """ "a, b and c"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]])) if words else ""
