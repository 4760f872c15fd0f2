"""An alarm put aside and taken up again, typed against the running service."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.store.reader import Reader
from tests.daemon.app.test_commands import waterside
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running

PH = '\n[[test]]\ntarget = "B1"\nwhat = "ph"\nlow = 10.5\nhigh = 12.0\n'


def test_a_standing_alarm_is_put_aside_shown_kept_over_a_restart_and_taken_up(tmp_path: Path) -> None:
    store, plant = tmp_path / "w.db", tmp_path / "plant.toml"

    def say(*words: str) -> str:
        done = waterside(*words, "--store", str(store))
        assert done.returncode in (0, 1), done.stderr
        return done.stdout + done.stderr

    with LivingPeer(31) as peer:
        text = one_boiler(peer.tap.port, "200 ms") + PH
        plant.write_text(text.replace('units = "us"', 'units = "us"\nday = "00:00..23:59"'))
        with running(plant, store) as service:
            service.wait_groups(5)
            assert "BELOW its control range" in say("enter", "B1", "ph", "9.4", "--by", "J. Ortiz")
            shown = say("status")
            assert "B1 pH 9.4, below pH 10.5 to pH 12" in shown
            (alarm,) = [
                a for a in json.loads(say("status", "--json"))["view"]["alarms"] if a["kind"] == "test_out_of_range"
            ]
            number = str(alarm["occurrence"])
            wants = ("shelve", number, "--until", "2h", "--why", "caustic on order", "--by", "Lee")
            assert f"alarm {number} is put aside until" in say(*wants)
            assert service.end() == 0
        with running(plant, store) as service:
            service.wait_groups(3)
            (line,) = json.loads(say("status", "--json"))["view"]["said"]
            assert (line["what"], line["by"], line["why"]) == (
                "Test out of range (ph) put aside",
                "Lee",
                "caustic on order",
            )
            assert "B1 Test out of range (ph) put aside until" in say("status")
            assert f"alarm {number} is no longer put aside" in say("unshelve", number, "--by", "Lee")
            assert "is not put aside" in say("unshelve", number, "--by", "Lee")
            assert json.loads(say("status", "--json"))["view"]["said"] == []
            assert service.end() == 0
    with Reader(store) as reader:
        events = [e.event for e in reader.journal() if e.kind == "test_out_of_range"]
        assert events[:3] == ["raised", "shelved", "unshelved"]
        assert [e.evidence for e in reader.journal() if e.kind == "test_result"] == ["pH 9.4"]
        assert reader.integrity() == ()


def test_an_alarm_that_has_cleared_is_held_over_a_restart_until_somebody_lets_go_of_its_record(tmp_path: Path) -> None:
    store, plant = tmp_path / "w.db", tmp_path / "plant.toml"

    def say(*words: str) -> str:
        done = waterside(*words, "--store", str(store))
        assert done.returncode in (0, 1), done.stderr
        return done.stdout + done.stderr

    def held() -> list[tuple[int, str]]:
        shown = json.loads(say("status", "--json"))["view"]["alarms"]
        return [(a["occurrence"], a["state"]) for a in shown if a["kind"] == "test_out_of_range"]

    with LivingPeer(31) as peer:
        text = one_boiler(peer.tap.port, "200 ms") + PH + "\n[alarms.test_out_of_range]\nlatching = true\n"
        plant.write_text(text.replace('units = "us"', 'units = "us"\nday = "00:00..23:59"'))
        with running(plant, store) as service:
            service.wait_groups(5)
            say("enter", "B1", "ph", "9.4", "--by", "J. Ortiz")
            ((number, state),) = held()
            assert state == "unacknowledged"
            say("enter", "B1", "ph", "11", "--by", "J. Ortiz")
            service.wait_groups(8)
            assert held() == [(number, "latched unacknowledged")]
            assert service.end() == 0
        with running(plant, store) as service:
            service.wait_groups(3)
            assert f"first `waterside ack {number}`" in say("release", str(number), "--by", "Lee")
            say("ack", str(number), "--by", "Lee")
            assert held() == [(number, "latched acknowledged")]
            assert f"the record of alarm {number} is let go of" in say("release", str(number), "--by", "Lee")
            assert held() == []
            assert "only what has cleared" in say("release", str(number), "--by", "Lee")
            assert service.end() == 0
    with Reader(store) as reader:
        found = [(e.event, e.by) for e in reader.journal() if e.kind == "test_out_of_range"]
        assert found == [("raised", ""), ("returned", ""), ("acknowledged", "Lee"), ("released", "Lee")]
        assert reader.integrity() == ()
