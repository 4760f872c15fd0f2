"""Channels are joined into requests that hold every value whole and stay within the specification."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from config.model import REGISTERS
from drivers.contract import Request
from drivers.modbus.plan import GAP, LARGEST, plan, without_gaps
from drivers.registry import plan_reads
from tests.support.modbus import module


def requests(*channels: tuple[str, int, str]) -> tuple[Request, ...]:
    return plan(
        module({f"c{i}": {"function": f, "address": a, "type": t} for i, (f, a, t) in enumerate(channels)})
    ).requests


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
        assert "0" * (GAP[request.function] + 1) not in "".join("1" if i else "0" for i in inside)


@given(st.lists(channel, min_size=1, max_size=60))
def test_without_gaps_nothing_is_asked_that_no_channel_uses(channels: list[dict[str, Any]]) -> None:
    wanted = tuple(module({f"c{i}": c for i, c in enumerate(channels)}).channels.values())
    asked = {(r.function, a) for r in without_gaps(wanted) for a in range(r.address, r.address + r.count)}
    assert asked == {(c.function, a) for c in wanted for a in range(c.address, c.address + c.registers)}
