"""A meter on a register that reading clears: increments, added once, and what is lost on the way."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from config.load import loads
from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.scan import Act, Group, Scan
from daemon.core.tags import derived_tags
from daemon.engine import State, carry, dump, restore, start, step
from daemon.measure.counter import UNTOUCHED, Counter
from daemon.measure.meter_spec import MeterSpec
from tests.support.feed import HEAD, boiler

HOUR = 3_600_000
SPEC = MeterSpec(1 << 16, 0.1, 20.0 / 0.1 / HOUR, clears=True)  # 200 pulses an hour at most
METER = '[[meter]]\nname = "makeup"\nchannel = "m.pulses"\nmeasures = "makeup"\npulse = "0.1 m3"\n'
METER += 'max_rate = "20 m3/h"\nserves = ["B1"]\n'
CLEARED = HEAD.replace('every = "10 s"\n', 'every = "10 s"\nclear_on_read = ["input 2"]\n') + boiler() + METER


def plant(text: str = CLEARED) -> Plant:
    return loads(text).plant


def polled(*polls: int | Reason, every_ms: int = 60_000) -> tuple[Counter, list[int]]:
    """After polls a minute apart, each a count or why there is none."""
    c = Counter()
    said = []
    for i, p in enumerate(polls):
        raw, fault = (None, int(p)) if isinstance(p, Reason) else (p, 0)
        said.append(int(c.add(raw, fault, i * every_ms, SPEC)))
    return c, said


def test_the_first_count_came_before_the_log_began_and_every_other_is_added() -> None:
    c, said = polled(5000, 3, 0, 0, 2, 2)
    assert (c.total, c.restarts, said) == (7, 0, [0] * 6)


@pytest.mark.parametrize("why", sorted(UNTOUCHED))
def test_a_poll_that_did_not_touch_the_register_loses_nothing(why: Reason) -> None:
    c, said = polled(0, 1, why, why, 3)
    assert (c.total, c.restarts, said) == (4, 0, [0, 0, why, why, 0])


@pytest.mark.parametrize(
    "why",
    [Reason.NO_ANSWER, Reason.BAD_ANSWER, Reason.CUT_OFF, Reason.NOT_AVAILABLE, Reason.REFUSED_4, Reason.REFUSED_11],
)
def test_a_poll_that_may_have_cleared_it_is_one_gap_however_long(why: Reason) -> None:
    c, said = polled(0, 1, why, why, why, 3, 1)
    assert (c.total, c.restarts) == (5, 1)
    assert said == [0, 0, Reason.COUNTS_LOST, why, why, Reason.COUNTS_LOST, 0]
    assert quality(Reason.COUNTS_LOST) is Quality.UNCERTAIN


def test_more_than_can_have_passed_is_no_flow_and_a_gap() -> None:
    c, said = polled(0, 1, 4000, 2)
    assert (c.total, c.restarts, c.refused, said) == (3, 1, 4000, [0, 0, Reason.COUNTER_STEP_REFUSED, 0])


def test_after_so_long_that_it_may_have_gone_round_the_total_is_at_least() -> None:
    c = Counter()
    c.add(0, 0, 0, SPEC)
    assert c.add(7, 0, 400 * HOUR, SPEC) == Reason.COUNTS_LOST
    assert (c.total, c.restarts) == (7, 1)


class Site:
    """A register that counts, a service that reads and stores, and a log from which all is stepped again."""

    def __init__(self) -> None:
        self.plant = plant()
        self.total_tag = next(i for i, d in enumerate(derived_tags(self.plant)) if d.name == "makeup.total")
        self.register = 0
        self.state: State = start(self.plant, 1)
        self.stored: list[tuple[Group, GroupOutcome]] = []
        self.snapshot: tuple[int, bytes] | None = None
        self.elapsed = self.gap = 0
        self.segment = 1
        self.lost = 0  # pulses that no stored group holds
        self.told: list[tuple[float, int]] = []

    @property
    def counter(self) -> Counter:
        return self.state.cells.senses.counters[0]

    def poll(self, fault: int = 0, read: bool = True, store: bool = True, acts: tuple[Act, ...] = ()) -> None:
        """One instant: the register is read (and cleared) or not, the answer arrives or not, the group is stored."""
        self.elapsed += 10_000
        held = self.register
        if read:
            self.register = 0
        count = None if fault else held
        counts = (30_000, 0, count, *(0,) * 7) if count is not None else (None,) * 10
        faults = (0,) * 10 if count is not None else (fault,) * 10
        group = Group(
            len(self.stored) + 1,
            self.elapsed,
            self.elapsed,
            self.segment,
            1,
            (Scan(0, counts, faults),),
            acts,
            self.gap,
        )
        self.gap = 0
        if read and (fault or not store):
            self.lost += held
        self._take(group, store)

    def end(self) -> None:
        """A clean stop: its last group says that all is stored."""
        act = Act(1, "service", "waterside", 0, {"kind": "stopped", "active": True})
        number, gap, self.gap = len(self.stored) + 1, self.gap, 0
        self._take(Group(number, self.elapsed, self.elapsed, self.segment, 1, (), (act,), gap), True)

    def _take(self, group: Group, store: bool) -> None:
        after, (outcome,) = step(self.state, (group,))
        if store:
            self.state = after
            self.stored.append((group, outcome))
            self.told += [(d.value, d.reason) for d in outcome.derived if d.tag == self.total_tag]

    def restart(self) -> None:
        """Back to where the log ends: from the snapshot, and the groups after it."""
        at, body = self.snapshot or (0, b"")
        state = restore(self.plant, body) if body else start(self.plant, 1)
        self.state, _ = step(state, [g for g, _ in self.stored[at:]])
        self.elapsed += 10_000
        self.gap = 10_000
        self.segment += 1  # each run begins one before it asks anyone

    def rebuilt(self) -> Counter:
        state, _ = step(start(self.plant, 1), [g for g, _ in self.stored])
        return state.cells.senses.counters[0]


ACTIONS = st.one_of(
    st.tuples(st.just("flow"), st.integers(0, 2)),
    st.tuples(st.just("read"), st.just(0)),
    st.tuples(st.just("lost"), st.sampled_from([Reason.NO_ANSWER, Reason.BAD_ANSWER, Reason.CUT_OFF])),
    st.tuples(st.just("not read"), st.sampled_from(sorted(UNTOUCHED))),
    st.tuples(st.just("killed before it is stored"), st.just(0)),
    st.tuples(st.just("killed"), st.just(0)),
    st.tuples(st.just("stopped"), st.just(0)),
    st.tuples(st.just("snapshot"), st.just(0)),
)


@settings(max_examples=150, deadline=None)
@example([("stopped", 0), ("flow", 1), ("killed before it is stored", 0)])  # a run of which nothing is in the log
@example([("flow", 1), ("killed before it is stored", 0), ("stopped", 0)])  # and then one that only stops
@given(st.lists(ACTIONS, max_size=60))
def test_in_any_order_of_polls_losses_and_restarts_the_total_is_the_sum_of_what_is_stored(
    actions: list[tuple[str, int]],
) -> None:
    s = Site()
    flowed = 0
    s.poll()  # what the register held before the log began
    lost_before = s.lost
    highest = 0
    for what, value in actions:
        match what:
            case "flow":
                came = 0 if s.register else value  # more than two in 10 s would be no flow
                s.register, flowed = s.register + came, flowed + came
            case "read":
                s.poll()
            case "lost":
                s.poll(fault=value)
            case "not read":
                s.poll(fault=value, read=False)
            case "killed before it is stored":
                s.poll(store=False)
                s.restart()
            case "killed":
                s.restart()
            case "stopped":
                s.end()
                s.restart()
            case "snapshot":
                s.snapshot = (len(s.stored), dump(s.state))
        total = s.counter.total
        assert total >= highest, "the total went back"
        highest = total
        increments = [g.scans[0].counts[2] for g, _ in s.stored if g.scans]
        assert total == sum(int(c or 0) for c in increments), "it is not the sum of what is stored"
    s.poll()  # after a kill the first group says so
    assert s.rebuilt().total == s.counter.total
    # every lost pulse stands behind a mark, and without marks none was lost
    marks = [r for _, r in s.told if r == Reason.COUNTS_LOST]
    if s.lost > lost_before:
        assert s.counter.restarts > 0
        assert marks
    if all(a[0] in ("flow", "read", "not read", "stopped", "snapshot") for a in actions):
        assert not marks
        assert s.counter.restarts == 0
        assert s.counter.total + s.register == flowed
    assert [v for v, _ in s.told] == sorted(v for v, _ in s.told)


def test_a_kill_marks_the_next_reading_and_a_clean_stop_does_not() -> None:
    s = Site()
    s.poll()
    s.register = 2
    s.end()
    s.restart()
    s.poll()
    assert (s.told[-1], s.counter.total) == ((pytest.approx(0.2), 0), 2)
    s.register = 1
    s.restart()
    s.poll()
    assert (s.told[-1], s.counter.total) == ((pytest.approx(0.3), Reason.COUNTS_LOST), 3)
    assert s.stored[-1][1].verdicts[0][2] == Reason.COUNTS_LOST
    s.poll()
    assert s.counter.restarts == 1


def test_the_last_word_of_a_run_counts_only_in_a_group_of_its_own() -> None:
    s = Site()
    s.poll()
    # stored at a stop, its group was not: the next run finds the act and takes it with its first polls
    s.poll(acts=(Act(1, "service", "waterside", 0, {"kind": "stopped", "active": True}),))
    s.restart()
    s.poll()
    assert s.counter.restarts == 1


def test_a_plant_file_that_now_says_it_is_cleared_begins_the_count_anew_and_keeps_the_total() -> None:
    counting = plant(CLEARED.replace('clear_on_read = ["input 2"]\n', ""))
    state = start(counting, 1)
    for i, count in enumerate((500, 502)):
        counts = (30_000, 0, count, *(0,) * 7)
        state, _ = step(state, (Group(i + 1, i * 10_000, i * 10_000, 1, 1, (Scan(0, counts, (0,) * 10),)),))
    state, _, _ = carry(state, plant(), 2, 20_000)
    for i, count in enumerate((502, 1)):
        counts = (30_000, 0, count, *(0,) * 7)
        at = (i + 2) * 10_000
        state, _ = step(state, (Group(i + 3, at, at, 1, 2, (Scan(0, counts, (0,) * 10),)),))
    assert state.cells.senses.counters[0].total == 3
