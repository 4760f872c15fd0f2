"""A short life over real links, replayed from its own export; `deploy/prove life` is the whole of it."""

from __future__ import annotations

from tests.campaign.life import main


def test_a_life_with_acts_a_reload_and_a_kill_in_it_replays_to_its_very_journal() -> None:
    figures = main(quick=True)
    assert figures["wrong"] == []
    assert figures["passed"] is True, figures
