"""A week without the central server, in short; `deploy/prove outage` is the whole of it."""

from __future__ import annotations

from tests.campaign.outage import main


def test_after_a_week_without_the_server_it_has_everything() -> None:
    figures = main(quick=True)
    assert figures["wrong"] == []
    assert figures["passed"] is True, figures
