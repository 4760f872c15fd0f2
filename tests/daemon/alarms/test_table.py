"""The life-cycle table decides every pair once and agrees with the published transitions."""

from __future__ import annotations

from itertools import product

import pytest

from daemon.alarms.table import MEANING, NO_CHANGE, TABLE, Cue, State, move


def test_every_state_and_cue_is_decided_exactly_once() -> None:
    assert set(product(State, Cue)) == TABLE.keys() | NO_CHANGE
    assert not TABLE.keys() & NO_CHANGE


# ANSI/ISA-18.2-2016 and IEC 62682 alarm state diagram, reference rows AL-017 to AL-037 (status: memory; the rows are
# a hint to the standard's diagram, the exhaustiveness test above is the ground)
@pytest.mark.parametrize(
    ("row", "state", "cue", "after"),
    [
        ("AL-017", State.NORMAL, Cue.RAISED, State.UNACKNOWLEDGED),
        ("AL-018", State.UNACKNOWLEDGED, Cue.ACK, State.ACKNOWLEDGED),
        ("AL-019", State.ACKNOWLEDGED, Cue.CLEARED, State.NORMAL),
        ("AL-020", State.UNACKNOWLEDGED, Cue.CLEARED, State.RETURNED_UNACKNOWLEDGED),
        ("AL-021", State.RETURNED_UNACKNOWLEDGED, Cue.ACK, State.NORMAL),
        ("AL-022", State.RETURNED_UNACKNOWLEDGED, Cue.RAISED, State.UNACKNOWLEDGED),
        ("AL-024", State.UNACKNOWLEDGED, Cue.CLEARED_LATCHING, State.LATCHED_UNACKNOWLEDGED),
        ("AL-025", State.LATCHED_UNACKNOWLEDGED, Cue.ACK, State.LATCHED_ACKNOWLEDGED),
        ("AL-026", State.ACKNOWLEDGED, Cue.CLEARED_LATCHING, State.LATCHED_ACKNOWLEDGED),
        ("AL-027", State.LATCHED_ACKNOWLEDGED, Cue.RESET, State.NORMAL),
        ("AL-028", State.LATCHED_ACKNOWLEDGED, Cue.RAISED, State.UNACKNOWLEDGED),
        ("AL-029", State.UNACKNOWLEDGED, Cue.SHELVE, State.SHELVED),
        ("AL-030", State.SHELVED, Cue.UNSHELVE, State.NORMAL),
        ("AL-032", State.ACKNOWLEDGED, Cue.SUPPRESS, State.SUPPRESSED),
        ("AL-034", State.SUPPRESSED, Cue.RELEASE, State.NORMAL),
        ("AL-035", State.UNACKNOWLEDGED, Cue.REMOVE, State.OUT_OF_SERVICE),
        ("AL-037", State.OUT_OF_SERVICE, Cue.RESTORE, State.NORMAL),
    ],
)
def test_published_transitions(row: str, state: State, cue: Cue, after: State) -> None:
    moved = move(state, cue)
    assert moved is not None, row
    assert moved[0] is after, row


# AL-031, AL-033, AL-036: leaving shelved, suppressed or out of service with the condition true is a return to normal
# and a fresh judgement, which raises
@pytest.mark.parametrize(
    ("row", "state", "cue"),
    [
        ("AL-031", State.SHELVED, Cue.UNSHELVE),
        ("AL-033", State.SUPPRESSED, Cue.RELEASE),
        ("AL-036", State.OUT_OF_SERVICE, Cue.RESTORE),
    ],
)
def test_leaving_a_quiet_state_with_the_condition_true_raises(row: str, state: State, cue: Cue) -> None:
    first = move(state, cue)
    assert first is not None, row
    second = move(first[0], Cue.RAISED)
    assert second is not None, row
    assert second[0] is State.UNACKNOWLEDGED, row


def test_every_state_has_a_meaning_in_plain_words() -> None:
    assert MEANING.keys() == set(State)
    assert all(MEANING.values())
