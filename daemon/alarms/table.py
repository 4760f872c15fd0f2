"""The life of an alarm as a table: states and cues of IEC 62682 / ISA-18.2.

Every pair of state and cue is decided exactly once: a transition in TABLE or a member of NO_CHANGE.
Whether the condition is true while an alarm is shelved, suppressed or out of service is kept by the engine: leaving
one of these three states is a return to normal followed by a fresh judgement.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from itertools import product
from typing import Final


class State(Enum):
    """States in the words of the standards; MEANING holds what people read beside them."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned to normal unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Cue(Enum):
    """What can happen to an alarm."""

    RAISED = "raised"  # the condition has become true
    CLEARED = "cleared"  # the condition has become false
    CLEARED_LATCHING = "cleared, latching"
    ACK = "acknowledged"
    RESET = "let go"  # a person lets go of the record of a latched alarm
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # by a person, or its time is over
    SUPPRESS = "suppress"
    RELEASE = "release"
    REMOVE = "remove from service"
    RESTORE = "return to service"


class Event(Enum):
    """What the journal says of a transition."""

    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    RELEASED = "released"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"


_S, _C, _E = State, Cue, Event
_ANNUNCIATED = (
    _S.UNACKNOWLEDGED,
    _S.ACKNOWLEDGED,
    _S.RETURNED_UNACKNOWLEDGED,
    _S.LATCHED_UNACKNOWLEDGED,
    _S.LATCHED_ACKNOWLEDGED,
)

TABLE: Final[Mapping[tuple[State, Cue], tuple[State, Event]]] = {
    (_S.NORMAL, _C.RAISED): (_S.UNACKNOWLEDGED, _E.RAISED),
    (_S.UNACKNOWLEDGED, _C.ACK): (_S.ACKNOWLEDGED, _E.ACKNOWLEDGED),
    (_S.UNACKNOWLEDGED, _C.CLEARED): (_S.RETURNED_UNACKNOWLEDGED, _E.RETURNED),
    (_S.UNACKNOWLEDGED, _C.CLEARED_LATCHING): (_S.LATCHED_UNACKNOWLEDGED, _E.RETURNED),
    (_S.ACKNOWLEDGED, _C.CLEARED): (_S.NORMAL, _E.RETURNED),
    (_S.ACKNOWLEDGED, _C.CLEARED_LATCHING): (_S.LATCHED_ACKNOWLEDGED, _E.RETURNED),
    (_S.RETURNED_UNACKNOWLEDGED, _C.ACK): (_S.NORMAL, _E.ACKNOWLEDGED),
    (_S.RETURNED_UNACKNOWLEDGED, _C.RAISED): (_S.UNACKNOWLEDGED, _E.RAISED),
    (_S.LATCHED_UNACKNOWLEDGED, _C.ACK): (_S.LATCHED_ACKNOWLEDGED, _E.ACKNOWLEDGED),
    (_S.LATCHED_UNACKNOWLEDGED, _C.RAISED): (_S.UNACKNOWLEDGED, _E.RAISED),
    (_S.LATCHED_ACKNOWLEDGED, _C.RESET): (_S.NORMAL, _E.RELEASED),
    (_S.LATCHED_ACKNOWLEDGED, _C.RAISED): (_S.UNACKNOWLEDGED, _E.RAISED),
    (_S.SHELVED, _C.UNSHELVE): (_S.NORMAL, _E.UNSHELVED),
    (_S.SUPPRESSED, _C.RELEASE): (_S.NORMAL, _E.UNSUPPRESSED),
    (_S.OUT_OF_SERVICE, _C.RESTORE): (_S.NORMAL, _E.IN_SERVICE),
    **{(s, _C.SHELVE): (_S.SHELVED, _E.SHELVED) for s in (_S.NORMAL, *_ANNUNCIATED)},
    **{(s, _C.SUPPRESS): (_S.SUPPRESSED, _E.SUPPRESSED) for s in (_S.NORMAL, *_ANNUNCIATED)},
    **{
        (s, _C.REMOVE): (_S.OUT_OF_SERVICE, _E.OUT_OF_SERVICE)
        for s in (_S.NORMAL, *_ANNUNCIATED, _S.SHELVED, _S.SUPPRESSED)
    },
}

NO_CHANGE: Final[frozenset[tuple[State, Cue]]] = frozenset(
    {
        *product((_S.NORMAL,), (_C.CLEARED, _C.CLEARED_LATCHING, _C.ACK, _C.RESET)),
        *product((_S.UNACKNOWLEDGED,), (_C.RAISED, _C.RESET)),
        *product((_S.ACKNOWLEDGED,), (_C.RAISED, _C.ACK, _C.RESET)),
        *product((_S.RETURNED_UNACKNOWLEDGED,), (_C.CLEARED, _C.CLEARED_LATCHING, _C.RESET)),
        *product((_S.LATCHED_UNACKNOWLEDGED,), (_C.CLEARED, _C.CLEARED_LATCHING, _C.RESET)),
        *product((_S.LATCHED_ACKNOWLEDGED,), (_C.CLEARED, _C.CLEARED_LATCHING, _C.ACK)),
        *product((_S.NORMAL, *_ANNUNCIATED), (_C.UNSHELVE, _C.RELEASE, _C.RESTORE)),
        *product(
            (_S.SHELVED, _S.SUPPRESSED, _S.OUT_OF_SERVICE),
            (_C.RAISED, _C.CLEARED, _C.CLEARED_LATCHING, _C.ACK, _C.RESET, _C.SHELVE, _C.SUPPRESS),
        ),
        *product((_S.SHELVED,), (_C.RELEASE, _C.RESTORE)),
        *product((_S.SUPPRESSED,), (_C.UNSHELVE, _C.RESTORE)),
        *product((_S.OUT_OF_SERVICE,), (_C.UNSHELVE, _C.RELEASE, _C.REMOVE)),
    }
)

MEANING: Final[Mapping[State, str]] = {
    _S.NORMAL: "not standing",
    _S.UNACKNOWLEDGED: "standing, nobody has confirmed",
    _S.ACKNOWLEDGED: "standing, confirmed",
    _S.RETURNED_UNACKNOWLEDGED: "cleared, nobody has confirmed",
    _S.LATCHED_UNACKNOWLEDGED: "cleared, held for a look, nobody has confirmed",
    _S.LATCHED_ACKNOWLEDGED: "cleared, held for a look, confirmed",
    _S.SHELVED: "put aside for a time",
    _S.SUPPRESSED: "held back because the boiler is off",
    _S.OUT_OF_SERVICE: "taken out of service",
}

STANDING: Final[frozenset[State]] = frozenset({_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED})
"""States in which the condition is there and people are meant to know."""

LATCHED: Final[frozenset[State]] = frozenset({_S.LATCHED_UNACKNOWLEDGED, _S.LATCHED_ACKNOWLEDGED})
"""States in which the condition is gone and the record is held until a person lets go of it."""


def move(state: State, cue: Cue) -> tuple[State, Event] | None:
    """Where a cue leads: the new state and the journal's word for it, or None when nothing changes."""
    return TABLE.get((state, cue))
