"""Kinds of link to the driver that serves them; a driver is imported when its first link is opened."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Final, cast

from config.model import Link, Module
from drivers.contract import Driver, DriverError, ReadPlan

if TYPE_CHECKING:
    from drivers.tap import Hook

KINDS: Final[Mapping[str, str]] = {
    "modbus-tcp": "drivers.modbus.tcp:open_tcp",
    "modbus-rtu": "drivers.modbus.rtu:open_rtu",
    "modbus-rtu-over-tcp": "drivers.modbus.over_tcp:open_rtu_over_tcp",
    "modbus-ascii": "drivers.modbus.ascii:open_ascii",
    "text": "drivers.text:open_text",
}


def open_link(link: Link, hook: Hook | None = None) -> Driver:
    """The driver for a link, not yet connected. DriverError when its kind has none.

    `hook` gives the link a tap that is told of every frame (`drivers.capture.capture_to`).
    """
    if link.kind not in KINDS:
        raise DriverError(f"Link {link.name}: no driver for {link.kind} yet. Served: {', '.join(KINDS)}.")
    module, _, name = KINDS[link.kind].partition(":")
    return cast(Driver, getattr(import_module(module), name)(link, *((hook(link),) if hook else ())))


def plan_reads(module: Module, link: Link | None = None) -> ReadPlan:
    """The cheapest requests that fetch every channel of a module over a link (see `drivers.modbus.plan`).

    A text instrument's has no requests (`drivers.text.plan`).
    """
    if module.pattern is not None:
        from drivers.text import plan as plan_text

        return plan_text(module)
    from drivers.modbus.plan import plan

    return plan(module, link)
