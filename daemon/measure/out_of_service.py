"""Signals out of service: read and kept on, and what they say says so.

Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.core.outcome import Derived
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.scan import Group
from daemon.measure.wiring import ANALOGUE, CONTACT, Wiring

if TYPE_CHECKING:
    from daemon.measure.senses import Senses, Taken


def tags(s: Senses, w: Wiring, group: Group, verdicts: list[list[int]]) -> None:
    """A tag out of service is read and kept on, and judges nothing.

    Of a boiler said to be laid up or drained, the contacts and the steam pressure go on to say whether that is so.
    """
    spoken = {row[0] for row in s.words}
    names = {row[0].replace(".conductivity", ".probe") for row in s.outs} - {b.name for b in w.boilers}
    at = {scan.module: v for scan, v in zip(group.scans, verdicts, strict=True)}
    for tag, (kind, slot) in zip(w.tags, w.tag_slots, strict=True):
        if tag.name not in names and tag.target not in names:
            continue
        if tag.module in at:
            _mark_out(at[tag.module], tag.channel)
        if tag.target in spoken and (kind == CONTACT or tag.name.endswith(".steam_pressure")):
            continue
        if kind == ANALOGUE:
            s.values[slot], s.reasons[slot] = None, int(Reason.OUT_OF_SERVICE)
        elif kind == CONTACT:
            s.contact_reasons[slot] = int(Reason.OUT_OF_SERVICE)


def boilers(s: Senses, w: Wiring, group: Group, verdicts: list[list[int]], out: Taken) -> None:
    """The readings of a boiler out of service go on, and say so; those of low and high water stand as they are."""
    names = {row[0] for row in s.outs} & {b.name for b in w.boilers}
    if not names:
        return
    at = {scan.module: v for scan, v in zip(group.scans, verdicts, strict=True)}
    for tag in w.tags:
        if tag.target in names and tag.module in at and not tag.name.endswith((".low_water", ".high_water")):
            _mark_out(at[tag.module], tag.channel)
    tags = {b.tag_conductivity for b in w.boilers if b.name in names}
    for i, d in enumerate(out.derived):
        if d.tag in tags:
            out.derived[i] = Derived(d.tag, d.value, int(Reason.OUT_OF_SERVICE))


def _mark_out(verdict: list[int], channel: int) -> None:
    if quality(verdict[channel]) is not Quality.BAD:
        verdict[channel] = int(Reason.OUT_OF_SERVICE)
