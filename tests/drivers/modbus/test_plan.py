"""Channels are joined into requests that hold every value whole and stay within the specification."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.model import REGISTERS, Link, Module
from drivers.contract import Request
from drivers.modbus.cost import wire_s
from drivers.modbus.plan import LARGEST, plan, without_gaps
from drivers.modbus.poll import ready
from drivers.registry import plan_reads
from tests.bench import plan as bench
from tests.support.modbus import module, rtu_link
from tests.support.planning import cost, faults_of, optimum, partitions, random_link, random_module

SLOW = rtu_link("/dev/ttyS0", baud=9600)


def some(*channels: tuple[str, int, str], **ways: Any) -> Module:
    named = {f"c{i}": {"function": f, "address": a, "type": t} for i, (f, a, t) in enumerate(channels)}
    return Module.model_validate({"name": "ai", "link": "panel", "channels": named, **ways})


def requests(*channels: tuple[str, int, str], link: Link | None = None, **ways: Any) -> tuple[Request, ...]:
    return plan(some(*channels, **ways), link).requests


def test_neighbours_share_a_request_whatever_their_order_in_the_file() -> None:
    assert requests(("input", 5, "u16"), ("input", 3, "u32"), ("input", 0, "f32")) == (Request("input", 0, 6),)


def test_a_gap_is_read_along_up_to_its_limit() -> None:
    assert requests(("holding", 0, "u16"), ("holding", 9, "u16")) == (Request("holding", 0, 10),)
    assert requests(("holding", 0, "u16"), ("holding", 10, "u16")) == (
        Request("holding", 0, 1),
        Request("holding", 10, 1),
    )
    assert requests(("coil", 0, "bit"), ("coil", 65, "bit")) == (Request("coil", 0, 66),)
    assert len(requests(("coil", 0, "bit"), ("coil", 66, "bit"))) == 2


def test_functions_are_never_joined() -> None:
    assert requests(("input", 0, "u16"), ("holding", 0, "u16"), ("coil", 0, "bit"), ("discrete", 0, "bit")) == (
        Request("coil", 0, 1),
        Request("discrete", 0, 1),
        Request("holding", 0, 1),
        Request("input", 0, 1),
    )


def test_a_request_ends_where_the_next_value_would_not_fit_whole() -> None:
    """MB-016: 125 registers at most."""
    values = tuple(("input", 2 * i, "u32") for i in range(63))
    assert requests(*values) == (Request("input", 0, 124), Request("input", 124, 2))


def test_two_thousand_bits_are_one_request() -> None:
    """MB-015: 2000 bits at most."""
    assert requests(*(("discrete", i, "bit") for i in range(2001))) == (
        Request("discrete", 0, 2000),
        Request("discrete", 2000, 1),
    )


def test_overlapping_channels_share_registers() -> None:
    assert requests(("input", 0, "u64"), ("input", 1, "u16"), ("input", 2, "u32")) == (Request("input", 0, 4),)


channel = st.one_of(
    st.builds(
        lambda f, a, t: {"function": f, "address": a, "type": t, **({"bit": a % 16} if t == "bit" else {})},
        st.sampled_from(["holding", "input"]),
        st.one_of(st.integers(0, 400), st.integers(65000, 65532)),
        st.sampled_from(sorted(REGISTERS)),
    ),
    st.builds(lambda f, a: {"function": f, "address": a}, st.sampled_from(["coil", "discrete"]), st.integers(0, 5000)),
)


@given(st.lists(channel, min_size=1, max_size=60))
def test_every_plan_holds_every_value_whole_within_the_limits(channels: list[dict[str, Any]]) -> None:
    wanted = module({f"c{i}": c for i, c in enumerate(channels)}, unit=9)
    made = plan_reads(wanted)
    assert (made.module, made.unit) == ("ai", 9)
    assert [p.channel for p in made.picks] == list(wanted.channels.values())
    for pick in made.picks:
        request = made.requests[pick.request]
        assert request.function == pick.channel.function
        assert request.address + pick.offset == pick.channel.address
        assert 0 <= pick.offset <= request.count - pick.channel.registers
    for request in made.requests:
        assert 1 <= request.count <= LARGEST[request.function]
        assert request.address + request.count <= 65536
        used = {a for c in wanted.channels.values() if c.function == request.function
                for a in range(c.address, c.address + c.registers)}  # fmt: skip
        inside = [a in used for a in range(request.address, request.address + request.count)]
        assert inside[0]
        assert inside[-1]
        assert "0" * ((64 if request.function in ("coil", "discrete") else 8) + 1) not in "".join(
            "1" if i else "0" for i in inside
        )


@given(st.lists(channel, min_size=1, max_size=60))
def test_without_gaps_nothing_is_asked_that_no_channel_uses(channels: list[dict[str, Any]]) -> None:
    wanted = tuple(module({f"c{i}": c for i, c in enumerate(channels)}).channels.values())
    asked = {(r.function, a) for r in without_gaps(wanted) for a in range(r.address, r.address + r.count)}
    assert asked == {(c.function, a) for c in wanted for a in range(c.address, c.address + c.registers)}


def test_a_gap_is_as_wide_as_the_module_says() -> None:
    far = ("holding", 0, "u16"), ("holding", 21, "u16")
    assert requests(*far) == (Request("holding", 0, 1), Request("holding", 21, 1))
    assert requests(*far, gap=20) == (Request("holding", 0, 22),)
    assert len(requests(("holding", 0, "u16"), ("holding", 2, "u16"), gap=0)) == 2
    assert len(requests(("coil", 0, "bit"), ("coil", 2, "bit"), gap=0)) == 2


def test_a_gap_is_not_read_along_where_asking_twice_is_cheaper() -> None:
    """At 9600 baud 41 unused registers cost 94 ms, a request of its own 28 ms."""
    far = ("holding", 0, "u16"), ("holding", 42, "u16")
    assert len(requests(*far, gap=124, link=SLOW)) == 2
    assert requests(*far, gap=124) == (Request("holding", 0, 43),)  # over TCP they cost next to nothing


def test_a_module_that_takes_fewer_registers_is_asked_for_fewer() -> None:
    eight = tuple(("input", i, "u16") for i in range(8))
    assert requests(*eight, max_registers=4) == (Request("input", 0, 4), Request("input", 4, 4))
    bits = tuple(("coil", i, "bit") for i in range(20))
    assert sorted(r.count for r in requests(*bits, max_bits=16)) == [4, 16]


def test_what_must_never_be_touched_is_not_read_along() -> None:
    two = ("holding", 10, "u16"), ("holding", 14, "u16")
    assert len(requests(*two)) == 1
    assert len(requests(*two, never=("holding 12",))) == 2
    assert len(requests(*two, never=("input 12", "holding 15..20"))) == 1


def test_a_clear_on_read_register_is_read_once_and_never_with_a_gap() -> None:
    assert len(requests(("input", 10, "u16"), ("input", 14, "u16"), clear_on_read=("input 12",))) == 2
    # its own neighbours without a gap come along, others do not
    made = plan(some(("input", 20, "u32"), ("input", 22, "u16"), ("input", 25, "u16"), clear_on_read=("input 20..21",)))
    assert made.requests == (Request("input", 20, 3), Request("input", 25, 1))
    assert all(ask.apart == () for ask in ready(made).asks)  # so nothing of it is asked again after a refusal
    # two channels that share one are one stretch, whatever a cut between them would save
    shared = ("input", 0, "u32"), ("input", 1, "u32")
    assert requests(*shared, clear_on_read=("input 1",), max_registers=3) == (Request("input", 0, 3),)
    with pytest.raises(ValueError, match="does not fit one request of 2"):
        requests(*shared, clear_on_read=("input 1",), max_registers=2)
    assert len(requests(*shared, max_registers=2)) == 2


def test_what_cannot_be_read_as_declared_is_refused() -> None:
    with pytest.raises(ValueError, match=r"input 0\.\.3 does not fit one request of 2"):
        requests(("input", 0, "u64"), max_registers=2)
    with pytest.raises(ValueError, match=r"lies in input 1\.\.5, which must never be read"):
        requests(("input", 0, "u32"), never=("input 1..5",))


def test_eight_channels_in_one_request_are_cheaper_than_eight() -> None:
    eight = some(*(("input", i, "u16") for i in range(8)))
    (one,) = plan(eight, SLOW).requests
    assert wire_s(SLOW, eight, one) < sum(wire_s(SLOW, eight, Request("input", i, 1)) for i in range(8)) / 4


def test_every_way_to_share_is_tried() -> None:
    """Bell numbers (OEIS A000110)."""
    assert [len(list(partitions(n))) for n in range(8)] == [1, 1, 2, 5, 15, 52, 203, 877]


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_plan_costs_more_than_the_optimum_by_brute_force(seed: int) -> None:
    rng = Random(seed)
    wanted, link = random_module(rng), random_link(rng)
    best = optimum(link, wanted)
    if best is None:
        with pytest.raises(ValueError, match="module m: "):
            plan(wanted, link)
        return
    made = plan(wanted, link)
    assert faults_of(wanted, made) == []
    paid = sum(cost(link, wanted, r) for r in made.requests)
    assert abs(paid - best[0]) < 1e-8  # whole nanoseconds are what the planner counts in
    assert len(made.requests) <= best[1]
    again = plan(Module.model_validate(wanted.model_dump() | {
        "channels": dict(rng.sample(sorted(wanted.model_dump()["channels"].items()), len(wanted.channels)))
    }), link)  # fmt: skip
    assert again.requests == made.requests  # the order of the file changes nothing


def test_the_benchmark_of_plans_passes_at_its_quick_size() -> None:
    figures = bench.main(quick=True)
    assert figures["passed"] is True
    assert figures["maps"] == 500
