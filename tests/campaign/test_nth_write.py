"""The campaign of failing writes in short: `deploy/prove nth-write` is the whole of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.campaign import nth_write
from tests.support.stores import Made, commit


def test_whichever_write_fails_nothing_reported_is_lost() -> None:
    figures = nth_write.main(quick=True)
    assert figures["wrong"] == []
    assert figures["passed"]
    assert figures["told"]
    assert figures["power_cuts"]


async def test_a_store_that_lost_a_group_would_be_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def forgetful(writer: object, one: Made) -> None:
        if one.group.number != 9:
            await commit(writer, one)  # type: ignore[arg-type]

    monkeypatch.setattr(nth_write, "commit", forgetful)
    with pytest.raises(AssertionError):
        await nth_write.fail_one(tmp_path / "a.db", nth_write.KINDS[0], 10**6, 9)
