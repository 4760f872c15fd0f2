"""A small plant as text, and what is found when a part of it is changed."""

from __future__ import annotations

from pathlib import Path

from config.check import check
from config.load import Finding, PlantFileError, loads

SMALLEST = (Path(__file__).parents[2] / "config" / "examples" / "smallest.toml").read_text("utf-8")

METER = """
[[meter]]
name = "makeup"
channel = "io.makeup"
measures = "makeup"
pulse = "100 L"
max_rate = "20 m3/h"
serves = ["B1"]
"""
COUNTER = (
    'b1_low   = { function = "discrete", address = 2 }\nmakeup = { function = "input", address = 20, type = "u32" }'
)
METERED = SMALLEST.replace('b1_low   = { function = "discrete", address = 2 }', COUNTER) + METER
SERIAL = (
    METERED.replace('kind = "modbus-tcp" ', 'kind = "modbus-rtu" ')
    .replace('host = "192.0.2.10"  ', 'device = "/dev/ttyS0"  ')
    .replace("port = 502\n", "", 1)
)


def findings(text: str) -> list[Finding]:
    """All findings of a text: its errors, or, when it has none, its warnings and notes."""
    try:
        return check(loads(text, "p.toml"))
    except PlantFileError as e:
        return e.findings


def changed(base: str, *changes: tuple[str, str]) -> tuple[str, list[Finding]]:
    """The text with the changes made, and what is found in it beyond what is found in `base`."""
    text = base
    for old, put in changes:
        assert old in text, old
        text = text.replace(old, put, 1)
    known = {(f.key, f.text) for f in findings(base)}
    return text, [f for f in findings(text) if (f.key, f.text) not in known]
