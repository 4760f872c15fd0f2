"""What a look finds. Pure."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Final

LEVELS: Final = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: an error, a warning, or a note: a figure, or what was not looked at."""

    level: str
    area: str
    text: str
    remedy: str = ""


@dataclass(slots=True)
class Report:
    """All that was found, in the order of the looks, and the figures for programs."""

    findings: list[Finding] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)

    def error(self, area: str, text: str, remedy: str) -> None:
        self.findings.append(Finding("error", area, text, remedy))

    def warning(self, area: str, text: str, remedy: str) -> None:
        self.findings.append(Finding("warning", area, text, remedy))

    def note(self, area: str, text: str) -> None:
        self.findings.append(Finding("note", area, text))

    @property
    def counts(self) -> dict[str, int]:
        return {level: sum(f.level == level for f in self.findings) for level in LEVELS}

    @property
    def exit_code(self) -> int:
        """1 where there is an error or a warning, else 0."""
        return int(any(f.level != "note" for f in self.findings))

    def as_json(self) -> dict[str, Any]:
        return {**self.counts, "findings": [asdict(f) for f in self.findings], "figures": self.figures}

    def as_text(self) -> str:
        """Errors first, each with its remedy below it."""
        lines = []
        for level in LEVELS:
            for f in self.findings:
                if f.level == level:
                    lines.append(f"{level.upper() if level != 'note' else level} {f.area}: {f.text}")
                    if f.remedy:
                        lines.append(f"    {f.remedy}")
        lines.append(", ".join(f"{n} {level}{'' if n == 1 else 's'}" for level, n in self.counts.items()))
        return "\n".join(lines)
