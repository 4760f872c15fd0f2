"""Reasons: every fault of a driver has its reason under the same number, and every reason has words and a quality."""

from __future__ import annotations

from daemon.core.reasons import QUALITY, WORDS, Quality, Reason
from daemon.report.cell_text import fault_number, fault_text
from drivers.contract import Fault


def test_every_fault_is_a_reason_of_the_same_name_and_number() -> None:
    reasons = {r.name: r.value for r in Reason} | {"NONE": 0}
    assert {f.name: f.value for f in Fault} == {f.name: reasons[f.name] for f in Fault}


def test_every_reason_has_words_and_a_quality_of_its_own() -> None:
    assert set(WORDS) == set(QUALITY) == {int(r) for r in Reason}
    assert len(set(WORDS.values())) == len(WORDS)


def test_a_fault_is_a_bad_reading_and_survives_a_recording() -> None:
    for fault in Fault:
        if fault:
            assert QUALITY[fault] is Quality.BAD
            assert fault_number(fault_text(fault)) == fault
