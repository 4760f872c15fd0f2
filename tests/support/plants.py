"""Small plants as text, for tests that need a plant file and no more."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

from config.model import Plant

HEAD = '[plant]\nname = "Quillmarsh Creamery"\nzone = "America/Chicago"\nunits = "us"\n'


def links(spec: Mapping[str, Mapping[str, str]], timeout: str = "1 s") -> Plant:
    """Links with modules of one channel each: {"panel": {"ai": "10 s"}} is module ai on link panel, every 10 s."""
    text = HEAD
    for name in spec:
        text += f'[[link]]\nname = "{name}"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\ntimeout = "{timeout}"\n'
    for name, modules in spec.items():
        for unit, (module, every) in enumerate(modules.items(), 1):
            text += f'[[module]]\nname = "{module}"\nlink = "{name}"\nunit = {unit}\nevery = "{every}"\n'
            text += '[module.channels]\na = { function = "input", address = 0 }\n'
    return Plant.model_validate(tomllib.loads(text))


def one_boiler(port: int, every: str = "1 s", store: str = "") -> str:
    """One TCP module at a loopback port: B1 with conductivity, timed sample, valve, interlock, and a makeup meter."""
    kept = f'[store]\npath = "{store}"\n' if store else ""
    return (
        HEAD
        + f"""{kept}[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
port = {port}
timeout = "500 ms"
[[module]]
name = "ai"
link = "panel"
unit = 1
every = "{every}"
[module.channels]
b1_cond = {{ function = "input", address = 0, type = "u16", span = "0..65535 = 0..20 mA" }}
makeup = {{ function = "input", address = 20, type = "u32", words = "high first" }}
b1_blow = {{ function = "discrete", address = 0 }}
b1_limit = {{ function = "discrete", address = 1 }}
[[boiler]]
name = "B1"
pressure = "120 psig"
water = "8 t"
sample = {{ arrangement = "continuous" }}
blowdown_valve = {{ command = "ai.b1_blow", travel = "10 s" }}
interlock = {{ contact = "ai.b1_limit", closed_means = "running" }}
[boiler.conductivity]
channel = "ai.b1_cond"
range = "4..20 mA = 0..5000 uS/cm"
signal = "live"
set_point = "3000 uS/cm"
differential = "100 uS/cm"
[[meter]]
name = "makeup"
channel = "ai.makeup"
measures = "makeup"
pulse = "100 L"
max_rate = "20 m3/h"
serves = ["B1"]
[[person]]
name = "On call"
mail = "oncall@quillmarsh.example"
"""
    )


def analogues(ports: Mapping[str, int], every: str = "1 s", registers: int = 16, store: str = "") -> str:
    """A module for each name, on a TCP link of its own, with `registers` 4-20 mA inputs each an [[analogue]]."""
    text = HEAD + (f'[store]\npath = "{store}"\n' if store else "")
    signals = ""
    for name, port in ports.items():
        text += f'[[link]]\nname = "l_{name}"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\nport = {port}\n'
        channels = ""
        for i in range(registers):
            channels += f'c{i} = {{ function = "holding", address = {i}, span = "0..65535 = 0..20 mA" }}\n'
            signals += f'[[analogue]]\nname = "{name}_{i}"\nchannel = "{name}.c{i}"\nrange = "4..20 mA = 0..100 %"\n'
        text += f'[[module]]\nname = "{name}"\nlink = "l_{name}"\nevery = "{every}"\n[module.channels]\n{channels}'
    return text + signals
