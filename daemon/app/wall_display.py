"""The wall display beside our loop, asked at every calibration: more than 1 % of span is range, damping or loop.

May import: config, daemon.app, daemon.core, daemon.measure, daemon.store.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Final

from config.model import Plant
from daemon.app.ask import ask
from daemon.app.calibration_talk import NotDone, Talk, override_of
from daemon.core.tags import raw_tags
from daemon.measure.calibration import display
from daemon.measure.current_loop import to_reading

if TYPE_CHECKING:
    from daemon.store.reader import Reader

Json = dict[str, Any]
LATELY_MS: Final = 10 * 60_000


def wanted_display(talk: Talk) -> float | None:
    given = talk.wishes.as_found if talk.wishes.as_found is not None else talk.wishes.display
    return talk.number(given, "--as-found", "What does the wall instrument show as found, before you change anything?")


def no_wall(talk: Talk, body: Json) -> float | None:
    """What the wall shows, or why it shows nothing."""
    w = talk.wishes
    if w.display is not None or w.no_display:
        body["no_display"] = w.no_display or ""
        return w.display
    shows = talk.number(
        None, "--display or --no-display", "What does the wall instrument show now? (n: there is no display)", none=True
    )
    if shows is None and talk.ask is not None:
        body["no_display"] = "no display, says the technician"
    return shows


def beside_wall(talk: Talk, reader: Reader, body: Json, shows: float | None) -> None:
    """Compare the wall display with what the loop says now: more than 1 % of span is range, damping or loop."""
    c = talk.boiler.conductivity
    assert c is not None
    if shows is None:
        return
    now = ask(talk.store, {"ask": "probe now", "boiler": talk.boiler.name}, 60.0)
    span = abs(c.range.high - c.range.low)
    lately = _lately(reader, talk.plant, talk.boiler.name)
    found = display(shows, now["loop"], span, now["ma"], lately, c.damping)
    body["wall"] = {"display": shows, "ours": now["loop"], "ma": now["ma"], **asdict(found)}
    talk.tell(
        f"Wall display {talk.shown(shows)}, our loop {talk.shown(now['loop'])} ({now['ma']:.3f} mA): "
        f"{found.off_percent:+.2f} % of span"
        + (": right." if not found.what else f". {found.look[0].upper()}{found.look[1:]}.")
    )
    if found.what and body["how"] == "log" and not talk.wishes.override:
        why = "A correction in the log does not mend a difference of range, damping or loop."
        if talk.ask is None:
            raise NotDone(f"Not calibrated: {why} Give the reason with --override where it has to be.")
        talk.tell(why)
        talk.wishes = replace(talk.wishes, override=override_of(talk))


def _lately(reader: Reader, plant: Plant, boiler: str) -> list[float]:
    """What the loop said in the last minutes, oldest first."""
    last = reader.last()
    tag = next(t for t in raw_tags(plant) if t.name == f"{boiler}.probe")
    out: list[float] = []
    for stored in reader.groups((last.at_ms if last else 0) - LATELY_MS):
        if last is None or stored.group.plant != last.plant:
            continue
        for scan in stored.group.scans:
            if scan.module == tag.module:
                value = to_reading(scan.counts[tag.channel], tag, stored.group.at_ms).value
                out += [] if value is None else [float(value)]
    return out
