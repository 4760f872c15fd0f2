"""`waterside dial` on a running service: both figures on record, the difference said, a time past looked up."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from config import units
from daemon.app.dialling import DialError, reading, total_at
from daemon.core.tags import derived_tags
from daemon.store.reader import Reader
from tests.daemon.app.test_commands import waterside
from tests.support.creamery_store import creamery_store
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running


def test_a_dial_is_read_twice(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with LivingPeer(31) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.tap.port, "200 ms"))
        with running(tmp_path / "plant.toml", store) as service:
            service.wait_groups(5)
            words = ("--by", "J. Ortiz", "--store", str(store))
            done = waterside("dial", "makeup", "48,123", *words)
            assert done.returncode == 0, done.stderr
            assert "read as 48123 US gal, our total " in done.stdout
            assert "; the first reading of this dial: there is none before it" in done.stdout
            assert "by J. Ortiz; both figures stay as they are" in done.stdout
            done = waterside("dial", "makeup.total", "48123 gal", "--json", *words)
            found = json.loads(done.stdout)
            assert found["value_m3"] == pytest.approx(48123 * units.GAL_M3)
            assert "since the last reading the dial moved" in found["note"]
            done = waterside("dial", "mkup", "1", *words)
            assert done.returncode == 1
            assert "there is no meter 'mkup'; there are makeup" in done.stderr
            assert service.end() == 0
    done = waterside("dial", "makeup", "48200", "--store", str(store))
    assert done.returncode == 1
    assert "not running" in done.stderr
    with Reader(store) as reader:
        assert [(m.target, m.what, m.value) for m in reader.manual()] == [
            ("makeup", "dial", pytest.approx(48123 * units.GAL_M3))
        ] * 2
        assert [e.by for e in reader.journal() if e.kind == "dial"] == ["J. Ortiz"] * 2


@pytest.mark.parametrize(
    ("text", "unit", "m3", "written"),
    [
        ("48,123", "US gal", 48123 * units.GAL_M3, "48123 US gal"),
        ("182.4 m3", "US gal", 182.4, "182.4 m3"),
        ("182.4", "m3", 182.4, "182.4 m3"),
        ("100", "ft3", 100 * units.FT3_M3, "100 ft3"),
    ],
)
def test_a_dial_as_it_is_typed(text: str, unit: str, m3: float, written: str) -> None:
    assert reading(text, unit) == (pytest.approx(m3), written)


@pytest.mark.parametrize("text", ["", "full", "12 kg", "-4", "1e999"])
def test_what_is_no_reading_is_said(text: str) -> None:
    with pytest.raises(DialError, match="the dial wants"):
        reading(text, "m3")


def test_our_total_at_a_time_past_is_the_one_that_stood() -> None:
    with Reader(creamery_store()) as reader:
        last = reader.last()
        assert last is not None
        plant = reader.plant(last.plant)
        tag = [t.name for t in derived_tags(plant)].index("makeup.total")
        told = [(g.group.at_ms, d.value) for g in reader.groups() for d in g.derived if d.tag == tag]
        (at, value), (after, _) = told[len(told) // 2], told[len(told) // 2 + 1]
        assert total_at(reader, plant, "makeup", at) == value
        assert total_at(reader, plant, "makeup", after - 1) == value
        with pytest.raises(DialError, match="no total of makeup was stored"):
            total_at(reader, plant, "makeup", told[0][0] - 3_600_000)
