"""One reading: a value with its unit, its quality and the reason for it.

Made for screens, mails, exports and explanations; the engine's loop works on the same numbers without it.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.reasons import Quality, quality, words


@dataclass(frozen=True, slots=True)
class Reading:
    """`value` in `unit` (base units of `config.units`), None where there is none; `reason` as in `Reason`."""

    tag: str
    value: float | int | None
    unit: str
    quality: Quality
    reason: int
    at_ms: int

    @property
    def words(self) -> str:
        """The reason as screens, mails and exports say it."""
        return words(self.reason)


def reading(tag: str, value: float | int | None, unit: str, reason: int, at_ms: int) -> Reading:
    """A reading whose quality follows from its reason."""
    return Reading(tag, value, unit, quality(reason), reason, at_ms)
