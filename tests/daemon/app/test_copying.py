"""The service copies to a real time-series server while it polls: cursor, reload, the server gone and back, status."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from pathlib import Path

from daemon.app.doctor.command import examine
from daemon.app.status import read_status
from daemon.store.reader import Reader
from tests.support.living_peer import LivingPeer
from tests.support.service import running
from tests.support.timeseries import TimeSeries

PLANT = """[plant]
name = "Quillmarsh Creamery"
zone = "America/Chicago"
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
port = {port}
timeout = "500 ms"
[[module]]
name = "m"
link = "panel"
every = "200 ms"
[module.channels]
cond = {{ function = "input", address = 0, span = "0..65535 = 0..20 mA" }}
[[analogue]]
name = "level"
channel = "m.cond"
range = "4..20 mA = 0..100 %"
"""
COPY = """[copy]
url = "{url}"
name = "{name}"
every = "300 ms"
late = "2 s"
[alarms.logger_copy]
on_delay = "0 s"
"""


def until(there: Callable[[], bool], what: str) -> None:
    for _ in range(300):
        if there():
            return
        time.sleep(0.1)
    raise AssertionError(f"{what} did not come about")


def points(central: TimeSeries, name: str) -> dict[int, float]:
    found = central.export(f'waterside_reading_value{{plant="{name}",tag="level"}}')
    return next(iter(found.values()), {})


def journal(store: Path) -> list[tuple[str, str]]:
    with Reader(store) as reader:
        return [(e.kind, e.event) for e in reader.journal()]


def stored(store: Path) -> set[int]:
    with Reader(store) as reader:
        return {s.group.at_ms for s in reader.groups() if s.group.scans and s.group.scans[0].counts[0] is not None}


def test_the_copy_of_a_running_service_is_complete_after_outage_reload_and_kill(tmp_path: Path) -> None:
    plant, store = tmp_path / "plant.toml", tmp_path / "w.db"
    with LivingPeer(3) as peer, TimeSeries(tmp_path) as central:
        text = PLANT.format(port=peer.tap.port)
        plant.write_text(text)
        with running(plant, store) as service:
            service.wait_groups(5)
            plant.write_text(text + COPY.format(url=central.url, name="one"))
            service.signal(signal.SIGHUP)
            until(lambda: len(points(central, "one")) > 15, "the copy")
            central.stop()
            until(lambda: ("logger_copy", "raised") in journal(store), "the alarm that the copy is late")
            central.start()
            until(lambda: ("logger_copy", "returned") in journal(store), "its return")
            service.signal(signal.SIGKILL)
            service.process.wait(20)
        with running(plant, store) as service:
            service.wait_groups(5)
            assert service.end() == 0
        report = examine(store)
        assert any(f.area == "copy" and "takes lines" in f.text for f in report.findings), report.as_text()
        central.stop()
        (found,) = [f for f in examine(store).findings if f.area == "copy"]
        assert found.level == "error" and "is not reached" in found.text and "Nothing is lost" in found.remedy
        central.start()
        assert read_status(store).copy.startswith(f"{central.url} has poll ")
        with running(plant, store) as service:  # what the last one stored at its end goes with the next
            service.wait_groups(3)
            want = stored(store)
            until(lambda: set(points(central, "one")) >= want, "every reading")
            assert service.end() == 0
    assert "is not reached" in service.log
