"""The quick size of the campaign on verdicts."""

from __future__ import annotations

from tests.campaign import signals


def test_no_false_verdict_in_half_a_day_and_every_fault_found_within_the_hour() -> None:
    figures = signals.main(quick=True)
    assert figures["false"] == {}
    assert figures["passed"], figures["found_after_min"]
    assert figures["polls_judged"] == 2 * 2 * (12 * 360 + 1)
