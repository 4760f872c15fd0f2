"""`waterside out`, `back`, `shelve` and the notes on work by hand, typed against the running service."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.store.reader import Reader
from tests.daemon.app.test_commands import waterside
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running


def test_what_is_set_aside_is_shown_kept_over_a_restart_and_put_back(tmp_path: Path) -> None:
    store, plant = tmp_path / "w.db", tmp_path / "plant.toml"

    def say(*words: str) -> tuple[int, str]:
        done = waterside(*words, "--by", "J. Ortiz", "--store", str(store))
        return done.returncode, done.stdout + done.stderr

    with LivingPeer(31) as peer:
        plant.write_text(one_boiler(peer.tap.port, "200 ms"))
        with running(plant, store) as service:
            service.wait_groups(5)
            code, said = say("out", "B1", "--until", "3d", "--why", "inspector")
            assert code == 0, said
            assert "B1 is out of service until" in said
            code, said = say("out", "B1.low_water", "--until", "3d", "--why", "x")
            assert code == 1
            assert "low water is never out of service by itself" in said
            code, said = say("out", "B1", "--until", "yesterday", "--why", "x")
            assert (code, "An end wants" in said) == (1, True)
            code, said = say("note", "B1", "--on-site", "2h", "--why", "probe")
            assert code == 0, said
            code, said = say("note", "B1", "--blow-by-hand", "-20m", "-10m")
            assert code == 0, said
            code, said = say("note", "B1", "--laid-up", "wet", "--until", "2d", "--why", "summer")
            assert code == 0, said
            assert say("note", "B1", "--laid-up", "wet")[0] == 2
            assert say("note", "B1", "--left", "--drained")[0] == 2
            assert say("shelve", "77", "--until", "1h", "--why", "x")[0] == 1
            assert say("note", "plain words", "--target", "B1")[0] == 0
            assert service.end() == 0
        with running(plant, store) as service:
            service.wait_groups(3)
            shown = waterside("status", "--store", str(store)).stdout
            for line in ("B1 out of service until", "B1 laid up wet until", "B1 technician on site until"):
                assert line in shown
            view = json.loads(waterside("status", "--store", str(store), "--json").stdout)["view"]
            assert view["boilers"][0]["state"] == "laid up"
            assert {(x["what"], x["by"]) for x in view["said"]} >= {("out of service", "J. Ortiz")}
            code, said = say("back", "B1")
            assert code == 0, said
            assert say("note", "B1", "--left")[0] == 0
            said_now = json.loads(waterside("status", "--store", str(store), "--json").stdout)["view"]["said"]
            assert [x["what"] for x in said_now] == ["blown by hand: explains falling conductivity"]
            assert service.end() == 0
    with Reader(store) as reader:
        (blow,) = reader.manual()
        assert (blow.target, blow.what, round(blow.value), blow.unit) == ("B1", "blow by hand", 10, "min")
        notes = [e.kind for e in reader.journal() if e.by == "J. Ortiz" and e.event == "note"]
        assert notes.count("out_of_service") == 3
        assert notes.count("hand_work") == 3
        assert reader.integrity() == ()
