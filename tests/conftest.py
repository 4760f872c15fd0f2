"""For all tests: no test is timed, so a slow machine fails nothing; the record of the wire is judged last."""

from __future__ import annotations

import hypothesis
import pytest

hypothesis.settings.register_profile("untimed", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("untimed")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: "test_zz_wire.py" in item.nodeid)  # stable: all else keeps its order
