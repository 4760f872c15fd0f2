"""How signals are looked up in the senses. Pure. May import: daemon.core, this room."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.core.reasons import Quality, quality

if TYPE_CHECKING:
    from daemon.measure.senses import Senses
    from daemon.measure.wiring import Role


def role(s: Senses, r: Role) -> bool | None:
    """Is a contact's role true? None when it is not wired or has never been read."""
    if r.slot < 0:
        return None
    on = s.contacts[r.slot].on
    return None if on is None else on == r.when


def role_now(s: Senses, r: Role) -> bool | None:
    """As `role`, but None too while the contact cannot be read at present."""
    slot = r.slot
    if slot < 0 or s.contact_reasons[slot]:
        return None
    on = s.contacts[slot].on
    return None if on is None else on == r.when


def good_value(s: Senses, slot: int) -> float | None:
    """An analogue value that is not bad, else None."""
    if slot < 0:
        return None
    why = s.reasons[slot]
    if why and quality(why) is Quality.BAD:
        return None
    return s.values[slot]
