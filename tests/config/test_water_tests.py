"""The list of tests done by hand: units, bounds, what is typed."""

from __future__ import annotations

import pytest

from config.water_tests import (
    ALSO_CALLED,
    WATER_TESTS,
    ResultError,
    named_test,
    read_result,
    result_in_base,
    shown_result,
)
from tests.support.findings import METERED, changed

TEST = '\n[[test]]\ntarget = "B1"\nwhat = "hardness"\nlow = "0 ppm"\nhigh = "2 ppm"\nevery = "1 d"\n'
TESTED = METERED + TEST


@pytest.mark.parametrize(
    ("what", "typed", "base"),
    [
        ("hardness", "0.5 ppm", 0.5),
        ("hardness", "1 gpg", 17.118),
        ("hardness", "1 dH", 17.848),
        ("hardness", "1 fH", 10.0),
        ("hardness", "1 mmol/L", 100.087),
        ("total_alkalinity", "2 meq/L", 100.087),
        ("sulphite", "50 ppm as Na2SO3", 31.76),  # 80.06 / 126.04
        ("phosphate", "10 ppm as P", 30.66),  # 94.97 / 30.974
        ("phosphate", "10 mg/L as P2O5", 13.382),
        ("chloride", "100 ppm as NaCl", 60.66),
        ("chloride", "100 ppm as CaCO3", 70.84),
        ("silica", "10 ppm as Si", 21.39),
        ("oxygen", "7 ppb", 0.007),
        ("ph", "10.8", 10.8),
        ("ph", "pH", None),
        ("conductivity", "3 mS/cm", 3000.0),
        ("refill", "55 gal", 208.198),
        ("bottom_blow", "0.5 min", 30.0),
        ("cutoff_test", "passed", 1.0),
        ("cutoff_test", "Failed", 0.0),
    ],
)
def test_what_is_typed_is_reckoned_in_one_unit(what: str, typed: str, base: float | None) -> None:
    test = WATER_TESTS[what]
    if base is None:
        with pytest.raises(ResultError):
            read_result(test, typed)
        return
    value, unit = read_result(test, typed)
    assert result_in_base(test, value, unit) == pytest.approx(base, rel=1e-3)


@pytest.mark.parametrize(
    ("what", "typed", "says"),
    [
        ("hardness", "0.5", "wants a unit"),
        ("hardness", "0.5 psig", 'found "psig"'),
        ("hardness", "0,5 ppm", "decimal point"),
        ("hardness", "-1 ppm", "wants 0 to 5000"),
        ("hardness", "1e9 ppm", "wants 0 to 5000"),
        ("ph", "108", "wants 0 to 14 pH"),
        ("total_alkalinity", "5 mmol/L", "wants a unit"),  # of alkalinity two different things are called so
        ("cutoff_test", "5", "passed or failed"),
        ("hardness", "much", "wants a number"),
    ],
)
def test_what_cannot_be_is_said(what: str, typed: str, says: str) -> None:
    with pytest.raises(ResultError, match=says):
        read_result(WATER_TESTS[what], typed)


def test_every_test_shows_its_own_base_unit_and_takes_it_back() -> None:
    for test in WATER_TESTS.values():
        text = shown_result(test, test.highest)
        if test.result == "number":
            value, unit = read_result(test, text.removeprefix("pH "))
            assert result_in_base(test, value, unit) == pytest.approx(test.highest, rel=1e-3), test.what


def test_tests_have_other_names_too() -> None:
    assert named_test("sulfite").what == "sulphite"
    assert named_test("pH").what == "ph"
    assert named_test("Total Alkalinity").what == "total_alkalinity"
    assert all(v in WATER_TESTS for v in ALSO_CALLED.values())
    with pytest.raises(ResultError, match="known here: hardness, sulphite"):
        named_test("taste")


ERRORS = [
    ('target = "B1"', 'target = "B7"', "test 1 target", 'nothing called "B7" to test; known here: B1, makeup, raw'),
    ('what = "hardness"', 'what = "hardnes"', "test 1 what", 'there is no test "hardnes"; known here: hardness'),
    ('low = "0 ppm"', 'low = "0 psig"', "test 1 low", "wants a unit (mg/L, ppm"),
    ('low = "0 ppm"', "low = 0", "test 1 low", "found none"),
    ('low = "0 ppm"', "low = true", "test 1 low", "wants a result of the test"),
    ('low = "0 ppm"', 'low = "3 ppm"', "test 1 low", "wants less than high, 2 mg/L as CaCO3; found 3 mg/L"),
    ('high = "2 ppm"', 'high = "20000 ppm"', "test 1 high", "wants 0 to 5000"),
    ('every = "1 d"', 'every = "0 h"', "test 1 every", "more than 0"),
    ('every = "1 d"', 'grace = "1 h"', "test 1 grace", "wants every beside it"),
    ('every = "1 d"', 'evry = "1 d"', "test 1 evry", "did you mean `every`?"),
    ('what = "hardness"', 'what = "cutoff_test"', "test 1 low", "passed or failed and has no range"),
    (TEST, TEST + TEST, "test 2 what", "is written twice"),
]


@pytest.mark.parametrize(("old", "put", "key", "text"), ERRORS)
def test_errors_of_a_test_in_the_plant_file(old: str, put: str, key: str, text: str) -> None:
    _, found = changed(TESTED, (old, put))
    errors = [f for f in found if f.level == "error"]
    assert any(f.key == key and text in f.text for f in errors), [str(f) for f in errors]
    assert all(f.line for f in errors)


def test_a_day_that_is_none_is_an_error() -> None:
    zone = 'zone = "America/Chicago"'
    for day, text in (("7 to 7", "two times of day"), ("07:00..07:00", "two different"), ("07:00..29:00", "00:00 to")):
        _, found = changed(TESTED, (zone, f'{zone}\nday = "{day}"'))
        assert [f.key for f in found] == ["plant.day"]
        assert text in found[0].text


def test_a_test_that_asks_for_nothing_is_noted() -> None:
    _, found = changed(TESTED, ('low = "0 ppm"\nhigh = "2 ppm"\nevery = "1 d"\n', ""))
    assert [(f.level, f.key) for f in found] == [("note", "test 1")]
    _, found = changed(
        TESTED, ('what = "hardness"\nlow = "0 ppm"\nhigh = "2 ppm"', 'what = "ph"\nlow = 10.5\nhigh = "12"')
    )
    assert found == []
