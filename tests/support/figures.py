"""Derived figures of a plant fed by hand: read by the names of their tags, and a house with all its water wired."""

from __future__ import annotations

from daemon.core.reasons import words
from daemon.core.tags import derived_tags
from tests.support.feed import Feed

WATER = """feed = { function = "input", address = 10, type = "u32" }
makeup = { function = "input", address = 12, type = "u32" }
blown = { function = "input", address = 14, type = "u32" }
strokes = { function = "input", address = 16, type = "u32" }
feedwater = { function = "input", address = 20, span = "0..20000 = 0..20 mA" }
condensate = { function = "input", address = 21, span = "0..20000 = 0..20 mA" }
speed = { function = "input", address = 22, span = "0..20000 = 0..20 mA" }
level = { function = "input", address = 23, span = "0..20000 = 0..20 mA" }
pump = { function = "discrete", address = 20 }
"""
"""Channels behind those of `feed.HEAD`."""


def meter(name: str, measures: str, pulse: str = "1 L", serves: str = '"B1"', more: str = "") -> str:
    """A meter on the channel of its name."""
    return (
        f'[[meter]]\nname = "{name}"\nchannel = "m.{name}"\nmeasures = "{measures}"\npulse = "{pulse}"\n'
        f'max_rate = "40 m3/h"\nserves = [{serves}]\n{more}'
    )


def analogue(name: str, text: str) -> str:
    """An analogue on the channel of its name, 4..20 mA over `text`."""
    return f'[[analogue]]\nname = "{name}"\nchannel = "m.{name}"\nrange = "4..20 mA = {text}"\n'


def ma(value: float, top: float) -> int:
    """The count of a 0..top signal at a value."""
    return round((4 + 16 * value / top) * 1000)


def figure(feed: Feed, name: str) -> tuple[float, str]:
    """The last value told under a derived tag, and its reason in words."""
    k = [t.name for t in derived_tags(feed.plant)].index(name)
    b = feed.state.cells.senses.balance
    return b.values[k], words(b.reasons[k])


def names(feed: Feed) -> set[str]:
    """All derived tags of figures."""
    return {t.name for t in derived_tags(feed.plant) if t.figure}


class Flowing(Feed):
    """A feed whose meters run: `flows` are L/h by channel, one pulse a litre."""

    flows: dict[str, float]

    def flow(self, seconds: float, **now: object) -> Flowing:
        """Polls for so many seconds while the meters run."""
        if not hasattr(self, "_passed"):
            self._passed: dict[str, float] = {}
        self.now |= now
        for _ in range(round(seconds * 1000 / self.every_ms)):
            for name, rate in self.flows.items():
                self._passed[name] = self._passed.get(name, 0.0) + rate * self.every_ms / 3_600_000
                self.now[name] = int(self._passed[name])
            self.poll()
        return self
