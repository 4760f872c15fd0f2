"""The rationalisation table: closed, whole, and careful with its words."""

from __future__ import annotations

import re

import pytest

from daemon.alarms.kinds import KINDS, PRIORITIES, Kind
from tests.support.wording import forbidden

NAMES = {
    "conductivity_very_high",
    "conductivity_high",
    "conductivity_low",
    "no_representative_sample",
    "probe_loop_fault",
    "probe_open",
    "probe_value_stuck",
    "steam_at_probe",
    "probe_fouling",
    "calibration_due",
    "calibration_step",
    "blowdown_over_time",
    "valve_stuck_shut",
    "valve_stuck_open",
    "valve_leaking",
    "valve_slow",
    "valve_switch_disagrees",
    "controller_idle",
    "controller_alarm",
    "interlock_open",
    "lockout",
    "short_cycling",
    "low_water",
    "high_water",
    "cutoff_test_failed",
    "cutoff_test_not_seen",
    "chemical_feed_while_off",
    "blowdown_while_off",
    "meter_stopped",
    "meter_running_while_off",
    "makeup_above_usual",
    "feedwater_quality_changed",
    "pump_not_as_paced",
    "pump_overrun",
    "pump_without_effect",
    "dose_out_of_band",
    "tank_low",
    "tank_empty",
    "analogue_high",
    "analogue_low",
    "analogue_rate",
    "test_out_of_range",
    "test_overdue",
    "safety_test_failed",
    "module_silent",
    "link_down",
    "logger_disk",
    "logger_clock",
    "logger_mail",
    "logger_copy",
    "logger_store",
    "logger_gap",
}

ALL = pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.kind)


def texts(kind: Kind) -> list[str]:
    return [kind.title, kind.means, kind.consequence, *kind.causes, *kind.first_checks, kind.caution]


def test_the_list_is_closed_and_every_name_of_it_stands() -> None:
    assert set(KINDS) == NAMES  # grows by a line here and a row there; a name never changes
    assert all(name == kind.kind for name, kind in KINDS.items())


@ALL
def test_a_kind_is_whole(kind: Kind) -> None:
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", kind.kind)
    assert kind.priority in PRIORITIES
    assert kind.respond_s >= 60
    assert kind.on_delay_s >= 0
    assert kind.off_delay_s >= 0
    assert len(kind.causes) >= 2
    assert len(kind.first_checks) >= 2
    assert len(kind.title) <= 40, "a title has to fit a lock screen beside plant, boiler and value"
    assert not kind.title.endswith(".")
    for text in (kind.means, kind.consequence, kind.caution, *kind.first_checks):
        assert re.match(r"[A-Z]", text), text
        assert text.endswith("."), text
    for text in texts(kind):
        assert text == text.strip()
        assert text.isascii(), text
        assert "\n" not in text
        assert "  " not in text


@ALL
def test_no_text_says_what_may_never_be_said(kind: Kind) -> None:
    assert [bad for text in texts(kind) for bad in forbidden(text)] == []


@ALL
def test_first_checks_are_things_to_look_at(kind: Kind) -> None:
    for check in kind.first_checks:
        looked_at = check.removeprefix("Where it is the feedwater tank: ").capitalize()
        assert looked_at.split()[0] in {"Look", "Read", "Compare", "Ask", "Listen"}, check


@ALL
def test_every_caution_defers_to_those_who_decide(kind: Kind) -> None:
    assert kind.caution.endswith("Local codes and licensed operators decide.")


@pytest.mark.parametrize(
    "bad",
    [
        "This is safe.",
        "It can wait until the morning.",
        "Open the blowdown valve.",
        "Look at the valve, then open it.",
        "Ask the operator to shut the valve.",
        "Reset the lockout.",
        "Someone resets the burner.",
        "The valve can be isolated.",
        "Bypass the interlock.",
        "Add water slowly.",
        "Please add feedwater.",
        "Never add water, but you may add water later.",
        "Low risk, harmless.",
        "There is no danger.",
        "Put the controller in hand.",
        "Look at the glass and drain the column.",
        "You should close the hand valve.",
    ],
)
def test_the_net_catches_what_it_should(bad: str) -> None:
    assert forbidden(bad)


@pytest.mark.parametrize(
    "good",
    [
        "Never add water to a hot boiler; let it cool and have it examined before it is fired again.",
        "opened by hand or bypass",
        "The valve is commanded open.",
        "Look at the valve: open or shut, and at its drain and vent.",
        "Never isolate a low-water cut-off to quiet an alarm.",
        "It is no safety device: cut-offs, limits and safety valves work without it.",
    ],
)
def test_the_net_lets_the_usual_cautions_through(good: str) -> None:
    assert forbidden(good) == []


def test_low_water_carries_the_long_standing_caution() -> None:
    caution = KINDS["low_water"].caution  # SF-018
    for part in (
        "No water in the glass: fuel off by site procedure.",
        "Never add water to a hot boiler",
        "let it cool and have it examined before it is fired again",
    ):
        assert part in caution
    assert KINDS["cutoff_test_failed"].caution == caution


def test_water_level_and_its_cut_off_are_never_hidden_and_nothing_else_claims_to_be() -> None:
    assert {k.kind for k in KINDS.values() if k.never_hidden} == {
        "low_water",
        "high_water",
        "cutoff_test_failed",
    }
    assert not any(k.suppressed_when_off for k in KINDS.values() if k.never_hidden)
    assert all(k.mails for k in KINDS.values() if k.never_hidden)
    assert KINDS["low_water"].priority == "highest"


@pytest.mark.parametrize(
    "name",
    [
        "no_representative_sample",
        "probe_loop_fault",
        "probe_open",
        "probe_value_stuck",
        "probe_fouling",
        "steam_at_probe",
        "conductivity_very_high",
        "conductivity_high",
        "conductivity_low",
        "valve_stuck_shut",
        "valve_stuck_open",
        "valve_leaking",
        "blowdown_over_time",
        "blowdown_while_off",
    ],
)
def test_whoever_goes_to_the_sample_line_is_warned_of_scalds(name: str) -> None:
    assert "above boiling" in KINDS[name].caution or "scalds" in KINDS[name].caution  # SF-011
    assert "face shield and gloves" in KINDS[name].caution


@pytest.mark.parametrize("name", ["valve_stuck_open", "conductivity_low"])
def test_a_hand_on_a_valve_is_among_the_causes(name: str) -> None:
    assert any("opened by hand or bypass" in cause for cause in KINDS[name].causes)


def test_conductivity_waits_a_minute_or_more() -> None:
    for name in ("conductivity_very_high", "conductivity_high", "conductivity_low"):
        assert KINDS[name].on_delay_s >= 60  # AL-042


def test_few_kinds_are_grave() -> None:
    grave = [k.kind for k in KINDS.values() if k.priority in ("highest", "high")]
    assert len(grave) <= len(KINDS) / 5  # AL-054 in spirit: about 5 % high, 15 % medium of what is raised
    assert [k.kind for k in KINDS.values() if k.priority == "highest"] == ["low_water", "cutoff_test_failed"]
