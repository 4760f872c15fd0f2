"""What nobody will be told of with what is wired, kind by kind. Imports nothing of ours but `config`."""

from __future__ import annotations

from collections.abc import Iterator

from config.findings import Found
from config.judged import in_words, not_judged
from config.rules.view import View


def kinds(v: View) -> Iterator[Found]:
    """One note a boiler: the kinds of alarm that are not judged, and what each wants."""
    found = not_judged(v.plant)
    for i, b in enumerate(v.plant.boilers):
        listed = "; ".join(in_words(found, b.name))
        if listed:
            yield Found(("boiler", i), f"alarms of {b.name} that are not judged with what is wired: {listed}", "note")


RULES = (kinds,)
