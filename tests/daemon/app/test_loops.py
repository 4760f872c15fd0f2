"""The loop check: steps, verdicts, the wall display, and the record in the log."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from config.load import load
from daemon.app.loops import ModuleSource, driven, inputs, seen, summary, talk
from daemon.core.reasons import Reason
from daemon.store.reader import Reader
from tests.support import wire
from tests.support.feed import boiler, plant
from tests.support.living_peer import LivingPeer
from tests.support.modbus_peers import tcp_peer
from tests.support.plants import one_boiler
from tests.support.service import running

PLANT = plant(boiler("continuous"))
TAG = inputs(PLANT)[0]


def counts(ma: float) -> int:
    return round(ma / 20 * 65535)


class Bench:
    """A loop with a calibrator on it: each read gives the next current."""

    def __init__(self, *currents: float | None) -> None:
        self._currents = iter(currents)

    def read(self, ref: str) -> tuple[int | None, int]:
        assert ref == "m.cond"
        ma = next(self._currents)
        return (None, int(Reason.NO_ANSWER)) if ma is None else (counts(ma), 0)


def answers(*given: str) -> Callable[[str], str]:
    rest: Iterator[str] = iter(given)

    def ask(question: str) -> str:
        try:
            return next(rest)
        except StopIteration:
            raise EOFError from None

    return ask


def test_five_driven_steps_and_the_wall_display() -> None:
    said: list[str] = []
    bench = Bench(4.0, 8.0, 12.1, 16.0, 20.4, 12.0)
    (record,) = talk(PLANT, bench, [TAG], answers("c", "", "", "", "", "", "2510"), said.append)
    steps = record["steps"]
    assert [s["what"] for s in steps] == ["4 mA", "8 mA", "12 mA", "16 mA", "20 mA", "wall display"]
    assert [s["off_percent"] for s in steps[:5]] == pytest.approx([0, 0, 0.625, 0, 2.5], abs=0.003)
    assert [s["verdict"].split(":")[0] for s in steps] == ["right", "right", "a little off", "right", "off", "right"]
    assert steps[5]["found"] == pytest.approx(2500, abs=0.1)  # umho/cm: a US plant
    assert steps[5]["off_percent"] == pytest.approx(-0.2, abs=0.003)
    assert record["driven_by"] == "calibrator"
    assert "site procedure" in " ".join(said)  # the caution stands before everything
    assert "12 mA: +0.6" in summary(record)


def test_two_ends_set_to_different_ranges_are_named_at_the_wall_display() -> None:
    said: list[str] = []
    bench = Bench(12.0)
    (record,) = talk(PLANT, bench, [TAG], answers("t", "s", "s", "s", "s", "s", "5000"), said.append)
    (step,) = record["steps"]
    assert step["off_percent"] == pytest.approx(-50, abs=0.01)
    assert "compare the range at both ends" in step["verdict"]


def test_a_step_without_a_value_says_why_and_a_word_is_no_number() -> None:
    said: list[str] = []
    bench = Bench(None, 12.0)
    (record,) = talk(PLANT, bench, [TAG], answers("c", "", "s", "s", "s", "s", "about 2500", "2,500"), said.append)
    assert [(s["found"], s["verdict"]) for s in record["steps"][:1]] == [(None, "no answer")]
    assert any("wants a number; found 'about 2500'" in line for line in said)
    assert record["steps"][1]["verdict"] == "right"


def test_ending_early_keeps_what_was_done() -> None:
    assert list(talk(PLANT, Bench(), [TAG], answers("q"), lambda line: None)) == []
    assert list(talk(PLANT, Bench(), [TAG], answers("n"), lambda line: None)) == []


@pytest.mark.parametrize(("ma", "reason"), [(3.5, Reason.LOOP_OPEN), (21.5, Reason.LOOP_SHORT), (12.0, Reason.GOOD)])
def test_what_a_channel_shows(ma: float, reason: Reason) -> None:
    now = seen(TAG, counts(ma), 0, "us")
    assert now.reason == reason
    assert now.unit == "umho/cm"
    assert driven(TAG, ma, now).verdict == "right"


def loops(folder: Path, typed: str, *more: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", "loops", str(folder / "plant.toml"), "--by", "J. Ortiz", *more]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=60, cwd=folder)


def test_with_the_service_running_counts_are_its_own_and_the_record_is_in_its_log(tmp_path: Path) -> None:
    with LivingPeer(11) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.tap.port, "200 ms"))
        store = tmp_path / "w.db"
        with running(tmp_path / "plant.toml", store) as service:
            service.wait_groups(2)
            done = loops(tmp_path, "c\n\ns\ns\ns\ns\n2900\n", "--store", str(store))
            assert done.returncode == 0, done.stderr
            assert "kept as act 1, by J. Ortiz" in done.stdout
            service.end()
    with Reader(store) as reader:
        (act,) = [a.act for a in reader.acts() if a.act.kind == "loop_check"]
        (entry,) = [e for e in reader.journal() if e.kind == "loop_check"]
    assert act.by == entry.by == "J. Ortiz"
    assert [s["what"] for s in act.body["steps"]] == ["4 mA", "wall display"]
    assert entry.evidence.startswith("loop check of ai.b1_cond (calibrator)")


def test_without_a_service_the_modules_are_read_and_the_record_is_a_file(tmp_path: Path) -> None:
    with tcp_peer("libmodbus", {"input": {0: counts(12.0)}, "discrete": {1: 1}}) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.port, "1 s"))
        done = loops(tmp_path, "t\ns\ns\n\ns\ns\n2500\n", "--store", str(tmp_path / "none.db"))
    assert done.returncode == 0, done.stderr
    (file,) = tmp_path.glob("loop-check-*.jsonl")
    record = json.loads(file.read_text())
    assert record["by"] == "J. Ortiz"
    assert [s["verdict"] for s in record["steps"]] == ["right", "right"]


def test_an_input_that_is_not_there_is_misuse(tmp_path: Path) -> None:
    (tmp_path / "plant.toml").write_text(one_boiler(1, "1 s"))
    done = loops(tmp_path, "", "--channel", "ai.nothing")
    assert done.returncode == 2
    assert "module.channel" in done.stderr


def test_what_reading_clears_is_left_to_the_service(tmp_path: Path) -> None:
    """The sheet reads its module for each step; a pulse counter beside the loop would be emptied by it."""
    with tcp_peer("modbus-tk", {"input": {0: counts(12.0), 20: 0, 21: 7}}) as peer:
        text = one_boiler(peer.port).replace("[module.channels]", 'clear_on_read = ["input 20..21"]\n[module.channels]')
        (tmp_path / "plant.toml").write_text(text)
        source = ModuleSource(load(tmp_path / "plant.toml").plant)
        before = len(list(wire.sent()))
        try:
            assert source.read("ai.b1_cond") == (counts(12.0), 0)
            assert source.read("ai.makeup") == (None, Reason.NOT_ASKED)
        finally:
            source.close()
        asked = [s.pdu for s in list(wire.sent())[before:] if s.pdu[0] == 4]
    assert [int.from_bytes(p[1:3], "big") + int.from_bytes(p[3:5], "big") for p in asked] == [1]


def test_a_slip_of_the_fingers_is_asked_again_and_an_end_keeps_what_was_done() -> None:
    said: list[str] = []
    bench = Bench(4.0, 8.0)
    given = answers("x", "", "c", "yes", "", "", "q")
    (record,) = talk(PLANT, bench, [TAG, TAG], given, said.append)
    assert [s["what"] for s in record["steps"]] == ["4 mA", "8 mA"]
    assert [s.strip() for s in said if "wants" in s] == [
        "wants c, t, n or q; found 'x'",
        "wants c, t, n or q; found ''",
        "wants Enter, s, n (next input) or q (end); found 'yes'",
    ]
    (record,) = talk(PLANT, Bench(4.0), [TAG, TAG], answers("c", "", "n", "n"), said.append)
    assert [s["what"] for s in record["steps"]] == ["4 mA"]
