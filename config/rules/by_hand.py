"""Tests done by hand: of what, each once, with a range that can be. Imports nothing of ours but `config`."""

from __future__ import annotations

from collections.abc import Iterator

from config.findings import Found, Path
from config.rules.view import View
from config.water_tests import WATER_TESTS, WATERS, shown_result

OF = ("boiler", "meter", "tank", "chemical", "analogue")
"""Tables whose elements a result may be of."""


def tests(v: View) -> Iterator[Found]:
    """Each [[test]] is of something that is there, said once, and asks for something."""
    known = tuple(dict.fromkeys((*(n for key in OF for n in v.names[key]), *WATERS)))
    seen: set[tuple[str, str]] = set()
    for i, t in enumerate(v.plant.tests):
        path: Path = ("test", i)
        if t.target not in known:
            from config.plainly import meant

            yield Found(
                (*path, "target"),
                f'there is nothing called "{t.target}" to test{meant(t.target, known)}; known here: {", ".join(known)}',
            )
        if (t.target, t.what) in seen:
            yield Found((*path, "what"), f'{t.what} of "{t.target}" is written twice; wants it once')
        seen.add((t.target, t.what))
        if t.low is not None and t.high is not None and t.low >= t.high:
            test = WATER_TESTS[t.what]
            yield Found(
                (*path, "low"),
                f"wants less than high, {shown_result(test, t.high)}; found {shown_result(test, t.low)}",
            )
        if t.grace is not None and t.every is None:
            yield Found((*path, "grace"), "wants every beside it: how late it may be counts from when it is due")
        if t.low is None and t.high is None and t.every is None and WATER_TESTS[t.what].result != "passed":
            yield Found(path, "has no low, no high and no every: results are kept and nothing is judged", "note")


RULES = (tests,)
