"""Notices and the creamery's plant as mails need it."""

from __future__ import annotations

import tomllib
from typing import Any

from config.model import Plant
from daemon.core.outcome import GroupOutcome, Notice
from daemon.notify.telling import Telling, Told
from tests.support.plants import HEAD

AT_MS = 1_793_690_832_000  # Tue 3 Nov 2026, 01:27:12 in Chicago

PLANT = (
    HEAD
    + """
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
[[module]]
name = "ai"
link = "panel"
[module.channels]
b1_cond = { function = "input", address = 0, span = "0..65535 = 0..20 mA" }
deaerator = { function = "input", address = 1, span = "0..65535 = 0..20 mA" }
makeup = { function = "input", address = 20, type = "u32" }
tank = { function = "input", address = 2, span = "0..65535 = 0..20 mA" }
pump = { function = "discrete", address = 3 }
[[boiler]]
name = "B1"
pressure = "120 psig"
conductivity = { channel = "ai.b1_cond", range = "4..20 mA = 0..5000 uS/cm", set_point = "3000 uS/cm" }
[[meter]]
name = "makeup"
channel = "ai.makeup"
measures = "makeup"
pulse = "100 L"
max_rate = "20 m3/h"
serves = ["B1"]
[[tank]]
name = "scavenger"
volume = "200 L"
level = { channel = "ai.tank", range = "4..20 mA = 0..100 %" }
serves = ["B1"]
[[chemical]]
name = "scavenger"
pump = "ai.pump"
serves = ["B1"]
[[analogue]]
name = "deaerator"
channel = "ai.deaerator"
range = "4..20 mA = 0..100 inWC"
serves = ["B1"]
"""
)
ON_CALL, CHIEF, GONE, SLOW = (f"{n}@quillmarsh.example" for n in ("oncall", "chief", "gone", "slow"))


def plant(*people: str, mail: str = "", more: str = "", si: bool = False) -> Plant:
    """The plant with people at these addresses; `mail`: lines of [mail]."""
    text = PLANT.replace('units = "us"', 'units = "si"') if si else PLANT
    for address in people:
        text += f'[[person]]\nname = "{address.partition("@")[0].title()}"\nmail = "{address}"\n'
    return Plant.model_validate(tomllib.loads(text + (f"[mail]\n{mail}\n" if mail else "") + more))


def notice(**changed: Any) -> Notice:
    """B1's conductivity is high, unless told otherwise."""
    given: dict[str, Any] = {
        "occurrence": 1042,
        "event": "raised",
        "target": "B1",
        "kind": "conductivity_high",
        "name": "",
        "priority": "medium",
        "at_ms": AT_MS,
        "since_ms": AT_MS,
        "value": 3420.3,
        "limit": 3300.0,
        "unit": "uS/cm",
        "evidence": "above the limit at two samples running",
        "quality": "good",
        "state": "unacknowledged",
    }
    return Notice(**given | changed)


def telling(n: Notice, address: str, site: Plant, **more: Any) -> Telling:
    """News of one notice to one address of a plant, unless told otherwise."""
    name = next((p.name for p in site.persons if p.mail == address), "")
    told = tuple(Told(p.name, n.at_ms) for p in site.persons if p.mail != address)
    given: dict[str, Any] = {"why": "news", "name": name, "address": address, "notices": (n,), "told": told}
    return Telling(**given | more)


def outcome(number: int, *notices: Notice) -> GroupOutcome:
    return GroupOutcome(number=number, verdicts=(), notices=notices)
