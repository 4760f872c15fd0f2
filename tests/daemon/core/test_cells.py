"""Cells clone without sharing and come back from their packed form."""

from __future__ import annotations

import json

import pytest

from daemon.core.cells import Cell, cell


@cell
class Inner(Cell):
    x: float = 0.0
    name: str = ""


@cell
class Outer(Cell):
    one: Inner
    many: list[Inner]
    plain: list[float]
    pair: tuple[float, float] = (0.0, 0.0)
    maybe: int | None = None


def test_a_clone_shares_nothing_mutable() -> None:
    a = Outer(Inner(1.5, "a"), [Inner(2.0)], [1.0], (3.0, 4.0))
    for _ in range(2):  # the first call writes the cloner, the second uses it
        b = a.clone()
        assert b == a
        b.one.x, b.many[0].x, b.plain[0] = 9.0, 9.0, 9.0
        assert (a.one.x, a.many[0].x, a.plain[0]) == (1.5, 2.0, 1.0)


def test_a_packed_cell_comes_back_equal_through_json() -> None:
    a = Outer(Inner(0.1 + 0.2, "ü"), [Inner(2.0), Inner(3.0, "z")], [1.0, 2.5], (3.0, 4.0), 7)
    assert Outer.unpack(json.loads(json.dumps(a.pack()))) == a


def test_a_snapshot_of_another_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="Inner has 2 fields, the snapshot 3"):
        Inner.unpack([1, "a", 3])
