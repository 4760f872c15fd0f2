"""A group to bytes and back: every type exact, missing counts, verdicts, and what does not fit refused."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import loads
from daemon.core.outcome import Derived
from daemon.core.scan import Scan
from daemon.store.packing import Layout, PackingError, pack_derived, unpack_derived
from tests.support.stores import PLANT, TEXT

TYPES = ("u16", "s16", "u32", "s32", "u64", "f32", "f64", "bit", "bcd16", "bcd32")
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "u16": st.integers(0, 2**16 - 1),
    "s16": st.integers(-(2**15), 2**15 - 1),
    "u32": st.integers(0, 2**32 - 1),
    "s32": st.integers(-(2**31), 2**31 - 1),
    "u64": st.integers(0, 2**64 - 1),
    "f32": st.floats(allow_nan=False, allow_infinity=False, width=32),
    "f64": st.floats(allow_nan=False, allow_infinity=False),
    "bit": st.integers(0, 1),
    "bcd16": st.integers(0, 9999),
    "bcd32": st.integers(0, 99_999_999),
}
FAULT = st.one_of(st.just(0), st.sampled_from([1, 2, 5, 18, 28]))


@st.composite
def groups(draw: st.DrawFn) -> tuple[Layout, tuple[Scan, ...], tuple[tuple[int, ...], ...]]:
    modules = draw(st.lists(st.lists(st.sampled_from(TYPES), min_size=1, max_size=20), min_size=1, max_size=4))
    layout = Layout([(f"m{i}", types) for i, types in enumerate(modules)])
    scans, verdicts = [], []
    for index in draw(st.permutations(range(len(modules)))):
        types = modules[index]
        faults = draw(
            st.one_of(
                st.just((0,) * len(types)),
                st.sampled_from([(f,) * len(types) for f in (1, 2, 28)]),
                st.tuples(*(FAULT for _ in types)),
            )
        )
        counts = tuple(None if f else draw(VALUES[t]) for t, f in zip(types, faults, strict=True))
        scans.append(Scan(index, counts, faults, draw(st.one_of(st.integers(0, 255), st.integers(0, 2**32 - 1)))))
        verdicts.append(draw(st.one_of(st.just(faults), st.tuples(*(st.integers(0, 255) for _ in types)))))
    return layout, tuple(scans), tuple(verdicts)


def exact(scans: tuple[Scan, ...]) -> list[list[object]]:
    """Counts by type and bits, so that 1 is not 1.0 and 0.0 is not -0.0."""
    return [[(type(c), struct.pack("<d", c) if isinstance(c, float) else c) for c in s.counts] for s in scans]


@given(groups())
def test_every_group_comes_back_bit_for_bit(case: tuple[Layout, tuple[Scan, ...], tuple[tuple[int, ...], ...]]) -> None:
    layout, scans, verdicts = case
    back = layout.unpack(layout.pack(scans, verdicts))
    assert back == (scans, verdicts)
    assert exact(back[0]) == exact(scans)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_float32_channel_keeps_a_value_float32_cannot_hold(value: float) -> None:
    layout = Layout([("m", ["f32", "bit", "f32"])])
    scans = (Scan(0, (value, 1, 0.5), (0, 0, 0)),)
    assert layout.unpack(layout.pack(scans, ((0, 0, 0),)))[0] == scans


@pytest.mark.parametrize("value", [2**63, 2**64 - 1, 2**53 + 1])
def test_a_64_bit_count_stays_whole(value: int) -> None:
    layout = Layout([("m", ["u64"])])
    (scan,) = layout.unpack(layout.pack((Scan(0, (value,), (0,)),), ((0,),)))[0]
    assert scan.counts == (value,)


def test_sizes_are_those_of_the_counts_alone() -> None:
    sixteen = Layout([("m", ["u16"] * 16)])
    good, zeros = Scan(0, (65535,) * 16, (0,) * 16, 12), (0,) * 16
    assert len(sixteen.pack((good,), (zeros,))) == 3 + 32
    assert len(sixteen.pack((good,), ((50,) * 16,))) == 3 + 32 + 16
    silent = Scan(0, (None,) * 16, (1,) * 16, 12)
    assert len(sixteen.pack((silent,), ((1,) * 16,))) == 3 + 1
    bits = Layout([("m", ["bit"] * 16)])
    assert len(bits.pack((Scan(0, (1, 0) * 8, zeros),), (zeros,))) == 3 + 2
    assert sixteen.pack((), ()) == b""


@pytest.mark.parametrize(
    ("types", "counts", "faults", "verdict", "says"),
    [
        (["u16"], (65536,), (0,), (0,), "module m"),
        (["u16"], (-1,), (0,), (0,), "module m"),
        (["u16"], (1.5,), (0,), (0,), "module m"),
        (["f64"], (float("nan"),), (0,), (0,), "finite"),
        (["f32"], (float("inf"),), (0,), (0,), "finite"),
        (["bit"], (2,), (0,), (0,), "module m"),
        (["bit", "u16"], (0, None), (0, 0), (0, 0), "module m"),
        (["u16", "u16"], (1,), (0,), (0,), "2 channels"),
        (["bit", "u16"], (1, 1, 1), (0, 0), (0, 0), "2 channels"),
        (["u16", "u16"], (1, 1), (0, 4), (0, 0), "exactly where"),
        (["u16", "u16"], (None, 1), (0, 0), (0, 0), "module m"),
        (["u16"], (1,), (0,), (0, 0), "verdicts"),
        (["u16"], (1,), (0,), (256,), "module m"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(
    types: list[str], counts: tuple[Any, ...], faults: tuple[int, ...], verdict: tuple[int, ...], says: str
) -> None:
    with pytest.raises(PackingError, match=says):
        Layout([("m", types)]).pack((Scan(0, counts, faults),), (verdict,))


def test_a_module_the_plant_does_not_have_is_refused() -> None:
    with pytest.raises(PackingError, match="module 3"):
        Layout.of(PLANT).pack((Scan(3, (1,), (0,)),), ((0,),))


@given(groups(), st.data())
def test_cut_bytes_are_refused_and_nothing_else_is_raised(
    case: tuple[Layout, tuple[Scan, ...], tuple[tuple[int, ...], ...]], data: st.DataObject
) -> None:
    layout, scans, verdicts = case
    body = layout.pack(scans, verdicts)
    cut = body[: data.draw(st.integers(0, len(body) - 1))]
    try:
        back, _ = layout.unpack(cut)
    except PackingError:
        return
    assert back == scans[: len(back)]  # cut between two scans
    assert len(back) < len(scans)


@given(st.lists(st.builds(Derived, st.integers(0, 65535), st.floats(allow_nan=False), st.integers(0, 255))))
def test_derived_values_come_back_exact(values: list[Derived]) -> None:
    assert unpack_derived(pack_derived(tuple(values))) == tuple(values)


def test_derived_values_that_do_not_fit_are_refused() -> None:
    with pytest.raises(PackingError):
        pack_derived((Derived(70000, 1.0, 0),))
    with pytest.raises(PackingError):
        unpack_derived(b"short")


def test_the_layout_of_a_text_is_that_of_its_plant() -> None:
    scans = (Scan(0, (1, -2, 3, -4, 2**63, 0.5, 0.1, 1, 0), (0,) * 9), Scan(1, (1, 0), (0, 0)))
    verdicts = ((0,) * 9, (0, 0))
    assert Layout.of_text(TEXT).unpack(Layout.of(PLANT).pack(scans, verdicts)) == (scans, verdicts)
    with pytest.raises(ValueError, match="modules"):
        Layout.of_text('[plant]\nname = "x"\n')


def test_the_layout_of_a_stored_text_with_types_and_numbers_is_that_of_its_plant() -> None:
    text = (
        TEXT
        + """
[[module]]
name = "typed"
link = "l"
unit = 9
type = "counters4"
[module.channels]
makeup = "count1"
contact = { number = 10001 }
level = { number = 30030, type = "bcd16" }
"""
    )
    plant = loads(text, rules=False).plant
    types = [c.type for c in plant.modules[-1].channels.values()]
    assert types == ["u32", "u32", "u32", "u32", "bit", "bcd16"]
    scan = (Scan(len(plant.modules) - 1, (1, 2, 3, 2**32 - 1, 1, 9999), (0,) * 6),)
    body = Layout.of(plant).pack(scan, ((0,) * 6,))
    assert Layout.of_text(text).unpack(body)[0] == scan
