"""Explanations of what lies beyond the current loop: calibrations, compensation, printed numbers, cleared registers."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import config
from config.load import loads
from daemon.core.scan import Act, Group, Scan
from daemon.report.explain_made import Unknown
from daemon.report.explain_parts import Explained
from tests.daemon.report.test_explain import explained, step
from tests.support.plants import HEAD
from tests.support.small_store import BOILER, cond, counted, every, store
from tests.support.stores import begin, commit, made

START = 1_789_000_000_000
GRAB = {"value": 3150, "unit": "uS/cm", "cooled": True, "compensated": True, "neutralised": False}


def calibrate(reference: float, reading: float, probe: float) -> tuple[str, dict[str, object]]:
    body = {
        "boiler": "B1",
        "how": "log",
        "form": "handheld",
        "reference": reference,
        "reading": reading,
        "probe": probe,
        "grab": GRAB,
        "no_display": "none on this transmitter",
        "instrument": "handheld 3",
    }
    return "calibrate", body


def test_a_correction_in_the_log_is_named_with_who_when_and_its_factor(tmp_path: Path) -> None:
    text = BOILER.replace('signal = "live"', 'signal = "live"\ncalibrated_at = "log"')
    groups = every(START, 10_000, [counted(cond(3000), 5, 0, 1)] * 40)
    path = store(tmp_path / "w.db", groups, {1: text}, acts={30: calibrate(3150.0, 3000.0, 3000.0)})
    before = explained(path, "B1.conductivity", groups[28].at_ms)
    after = explained(path, "B1.conductivity")
    assert step(before, "Correction in the log") == "none in force"
    assert "no calibration" in step(before, "Calibrations on record")
    assert after.facts["value"] == pytest.approx(1.05 * before.facts["value"])
    worked = step(after, "Correction in the log")
    assert f"= {after.facts['shown']}" in worked
    assert worked.startswith("1.05 × (") and "calibration record of act 1" in worked
    record = step(after, "Calibrations on record")
    assert "act 1 (log, in force)" in record and "by J. Ortiz, with handheld 3" in record
    assert after.differs == ()
    bounded = explained(path, "B1.conductivity", reach=5)  # the act lies before what is stepped again
    assert bounded.facts == after.facts and step(bounded, "Correction in the log") == worked


def test_compensation_by_a_coefficient_has_its_temperature_and_its_lines(tmp_path: Path) -> None:
    text = BOILER.replace(
        'b1_limit = { function = "discrete", address = 1 }',
        'b1_limit = { function = "discrete", address = 1 }\n'
        'temp = { function = "input", address = 2, type = "u16", span = "0..65535 = 0..20 mA" }',
    )
    text = text.replace('signal = "live"', 'signal = "live"\ncompensation = "linear"\ncoefficient = "2 %"')
    text = text.replace(
        "[boiler.conductivity]",
        'probe_temperature = { channel = "ai.temp", range = "4..20 mA = 0..200 °C" }\n[boiler.conductivity]',
    )
    temperature = round((4 + 16 * 45 / 200) / 20 * 65535)
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(2100), 5, 0, 1, temperature)] * 30), {1: text})
    told = explained(path, "B1.conductivity")
    k = explained(path, "B1.probe").facts["value"]
    celsius = explained(path, "B1.probe_temperature").facts["value"]
    assert told.facts["value"] == pytest.approx(k / (1 + 0.02 * (celsius - 25)), rel=1e-12)
    worked = step(told, "Compensation to 25 °C")
    assert "/ (1 + 2 % × (45" in worked and "coefficient: plant file line" in worked
    line = int(worked.rpartition("line ")[2])
    assert text.splitlines()[line - 1].startswith("coefficient")
    assert told.differs == ()


PRINTED = (
    HEAD
    + """[[link]]
name = "lab"
kind = "text"
host = "127.0.0.1"
port = 4001
[[module]]
name = "meter"
link = "lab"
every = "10 s"
pattern = '(?P<cond>[0-9.]+) uS'
prompt = "READ\\r"
[module.channels]
cond = { field = "cond" }
[[analogue]]
name = "condensate"
channel = "meter.cond"
range = "0..200 uS/cm"
"""
)


def printed(path: Path, number: float) -> Explained:
    groups = [Group(1, START, 0, 1, 1, (Scan(0, (number,), (0,)),))]
    return explained(store(path, groups, {1: PRINTED}), "condensate")


def test_a_printed_number_is_no_current(tmp_path: Path) -> None:
    told = printed(tmp_path / "a.db", 12.5)
    assert told.facts["value"] == 12.5 and told.facts["quality"] == "good"
    assert "12.5" in step(told, "As read") and "printed line of meter" in step(told, "As read")
    assert "prompt 'READ" in step(told, "As read")
    assert "no loop behind a printed number" in step(told, "Value by the instrument's own unit")
    assert not any("NAMUR" in s.source for s in told.steps)
    beyond = printed(tmp_path / "b.db", 260.0)
    assert beyond.facts["reason_words"] == "above its range"


def test_a_boiler_read_by_a_text_instrument_has_its_representative_reading(tmp_path: Path) -> None:
    text = (
        PRINTED
        + """[[boiler]]
name = "B1"
pressure = "8 barg"
conductivity = { channel = "meter.cond2", range = "0..5 mS/cm", signal = "live" }
sample = { arrangement = "continuous", flush = "20 s" }
"""
    )
    text = text.replace('cond = { field = "cond" }', 'cond = { field = "cond" }\ncond2 = { field = "probe" }')
    text = text.replace("(?P<cond>[0-9.]+) uS", "(?P<cond>[0-9.]+) uS (?P<probe>[0-9.]+) mS")
    groups = [Group(n, START + n * 10_000, n * 10_000, 1, 1, (Scan(0, (12.0, 2.5), (0, 0)),)) for n in range(1, 9)]
    path = store(tmp_path / "w.db", groups, {1: text})
    told = explained(path, "B1.conductivity")
    assert told.facts["value"] == 2500.0 and told.differs == ()
    assert "2.5" in step(told, "As read") and "2500 umho/cm" in step(told, "Value by the instrument's own unit")
    assert "Ends of the range" not in [s.title for s in told.steps]
    assert "flush time 20 s" in step(told, "Sample line")


def test_a_register_that_reading_clears_has_increments(tmp_path: Path) -> None:
    text = BOILER.replace('every = "10 s"', 'every = "10 s"\nclear_on_read = ["input 20..21"]')
    path = store(
        tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), n, 0, 1) for n in (9, 1, 2, 0)]), {1: text}
    )
    told = explained(path, "makeup.pulses", START + 20_000)
    assert "2 pulses are added to the total" in step(told, "Increment")
    total = explained(path, "makeup.total")
    assert "(3 - 0)" in step(total, "Total since the log began") and total.differs == ()


def test_a_channel_of_a_module_type_names_both_lines(tmp_path: Path) -> None:
    """What the type gave is named by the line that asks for it and the line in the type."""
    channels = 'b1_cond = "in1"\n'
    text = BOILER.replace('every = "10 s"', 'every = "10 s"\ntype = "current8_full_scale"')
    written = next(line for line in text.splitlines(keepends=True) if line.startswith("b1_cond"))
    text = text.replace(written, channels)
    names = list(loads(text).plant.modules[0].channels)
    row = {"b1_cond": cond(3000), "b1_limit": 1, "makeup": 5, "b1_blow": 0}
    scan = counted(*(row.get(n, 0) for n in names))
    path = store(tmp_path / "w.db", every(START, 10_000, [scan] * 3), {1: text})
    told = explained(path, "B1.probe")
    assert told.facts["value"] == pytest.approx(3000, abs=0.1)
    source = step(told, "As read")
    line = int(re.findall(r"plant file line (\d+)", source)[0])
    assert text.splitlines()[line - 1].startswith("b1_cond")
    inside = re.findall(r"module type current8_full_scale, (\S+) line (\d+)", step(told, "Current"))
    assert inside, step(told, "Current")
    shipped = (Path(config.__file__).parent.parent / inside[0][0]).read_text().splitlines()
    assert shipped[int(inside[0][1]) - 1].startswith("in1")


def test_a_plant_in_si_units_reads_its_own(tmp_path: Path) -> None:
    text = BOILER.replace('units = "us"', 'units = "si"')
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), 5, 0, 1)] * 3), {1: text})
    told = explained(path, "B1.probe")
    assert told.facts["shown"].endswith("uS/cm") and "umho" not in told.as_text()
    assert "US gal" not in explained(path, "makeup.total").as_text()


async def test_a_result_entered_by_hand_is_its_record(tmp_path: Path) -> None:
    path = tmp_path / "w.db"
    writer = await begin(path)
    for number in range(1, 23):
        act = None
        if number == 1:
            entered = await writer.add_act("enter", "J. Ortiz", {"what": "hardness"}, made(1).group.at_ms)
            act = Act(entered, "enter", "", 0)
        await commit(writer, made(number, act))
    await writer.aclose()
    told = explained(path, "b1.hardness")
    last = made(22).outcome.manual[0]
    assert (told.facts["value"], told.facts["unit"]) == (last.value, "ppm as CaCO3")
    assert told.facts["by"] == "J. Ortiz" and "entered by J. Ortiz" in step(told, "Entered by hand")
    assert "titrated" in step(told, "Entered by hand")
    assert len(next(s for s in told.steps if s.title == "Earlier results").rows) == 3
    with pytest.raises(Unknown, match=r"B1\.hardness"):
        explained(path, "B1.hardnes")
