"""The kill campaign in short: `deploy/prove kill` is the whole of it."""

from __future__ import annotations

from tests.campaign.kill import main


def test_killed_at_random_moments_nothing_reported_is_lost_or_doubled() -> None:
    figures = main(quick=True)
    assert figures["wrong"] == []
    assert figures["kills"] == 12
    assert figures["groups"]
