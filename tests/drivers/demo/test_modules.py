"""The channel map is the plant file's, and registers hold what the plant gives."""

from __future__ import annotations

import struct
from importlib.resources import files

import pytest

from config.load import loads
from drivers.demo.house import House
from drivers.demo.instruments import HIGHEST_MA, LOWEST_MA, PulseMeter, Transmitter
from drivers.demo.modules import CHANNELS, UNITS, bits, registers
from drivers.demo.plant import packaged_text, plant_text
from drivers.demo.scenario import DEFAULT_START_MS

PLANT = loads(packaged_text()).plant


def test_every_channel_of_the_plant_file_is_served_where_it_says() -> None:
    written = {
        (m.name, name): (c.function, c.address, c.type, c.words == "low first", c.bit)
        for m in PLANT.modules
        for name, c in m.channels.items()
    }
    served = {(p.module, p.channel): (p.function, p.address, p.type, p.low_first, p.bit) for p in CHANNELS}
    assert served == written
    assert {(m.name, m.link, m.unit) for m in PLANT.modules} == {(u.name, u.link, u.unit) for u in UNITS}


def test_registers_decode_to_the_counts() -> None:
    house = House(DEFAULT_START_MS)
    house.advance(300)
    for m in PLANT.modules:
        words, contacts = registers(house, m.name), bits(house, m.name)
        for name, c in m.channels.items():
            want = next(p for p in CHANNELS if (p.module, p.channel) == (m.name, name)).count(house)
            if c.function == "discrete":
                assert contacts[c.address] == want
                continue
            mine = words[c.address : c.address + c.registers]
            if c.words == "low first":
                mine.reverse()
            raw = struct.pack(f">{len(mine)}H", *mine)
            if c.bit is not None:
                assert mine[0] >> c.bit & 1 == want
            else:
                assert struct.unpack({"u16": ">H", "s16": ">h", "u32": ">I", "f32": ">f"}[c.type], raw)[0] == want


def test_spans_and_ranges_of_the_plant_file_give_back_what_the_plant_is() -> None:
    house = House(DEFAULT_START_MS)
    house.advance(300)
    b1 = PLANT.boiler("B1")
    assert b1.steam_pressure and b1.conductivity and b1.water_level
    for signal, true, near in (
        (b1.steam_pressure, house.boilers[0].pressure, 8.0),
        (b1.water_level, house.glass[0], 4.0),
        (b1.conductivity, house.boilers[0].line_cond, 60.0),
    ):
        module, _, name = signal.channel.partition(".")
        span = PLANT.module(module).channels[name].span
        assert span
        counts = next(p for p in CHANNELS if p.ref == signal.channel).count(house)
        ma = span.low_ma + (counts - span.low_count) / (span.high_count - span.low_count) * (span.high_ma - span.low_ma)
        r = signal.range
        value = r.low + (ma - r.low_ma) / (r.high_ma - r.low_ma) * (r.high - r.low)
        assert value == pytest.approx(true, abs=near), signal.channel


def test_plant_text_puts_in_port_and_device_and_nothing_else() -> None:
    text = plant_text(40123, "/dev/pts/77")
    plant = loads(text).plant
    assert (plant.links[0].port, plant.links[1].device) == (40123, "/dev/pts/77")
    changed = [(a, b) for a, b in zip(packaged_text().splitlines(), text.splitlines(), strict=True) if a != b]
    assert len(changed) == 2
    assert plant.mail is None and all(p.mail.endswith("@quillmarsh.example") for p in plant.persons)
    assert files("config").joinpath("examples", "quillmarsh.toml").is_file()


def test_a_transmitter_keeps_to_its_range_and_damps() -> None:
    t = Transmitter(0, 100)
    for value, ma in ((0, 4.0), (50, 12.0), (100, 20.0), (400, HIGHEST_MA), (-50, LOWEST_MA)):
        t.sense(value, 0.0, 1.0)
        assert t.ma == pytest.approx(ma)
    slow = Transmitter(0, 100, damping=5.0)
    slow.sense(0, 0.0, 1.0)
    for _ in range(5):
        slow.sense(100, 0.0, 1.0)
    assert (slow.ma - 4) / 16 == pytest.approx(0.632, abs=0.001)  # one time constant: 1 - 1/e


def test_a_pulse_meter_loses_nothing_and_rolls_over() -> None:
    m = PulseMeter(0.01, bits=16, count=65_530)
    for _ in range(1000):
        m.pass_on(0.00037)
    assert m.count == 65_530 + 37 - (m._carry > 0.0099)  # 0.37 m3 in 10 L
    assert m.register == m.count - 65536
