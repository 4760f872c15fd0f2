"""Links, modules and register images for Modbus tests. Images are made here, apart from the code that reads them."""

from __future__ import annotations

import struct
from typing import Any

from config.model import Link, Module

ORDERS = [(words, order) for words in ("high first", "low first") for order in ("high first", "low first")]


def tcp_link(port: int, timeout: str = "2 s", name: str = "panel") -> Link:
    return Link.model_validate(
        {"name": name, "kind": "modbus-tcp", "host": "127.0.0.1", "port": port, "timeout": timeout}
    )


def rtu_link(device: str, timeout: str = "2 s", baud: int = 115200, name: str = "loop", pause: str = "0 s") -> Link:
    return Link.model_validate(
        {
            "name": name,
            "kind": "modbus-rtu",
            "device": device,
            "baud": baud,
            "parity": "none",
            "timeout": timeout,
            "pause": pause,
        }
    )


def gateway_link(port: int, timeout: str = "2 s", baud: int = 115200, name: str = "gate") -> Link:
    return Link.model_validate(
        {
            "name": name,
            "kind": "modbus-rtu-over-tcp",
            "host": "127.0.0.1",
            "port": port,
            "baud": baud,
            "timeout": timeout,
        }
    )


def ascii_link(device: str, timeout: str = "2 s", parity: str = "none", name: str = "text") -> Link:
    return rtu_link(device, timeout, name=name).model_copy(update={"kind": "modbus-ascii", "parity": parity})


def module(channels: dict[str, dict[str, Any]], unit: int = 1, name: str = "ai", link: str = "panel") -> Module:
    return Module.model_validate({"name": name, "link": link, "unit": unit, "every": "1 s", "channels": channels})


def image(type_: str, value: float, words: str = "high first", order: str = "high first") -> list[int]:
    """The registers a module holds for a value (IEEE 754 and two's complement, by struct)."""
    if type_ in ("bcd16", "bcd32"):  # a decimal digit in each four bits
        type_, value = {"bcd16": "u16", "bcd32": "u32"}[type_], int(f"{value:.0f}", 16)
    code = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "u64": "Q", "f32": "f", "f64": "d"}[type_]
    raw = struct.pack(">" + code, value)
    pairs = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if words == "low first":
        pairs.reverse()
    return [int.from_bytes(pair, "big" if order == "high first" else "little") for pair in pairs]
