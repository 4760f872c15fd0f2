"""Standard solutions, against tests/reference/conductivity.csv."""

from __future__ import annotations

import pytest

from daemon.water.standards import TABLES, bottle, kcl
from tests.support.published import Row, rows, table


@pytest.mark.parametrize("row", rows("conductivity", "conductivity of KCl standard solution"), ids=str)
def test_the_published_table(row: Row) -> None:
    assert kcl(row.inputs["molality"], row.inputs["t"]) == pytest.approx(row.number, rel=1e-9)


@pytest.mark.parametrize("molality", TABLES)
def test_between_its_temperatures_each_value_is_found_from_its_neighbours(molality: float) -> None:
    # leaving one out and asking for it: within 0.25 %, over gaps twice those of the table
    whole = TABLES[molality]
    for left_out in sorted(whole)[1:-1]:
        rest = {t: k for t, k in whole.items() if t != left_out}
        near = sorted(sorted(rest, key=lambda t: abs(t - left_out))[:4])
        guess = 0.0
        for a in near:
            part = rest[a]
            for b in near:
                part *= (left_out - b) / (a - b) if a != b else 1
            guess += part
        assert guess == pytest.approx(whole[left_out], rel=2.5e-3), left_out


@pytest.mark.parametrize("row", rows("conductivity", "conductivity of 0.01 mol/L KCl"), ids=str)
def test_a_bottle_labelled_1413_at_other_temperatures(row: Row) -> None:
    # EPA 120.1: two rows are from memory
    t = row.inputs["t"]
    assert bottle(1413, t) == pytest.approx(row.number, rel=0.01)


@pytest.mark.parametrize("row", rows("conductivity", "ASTM D1125 KCl reference solution"), ids=str)
def test_reference_solutions_by_their_label(row: Row) -> None:
    # from memory; solution D (146.93) has no table: the nearest is ten times off
    pairs = {int(p.split(" C ")[0]): float(p.split(" C ")[1]) for p in row.expected.split(";")}
    if len(pairs) == 1:
        with pytest.raises(ValueError, match=r"no table is near a standard of 146\.93"):
            bottle(pairs[25], 25)
        return
    for t, k in pairs.items():
        assert bottle(pairs[25], t) == pytest.approx(k, rel=0.002)


@pytest.mark.parametrize("row", rows("conductivity", "conductivity of KCl at 25 C by molarity"), ids=str)
def test_the_printed_label_counts(row: Row) -> None:
    if row.inputs["c"] == 0.001:
        with pytest.raises(ValueError, match="no table is near"):
            bottle(row.number, 25)
    else:
        assert bottle(row.number, 25) == pytest.approx(row.number)


def test_labels_of_one_solution_differ_by_a_third_of_a_percent() -> None:
    labels = [float(x) for x in table("conductivity")["CO-067"].expected.split("/")]
    assert labels == [1408.2, 1408.8, 1412, 1413]
    assert (bottle(labels[3], 20) / bottle(1408.23, 20) - 1) * 100 == pytest.approx(
        table("conductivity")["CO-068"].number, abs=0.001
    )


def test_outside_the_table_it_says_so() -> None:
    with pytest.raises(ValueError, match="goes from 0 to 50 °C; found 60"):
        kcl(0.01, 60)
    with pytest.raises(ValueError, match="no table is near"):
        bottle(0, 25)
