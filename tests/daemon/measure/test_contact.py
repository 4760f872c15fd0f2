"""Debounce of polled contacts."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.measure.contact import Contact


def polled(raws: list[int | None], debounce_ms: int, every_ms: int = 1000) -> tuple[Contact, list[int]]:
    """The contact after the polls, and the number of each poll that changed it."""
    contact, changed = Contact(), []
    for i, raw in enumerate(raws):
        if contact.step(raw, i * every_ms, 5_000_000 + i * every_ms, debounce_ms):
            changed.append(i)
    return contact, changed


def test_nothing_is_known_before_the_first_read() -> None:
    contact, changed = polled([None, None], 0)
    assert contact.on is None
    assert changed == []


def test_the_first_read_gives_the_state_without_a_beginning() -> None:
    contact, changed = polled([None, 1], 5000)
    assert (contact.on, contact.began, contact.since_ms, changed) == (1, False, 5_001_000, [1])


def test_without_debounce_one_poll_changes_it() -> None:
    contact, changed = polled([0, 1], 0)
    assert changed == [0, 1]
    assert (contact.on, contact.began, contact.since_elapsed_ms) == (1, True, 1000)


def test_a_change_takes_the_debounce_and_is_dated_at_its_first_poll() -> None:
    contact, changed = polled([0, 1, 1, 1], 2000)
    assert changed == [0, 3]
    assert (contact.since_ms, contact.since_elapsed_ms) == (5_001_000, 1000)


def test_a_bounce_shorter_than_the_debounce_changes_nothing() -> None:
    contact, changed = polled([0, 1, 0, 1, 0], 1500)
    assert changed == [0]
    assert contact.on == 0


def test_one_poll_is_never_enough_when_there_is_a_debounce() -> None:
    # polls 10 s apart, debounce 50 ms: the second poll confirms
    contact, changed = polled([0, 1, 1], 50, every_ms=10_000)
    assert changed == [0, 2]
    assert contact.since_elapsed_ms == 10_000


def test_a_poll_without_an_answer_neither_confirms_nor_denies() -> None:
    contact, changed = polled([0, 1, None, None, 1], 2000)
    assert changed == [0, 4]
    assert contact.since_elapsed_ms == 1000
    contact, changed = polled([0, 1, None, None], 2000)
    assert contact.on == 0


def test_a_clone_goes_its_own_way() -> None:
    contact, _ = polled([0, 1], 2000)
    twin = contact.clone()
    assert twin == contact
    twin.step(1, 9000, 9000, 2000)
    assert (contact.on, twin.on) == (0, 1)


@given(st.lists(st.sampled_from([0, 1, None]), max_size=40), st.sampled_from([0, 1000, 2500]))
def test_a_state_stands_only_on_polls_that_read_it_for_the_debounce(raws: list[int | None], debounce: int) -> None:
    contact = Contact()
    for i, raw in enumerate(raws):
        before = contact.on
        if contact.step(raw, i * 1000, i * 1000, debounce) and before is not None:
            first = contact.since_elapsed_ms // 1000
            read = [r for r in raws[first : i + 1] if r is not None]
            assert set(read) == {contact.on}
            assert (i - first) * 1000 >= debounce
            assert debounce == 0 or len(read) >= 2
    good = [r for r in raws if r is not None]
    if debounce == 0 and good:
        assert contact.on == good[-1]
