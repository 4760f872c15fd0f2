"""Explanations against the engine that ran: every tag of a recorded day, to the bit; and what else they say."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import get_args, get_type_hints

import apsw
import pytest

from daemon.app.stepping import advance
from daemon.core.derived_tag import DerivedTag
from daemon.core.outcome import Derived
from daemon.core.reasons import Quality, Reason, quality, words
from daemon.core.scan import Group
from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.wiring import ANALOGUE
from daemon.report.explain import explain_tag
from daemon.report.explain_derived import DERIVED
from daemon.report.explain_made import ExplainError, Unknown
from daemon.report.explain_parts import Explained
from daemon.report.explain_past import Past
from daemon.store.packing import pack_derived
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store
from tests.support.demo_day import Look, day
from tests.support.published import table
from tests.support.recordings import creamery
from tests.support.small_store import BOILER, cond, counted, every, store

PLANT = creamery().plant
START = 1_789_000_000_000


def explained(path: Path, tag: str, at_ms: int | None = None, *, reach: int = 20_000) -> Explained:
    with Reader(path) as reader:
        return explain_tag(Past(reader, advance, reach=reach), tag, at_ms)


def step(found: Explained, title: str) -> str:
    """All that one step says."""
    for s in found.steps:
        if s.title == title:
            return " ".join(filter(None, (*s.says, s.formula, s.worked, s.source, *s.rows)))
    raise AssertionError(f"no step {title!r} among {[s.title for s in found.steps]}")


def exact(found: Explained) -> float | int:
    """The number printed as exact, read back."""
    line = next(x for x in found.summary if x.startswith("exactly "))
    text = line.split()[1].rstrip(",")
    return float(text) if "." in text or "e" in text else int(text)


# ---------------------------------------------------------------------- the property


def test_every_tag_of_a_day_at_random_times_is_what_the_engine_made_of_it() -> None:
    path, looks = day()
    seen = 0
    with Reader(path) as reader:
        past = Past(reader, advance)
        for look in looks:
            for k, tag in enumerate(raw_tags(PLANT)):
                seen += 1
                found = explain_tag(past, tag.name, look.group.at_ms)
                scan = next(i for i, s in enumerate(look.group.scans) if s.module == tag.module)
                value, why = signal(look, k, scan)
                assert (found.facts["value"], found.facts["reason"]) == (value, why), (tag.name, look.group.number)
                as_printed(found, value, why)
            for k, derived in enumerate(derived_tags(PLANT)):
                seen += 1
                found = explain_tag(past, derived.name, look.group.at_ms)
                figure(look, k, derived, found)
    assert seen == len(looks) * (len(raw_tags(PLANT)) + len(derived_tags(PLANT)))


def signal(look: Look, k: int, scan: int) -> tuple[float | int | None, int]:
    """Value and reason of a signal after a poll: analogues as the loop left them in the state, others as counted."""
    tag, w, s = raw_tags(PLANT)[k], look.state.programme.wiring, look.state.cells.senses
    kind, slot = w.tag_slots[k]
    if kind == ANALOGUE:
        return s.values[slot], s.reasons[slot]
    return look.group.scans[scan].counts[tag.channel], look.outcome.verdicts[scan][tag.channel]


def figure(look: Look, k: int, tag: DerivedTag, found: Explained) -> None:
    if k not in look.last:
        assert found.facts["value"] is None and found.facts["reason"] == Reason.NOT_KNOWN_YET
        return
    d, at_ms = look.last[k]
    bad = tag.what in ("figure", "event", "pacing") and quality(d.reason) is Quality.BAD
    value = None if bad else d.value
    assert (found.facts["value"], found.facts["reason"], found.facts["at_ms"]) == (value, d.reason, at_ms), tag.name
    as_printed(found, value, d.reason)
    if value is not None and tag.what in ("figure", "event"):
        assert exact(found) == value


def as_printed(found: Explained, value: float | int | None, why: int) -> None:
    """What stands on the terminal is the same, to the bit, and nothing differs when the polls are stepped again."""
    assert found.summary[0].endswith(quality(why).value + (f": {words(why)}" if why else ""))
    if value is not None and found.facts["unit"]:
        assert exact(found) == value and type(exact(found)) is type(value)
    assert found.differs == (), found.as_text()
    assert found.steps
    if value is not None and found.facts["unit"]:  # and the last step comes to it
        said = " ".join(x for s in found.steps for x in (*s.says, s.worked))
        assert found.facts["shown"] in said, found.as_text()


def test_every_kind_of_derived_tag_can_be_explained() -> None:
    assert set(DERIVED) == set(get_args(get_type_hints(DerivedTag)["what"]))


# ---------------------------------------------------------------------- what the steps say


def test_every_line_of_the_plant_file_that_is_named_is_the_line_meant() -> None:
    lines = creamery().text.splitlines()
    checked = 0
    with Reader(creamery_store()) as reader:
        past = Past(reader, advance)
        for tag in raw_tags(PLANT):
            found = explain_tag(past, tag.name, None)
            source = next(s.source for s in found.steps if s.title == "As read")
            number = int(re.findall(r"plant file line (\d+)", source)[0])
            assert re.match(rf"{tag.ref.partition('.')[2]}\s*=", lines[number - 1]), source
            if tag.range is not None:
                source = next(s.source for s in found.steps if s.title.startswith("Value by"))
                number = int(re.findall(r"plant file line (\d+)", source)[0])
                assert "range = " in lines[number - 1]
                checked += 1
    assert checked > 15


def test_the_steps_of_a_representative_reading_lead_from_its_count_to_its_value() -> None:
    found = explained(creamery_store(), "B1.conductivity")
    text = found.as_text()
    count = int(step(found, "As read").split()[0])
    ma = count / 65535 * 20
    assert f"= {ma:.7g} mA" in step(found, "Current")
    value = (ma - 4) / 16 * 5000
    assert found.facts["value"] == pytest.approx(value, rel=1e-9)
    assert f"{value:.7g} umho/cm" in step(found, "Value by the transmitter's range")
    assert "the transmitter does it" in step(found, "Compensation to 25 °C")
    assert "arrangement timed" in step(found, "Sample line") and "is of the boiler's water" in text
    assert "not sampling" in step(found, next(s.title for s in found.steps if s.title.startswith("Held until")))
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize("ref", ["CL-027", "CL-028", "CL-029"])
def test_the_verdict_on_the_loop_is_that_of_the_published_limits(tmp_path: Path, ref: str) -> None:
    """CL-027, CL-028, CL-029 (NAMUR NE 43): 0, 3.5 and 3.6 mA are failures."""
    published = table("current_loop")[ref]
    assert published.expected.startswith("failure low")
    count = int(published.inputs["I"] / 20 * 65535)  # not above it
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(count, 5, 0, 1)] * 3))
    told = explained(path, "B1.probe")
    assert told.facts["value"] is None and told.facts["reason"] == Reason.LOOP_OPEN
    assert "loop open" in step(told, "Verdict on the loop") and "NAMUR NE 43" in step(told, "Verdict on the loop")
    assert "no value" in told.summary[0]


def test_no_answer_is_told_with_its_reason(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), 5, 0, 1), counted(*[None] * 4)]))
    told = explained(path, "B1.probe")
    assert told.facts["value"] is None and told.facts["reason_words"] == "no answer"
    assert "no count: no answer" in step(told, "As read")


def test_a_rollover_and_a_restart_of_a_counter_are_told_apart(tmp_path: Path) -> None:
    top = 2**32
    counts = [top - 1, 1, 2, 1_000_000, 1_000_001]
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), c, 0, 1) for c in counts]))
    went = explained(path, "makeup.pulses", START + 10_000)
    assert "it went round its end" in step(went, "Step since the count before")
    assert "= 2 pulses" in step(went, "Step since the count before")
    jumped = explained(path, "makeup.pulses", START + 30_000)
    assert jumped.facts["reason"] == Reason.COUNTER_STEP_REFUSED
    assert "counter step refused; 0 pulses are added" in step(jumped, "Step since the count before")
    total = explained(path, "makeup.total", START + 20_000)
    assert f"({2 + 1} - 0)" in step(total, "Total since the log began")
    assert total.differs == ()


# ---------------------------------------------------------------------- versions, clocks, long stores


def test_a_number_is_explained_by_the_plant_file_that_held_then(tmp_path: Path) -> None:
    other = "# one line more\n" + BOILER.replace("0..5000 uS/cm", "0..10000 uS/cm")
    scans = [counted(cond(3000), 5, 0, 1)] * 4
    of = [Group(g.number, g.at_ms, g.elapsed_ms, 1, 1 + (g.number > 2), g.scans) for g in every(START, 10_000, scans)]
    path = store(tmp_path / "w.db", of, {1: BOILER, 2: other})
    then, now = explained(path, "B1.probe", START + 10_000), explained(path, "B1.probe")
    assert (then.facts["plant_version"], now.facts["plant_version"]) == (1, 2)
    assert now.facts["value"] == pytest.approx(2 * then.facts["value"])
    assert "5000 umho/cm" in step(then, "Value by the transmitter's range")
    assert "10000 umho/cm" in step(now, "Value by the transmitter's range")
    numbers = [int(re.findall(r"line (\d+)", step(x, "As read"))[0]) for x in (then, now)]
    assert numbers[1] == numbers[0] + 1


def test_a_time_the_clock_showed_twice_is_named(tmp_path: Path) -> None:
    scans = [counted(cond(2000 + 100 * k), 5 + k, 0, 1) for k in range(8)]
    back = 30_000  # set back half a minute before the fifth poll
    of = [
        Group(g.number, g.at_ms - (back if g.number > 4 else 0), g.elapsed_ms, 1 + (g.number > 4), 1, g.scans)
        for g in every(START, 10_000, scans)
    ]
    path = store(tmp_path / "w.db", of)
    told = explained(path, "B1.probe", START + 10_000)
    assert told.facts["group"] == 5 and told.facts["segment"] == 2
    assert any("twice" in r and "group 2" in r for r in told.remarks)
    assert explained(path, "B1.probe", START + 5_000).facts["group"] == 1


def test_a_time_nobody_watched_is_named(tmp_path: Path) -> None:
    scans = [counted(cond(3000), 5, 0, 1)] * 4
    of = [
        Group(g.number, g.at_ms + late, g.elapsed_ms + late, 1, 1, g.scans, (), late if g.number == 3 else 0)
        for g in every(START, 10_000, scans)
        for late in [3_600_000 if g.number > 2 else 0]
    ]
    path = store(tmp_path / "w.db", of)
    told = explained(path, "B1.probe", START + 1_800_000)
    assert told.facts["group"] == 2 and any("nothing was watched" in r and "30 min" in r for r in told.remarks)


def test_a_time_outside_the_store_says_what_it_holds(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", every(START, 10_000, [counted(cond(3000), 5, 0, 1)] * 3))
    for at_ms in (START - 1, START + 3_600_000):
        with pytest.raises(ExplainError, match=r"Nothing is stored for .* The store holds 2026-09-09 .* to 2026-09-09"):
            explained(path, "B1.probe", at_ms)
    assert explained(path, "B1.probe", START + 45_000).facts["group"] == 3


def test_in_a_long_store_the_value_stands_and_what_is_not_known_is_said() -> None:
    """The steps are worked out from a bounded stretch where no engine state was kept; the value is the stored one."""
    with Reader(creamery_store()) as reader:
        middle = reader.group(700)
        assert middle is not None
        last = next(
            (
                d
                for s in reader.groups_before(700)
                for d in s.derived
                if derived_tags(PLANT)[d.tag].name == "makeup.total"
            ),
            None,
        )
    assert last is not None
    for tag in ("B1.conductivity", "B1.state", "makeup.rate", "B1.blowdown_of_steam", "amine.pacing"):
        told = explained(creamery_store(), tag, middle.group.at_ms, reach=40)
        assert any("the steps were worked out from" in r for r in told.remarks), tag
        whole = explained(creamery_store(), tag, middle.group.at_ms)
        assert whole.remarks == () and whole.facts == told.facts
    exact_again = explained(creamery_store(), "B2.conductivity", middle.group.at_ms, reach=40)
    assert any("come to the stored value exactly" in r for r in exact_again.remarks)
    less = explained(creamery_store(), "makeup.rate", middle.group.at_ms, reach=2)
    assert any("what was before that is not known" in r for r in less.remarks)
    for tag in ("makeup.total", "feedwater_b1.mass", "gas.total"):
        told = explained(creamery_store(), tag, middle.group.at_ms, reach=200)
        assert "the one stored before" in step(told, "Total since the log began")
        assert told.facts["shown"] in step(told, "Total since the log began") and told.remarks == ()
        assert told.facts == explained(creamery_store(), tag, middle.group.at_ms).facts
    assert explained(creamery_store(), "makeup.total", middle.group.at_ms, reach=40).facts["value"] == last.value


def test_a_stored_number_that_the_polls_do_not_give_is_told(tmp_path: Path) -> None:
    path = tmp_path / "w.db"
    shutil.copy(creamery_store(), path)
    with Reader(path) as reader:
        stored = next(
            s
            for s in reader.groups_before(900)
            if any(derived_tags(PLANT)[d.tag].name == "B2.conductivity" for d in s.derived)
        )
    wrong = [
        Derived(d.tag, d.value + 1, d.reason) if derived_tags(PLANT)[d.tag].name == "B2.conductivity" else d
        for d in stored.derived
    ]
    db = apsw.Connection(str(path))
    db.execute("UPDATE scan_group SET derived = ? WHERE number = ?", (pack_derived(wrong), stored.group.number))
    db.close()
    told = explained(path, "B2.conductivity", stored.group.at_ms)
    right = explained(creamery_store(), "B2.conductivity", stored.group.at_ms)
    assert told.facts["value"] == right.facts["value"] + 1
    assert right.differs == () and len(told.differs) == 1 and "DIFFERS" in told.as_text()


# ---------------------------------------------------------------------- names


def test_an_unknown_tag_names_those_near_it() -> None:
    for wrong, near in (
        ("B1.conductivty", "B1.conductivity"),
        ("b2.Probe", "B2.probe"),
        ("makup.total", "makeup.total"),
    ):
        with pytest.raises(Unknown, match=near):
            explained(creamery_store(), wrong)
    with pytest.raises(Unknown, match=r"B1 is no tag. It has B1\.probe.*B1\.valve"):
        explained(creamery_store(), "B1")
    with pytest.raises(Unknown, match="names before the point: B1, B2"):
        explained(creamery_store(), "xyzzy")


def test_a_channel_goes_by_its_own_name_too() -> None:
    assert explained(creamery_store(), "ai.b1_cond").facts == explained(creamery_store(), "B1.probe").facts
