"""Cycles, blowdown and makeup from the engine's own sums, against published balances and figures worked out by hand."""

from __future__ import annotations

import pytest

from daemon.core.tags import derived_tags
from daemon.water.balance import after, blown
from daemon.water.steam import water_density
from tests.support.feed import Feed, boiler, plant
from tests.support.figures import WATER, Flowing, analogue, figure, ma, meter, names
from tests.support.published import Row, rows, table

BD, FL = table("blowdown"), table("flow")
FEED_BY_SIGNAL = 'feedwater_conductivity = "feedwater"\n'
DAY = 24 * 3600


def flowing(p: object, **flows: float) -> Flowing:
    feed = Flowing(p, every_s=60.0)  # type: ignore[arg-type]
    feed.flows = flows
    return feed


@pytest.mark.parametrize("row", [BD["BD-001"], *rows("blowdown", "cycles; blowdown of feedwater")], ids=str)
def test_cycles_and_percentages_of_the_published_rows(row: Row) -> None:
    k, kf = row.inputs["boiler"], row.inputs["feedwater"]
    scale = 4000 / max(k, 4000)  # the ratio is what counts; the probe of this plant ends at 5000
    p = plant(WATER, boiler(more=FEED_BY_SIGNAL), analogue("feedwater", "0..500 uS/cm"))
    feed = Feed(p, every_s=60.0)
    feed.run(DAY, cond=k * scale, feedwater=ma(kf * scale, 500))
    value, why = figure(feed, "B1.cycles_apparent")
    assert why == "good"
    assert value == pytest.approx(row.numbers[0], rel=1e-3)
    of_feed = figure(feed, "B1.blowdown_of_feedwater")[0]
    of_steam = figure(feed, "B1.blowdown_of_steam")[0]
    wanted = row.numbers[1:] if len(row.numbers) > 1 else [BD["BD-002"].number, 100 * BD["BD-003"].number / 40000]
    assert (of_feed, of_steam) == pytest.approx(wanted, rel=2e-3)


def test_cycles_are_uncertain_below_50_us_cm_and_in_the_first_hours() -> None:
    p = plant(WATER, boiler(more=FEED_BY_SIGNAL), analogue("feedwater", "0..500 uS/cm"))
    feed = Feed(p, every_s=60.0)
    feed.poll(cond=1500, feedwater=ma(100, 500))
    assert figure(feed, "B1.cycles_apparent") == (0.0, "nothing read yet")
    feed.run(3600)
    assert figure(feed, "B1.cycles_apparent")[1] == "less than a day watched"
    feed.run(DAY)
    assert figure(feed, "B1.cycles_apparent")[1] == "good"
    feed.run(DAY + 3600, feedwater=ma(40, 500))
    value, why = figure(feed, "B1.cycles_apparent")
    assert (value, why) == (
        pytest.approx(1500 / 40, rel=1e-3),
        "feedwater below 50 uS/cm: cycles by conductivity say little",
    )


def test_cycles_follow_only_what_was_seen_while_steaming() -> None:
    p = plant(WATER, boiler(more=FEED_BY_SIGNAL), analogue("feedwater", "0..500 uS/cm"))
    feed = Feed(p, every_s=60.0)
    feed.run(DAY, cond=3000, feedwater=ma(300, 500))
    feed.run(6 * 3600, limit=0, cond=400, feedwater=ma(20, 500))  # off: cold probe, standing water
    assert figure(feed, "B1.cycles_apparent") == (pytest.approx(10, rel=1e-3), "good")
    feed.run(DAY + 3600)
    assert figure(feed, "B1.cycles_apparent") == (0.0, "nothing flowed in the time")


def test_a_feedwater_signal_that_breaks_is_the_reason_when_nothing_is_left() -> None:
    p = plant(WATER, boiler(more=FEED_BY_SIGNAL), analogue("feedwater", "0..500 uS/cm"))
    feed = Feed(p, every_s=60.0)
    feed.run(3600, cond=3000, feedwater=0)
    assert figure(feed, "B1.cycles_apparent") == (0.0, "loop open (3.6 mA or less)")
    assert figure(feed, "B1.blowdown_of_steam") == (0.0, "loop open (3.6 mA or less)")
    feed.run(DAY, feedwater=ma(300, 500))
    assert figure(feed, "B1.cycles_apparent")[0] == pytest.approx(10, rel=1e-3)


def test_a_written_figure_makes_uncertain_cycles() -> None:
    feed = Feed(plant(WATER, boiler(more='feedwater_conductivity = "250 uS/cm"\n')), every_s=60.0)
    feed.run(DAY, cond=2500)
    assert figure(feed, "B1.cycles_apparent") == (
        pytest.approx(10, rel=1e-3),
        "worked out with a figure of the plant file",
    )


@pytest.mark.parametrize("row", rows("blowdown", "makeup share of feedwater"), ids=str)
def test_the_share_of_makeup_by_conductivity_and_the_feedwater_mixed_by_it(row: Row) -> None:
    x = row.inputs
    waters = f'makeup_conductivity = "{x["makeup"]} uS/cm"\ncondensate_conductivity = "condensate"\n'
    signals = (analogue("feedwater", "0..500 uS/cm"), analogue("condensate", "0..50 uS/cm"))
    feed = Feed(plant(WATER, boiler(more=FEED_BY_SIGNAL + waters), *signals), every_s=60.0)
    feed.run(3600, feedwater=ma(x["feedwater"], 500), condensate=ma(x["condensate"], 50))
    share, why = figure(feed, "feedwater.makeup_share")
    assert (share, why) == (pytest.approx(row.number, abs=0.05), "worked out with a figure of the plant file")
    # the other way round: the metered share mixes the feedwater that the row states
    meters = meter("makeup", "makeup"), meter("feed", "feedwater")
    mixed = flowing(
        plant(WATER, boiler(more=waters), signals[1], *meters), feed=10_000, makeup=10_000 * row.number / 100
    )
    mixed.flow(DAY, cond=2400, condensate=ma(x["condensate"], 50))
    assert figure(mixed, "B1.cycles_apparent")[0] == pytest.approx(2400 / x["feedwater"], rel=2e-3)
    assert figure(mixed, "makeup.share")[0] == pytest.approx(row.number, rel=1e-3)
    assert figure(mixed, "makeup.condensate_return")[0] == pytest.approx(100 - row.number, rel=1e-3)


def test_waters_too_alike_or_out_of_order_tell_no_share() -> None:
    waters = 'makeup_conductivity = "100 uS/cm"\ncondensate_conductivity = "condensate"\n'
    signals = (analogue("feedwater", "0..500 uS/cm"), analogue("condensate", "0..200 uS/cm"))
    feed = Feed(plant(WATER, boiler(more=FEED_BY_SIGNAL + waters), *signals), every_s=60.0)
    feed.run(3600, feedwater=ma(95, 500), condensate=ma(95, 200))
    assert figure(feed, "feedwater.makeup_share") == (0.0, "the figures contradict each other")
    feed.run(DAY + 3600, feedwater=ma(400, 500), condensate=ma(10, 200))
    assert figure(feed, "feedwater.makeup_share") == (0.0, "the figures contradict each other")


@pytest.mark.parametrize("row", rows("blowdown", "feedwater and blowdown from percent"), ids=str)
def test_metered_blowdown_is_balanced_in_mass(row: Row) -> None:
    # pulses are volumes: hot feedwater of 105 °C is 4 % lighter than blowdown cooled to 50 °C
    feed_kg, blown_kg = (x / 10 for x in row.numbers)
    hot, cool = water_density(105) / 1000, water_density(50) / 1000
    p = plant(
        WATER,
        boiler(),
        meter("feed", "feedwater", more='temperature = "105 °C"\n'),
        meter("blown", "blowdown", more='temperature = "50 °C"\n'),
    )
    f = flowing(p, feed=feed_kg / hot, blown=blown_kg / cool).flow(DAY)
    assert figure(f, "B1.blowdown_of_feedwater") == (pytest.approx(row.inputs["blowdown"], rel=2e-3), "good")
    steam = (feed_kg - blown_kg) / feed_kg * 100
    assert figure(f, "B1.blowdown_of_steam")[0] == pytest.approx(row.inputs["blowdown"] / steam * 100, rel=2e-3)
    assert figure(f, "blown.of_feedwater") == figure(f, "B1.blowdown_of_feedwater")


def test_a_blow_line_that_is_shared_is_told_for_its_meter_and_not_divided() -> None:
    second = boiler().replace('"B1"', '"B2"')
    p = plant(
        WATER.replace("feed =", 'feed2 = { function = "input", address = 40, type = "u32" }\nfeed ='),
        boiler(),
        second,
        meter("feed", "feedwater"),
        meter("feed2", "feedwater", serves='"B2"'),
        meter("blown", "blowdown", serves='"B1", "B2"'),
    )
    f = flowing(p, feed=3000, feed2=1000, blown=200).flow(DAY)
    assert {"B1.blowdown_of_feedwater", "B2.blowdown_of_feedwater"} & names(f) == set()
    assert figure(f, "blown.of_feedwater") == (pytest.approx(5, rel=2e-3), "good")
    assert figure(f, "blown.of_steam")[0] == pytest.approx(BD["BD-026"].number, rel=2e-3)


def test_meters_that_cannot_be_true_or_have_restarted_say_so() -> None:
    p = plant(WATER, boiler(), meter("feed", "feedwater"), meter("blown", "blowdown"), meter("makeup", "makeup"))
    f = flowing(p, feed=1000, blown=1500, makeup=1500).flow(DAY)
    assert figure(f, "B1.blowdown_of_steam") == (0.0, "the figures contradict each other")
    assert figure(f, "makeup.share") == (0.0, "the figures contradict each other")
    g = flowing(p, feed=1000, blown=50, makeup=500).flow(DAY)
    g._passed["blown"] = 0.0  # the module restarts
    g.flow(1200)
    assert figure(g, "B1.blowdown_of_feedwater")[1] == "counter restarted: the gap is not known"
    idle = flowing(p, feed=0, blown=0, makeup=0).flow(DAY)
    assert figure(idle, "B1.blowdown_of_feedwater") == (0.0, "nothing flowed in the time")


def test_blowdown_by_the_opening_is_the_duty_cycle_of_the_reference() -> None:
    row = BD["BD-032"]  # 2000 lb/h, open 30 s of every 600 s: 100 lb/h on average
    valve = 'command = "m.blow", travel = "10 s", opening_flow = "2000 lb/h"'
    p = plant(WATER, boiler(valve=valve), meter("feed", "feedwater"))
    f = Flowing(p, every_s=10.0)
    f.flows = {"feed": 1000.0}
    f.poll()
    for _ in range(36):  # six hours
        f.flow(30, blow=1).flow(570, blow=0)
    kg_h, feed_kg_h = row.number * 0.45359237, 1000 * water_density(15) / 1000
    value, why = figure(f, "B1.blowdown_of_feedwater")
    assert value == pytest.approx(100 * kg_h / feed_kg_h, rel=0.01)
    assert why == "worked out with a figure of the plant file"
    assert {b.kg_by for b in f.blows} == {"opening"}
    assert [b.kg for b in f.blows] == pytest.approx([2000 * 0.45359237 * 30 / 3600] * 36)


def test_a_valve_whose_end_switch_says_shut_lets_nothing_by() -> None:
    valve = 'command = "m.blow", shut_switch = "m.shut", travel = "10 s", opening_flow = "2000 lb/h"'
    f = Flowing(plant(WATER, boiler(valve=valve), meter("feed", "feedwater")), every_s=10.0)
    f.flows = {"feed": 1000.0}
    f.flow(60).flow(600, blow=1, shut=1).flow(60, blow=0)
    f.flow(600, blow=1, shut=0).flow(60, blow=0, shut=1)
    assert [b.kg for b in f.blows] == pytest.approx([0.0, 2000 * 0.45359237 * 600 / 3600])


def test_a_metered_blow_has_the_mass_of_its_pulses() -> None:
    p = plant(WATER, boiler(), meter("feed", "feedwater"), meter("blown", "blowdown", more='temperature = "50 °C"\n'))
    f = Flowing(p, every_s=10.0)
    f.flows = {"feed": 1000.0, "blown": 0.0}
    f.flow(120)
    f.flows["blown"] = 1800.0
    f.flow(600, blow=1)
    f.flows["blown"] = 0.0
    f.flow(60, blow=0)
    (b,) = f.blows
    assert (b.kg, b.kg_by) == (pytest.approx(0.3 * water_density(50) * 1000 / 1000, rel=0.02), "meter")
    assert figure(f, "B1.blow_mass") == (b.kg, "good")


@pytest.mark.parametrize("row", [BD["BD-033"]], ids=str)
def test_the_blow_that_makes_a_fall_is_the_one_of_the_reference(row: Row) -> None:
    x = row.inputs
    rate = blown(x["start"], row.number, 100, 0, x["boiler water"], 0.5)
    assert rate == pytest.approx(1000, rel=1e-3)
    for steam in (0, 900, 4000):  # the inverse of the balance, steaming or not
        end = after(4000, 120, steam, 1500, 6000, 0.7)
        assert blown(4000, end, 120, steam, 6000, 0.7) == pytest.approx(1500, rel=1e-6)
    climbs = after(2500, 150, 2000, 0, 5000, 3)  # BD-034
    assert climbs == pytest.approx(BD["BD-034"].number, abs=0.5)
    assert blown(2500, climbs, 150, 2000, 5000, 3) is None
    assert blown(4000, 90, 100, 0, 5000, 1) is None


def test_a_blow_without_meter_or_stated_flow_is_told_from_the_fall_of_conductivity() -> None:
    p = plant(
        WATER,
        boiler(more=FEED_BY_SIGNAL + 'water = "5 t"\n'),
        analogue("feedwater", "0..500 uS/cm"),
        meter("feed", "feedwater"),
    )
    f = Flowing(p, every_s=10.0)
    f.flows = {"feed": 2500.0}
    f.flow(4 * 3600, cond=3000.0, feedwater=ma(200, 500))
    kg_h = 2500 * water_density(15) / 1000
    steam = kg_h * (1 - 200 / 3000)
    for k in range(91):  # 15 min at 1200 kg/h, as the balance of the boiler has it
        f.now["cond"] = after(3000, 200, steam, 1200, 5000, k / 360)
        f.flow(10, blow=1)
    f.flow(60, blow=0)
    (b,) = f.blows
    assert (b.kg, b.kg_by) == (pytest.approx(1200 * 91 / 360, rel=0.05), "balance")
    assert figure(f, "B1.blow_mass")[1] == "worked out with a figure of the plant file"


def test_a_blow_not_seen_whole_has_no_mass() -> None:
    f = Feed(plant(boiler(valve='command = "m.blow", opening_flow = "2000 lb/h"')))
    f.run(60, blow=1).run(60, blow=0)
    assert [(b.complete, b.kg) for b in f.blows] == [(False, None)]


def test_a_plant_with_nothing_to_balance_has_no_figures() -> None:
    assert names(Feed(plant(boiler()))) == set()


def test_every_figure_says_what_it_is_and_over_what_time() -> None:
    from tests.support.recordings import creamery

    tags = [t for t in derived_tags(creamery().plant) if t.figure]
    assert len({t.name for t in tags}) == len(tags) > 20
    assert all(t.label and t.about for t in tags)
    assert all("24 h" in t.about for t in tags if t.what == "figure")
    cycles = next(t for t in tags if t.name == "B1.cycles_apparent")
    assert "apparent" in cycles.label
    for of in ("feedwater", "steam"):
        assert next(t for t in tags if t.name == f"B1.blowdown_of_{of}").label.endswith(f"% of {of}")
    commanded = next(t for t in tags if t.name == "scavenger.commanded")
    assert "that chemical was fed it does not show" in commanded.about


@pytest.mark.parametrize("row", [FL["FL-019"], FL["FL-022"]], ids=str)
def test_a_blow_through_a_bore_is_choked_flow_of_saturated_water(row: Row) -> None:
    pressure = row.text.split("=")[1].split(";")[0]
    text = boiler(valve='command = "m.blow", bore = "0.25 in"').replace("120 psig", pressure)
    f = Feed(plant(text))
    f.run(60).run(600, blow=1).run(60, blow=0)
    (b,) = f.blows
    assert (b.kg, b.kg_by) == (pytest.approx(row.number / 6, rel=0.01), "opening")
    assert figure(f, "B1.blow_mass")[1] == "worked out with a figure of the plant file"
