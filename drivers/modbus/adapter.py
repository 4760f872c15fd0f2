"""What a USB serial adapter costs: its latency timer, as the kernel shows it. Read only; nothing is set here.

Lives here: pure functions over a tree like /sys, handed in. May import: config.
An adapter collects what it receives and hands it over when a timer runs out, 16 ms as a rule (common practice, no
source), so that each answer comes that much late.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

SYS: Final = Path("/sys")
LEAST_MS: Final = 1


@dataclass(frozen=True, slots=True)
class Latency:
    """The latency timer of an adapter: the file that holds it, and its milliseconds."""

    port: str  # the kernel's name, like ttyUSB0
    file: Path
    ms: int

    @property
    def cost_ms(self) -> int:
        """How much later than it must an answer may come, a request, in ms."""
        return self.ms - LEAST_MS


def latency(device: str, sysfs: Path = SYS) -> Latency | None:
    """The latency timer behind a serial device (also by its name under /dev/serial), None where there is none."""
    port = Path(device).resolve().name
    file = sysfs / "bus/usb-serial/devices" / port / "latency_timer"
    try:
        return Latency(port, file, int(file.read_text("ascii")))
    except (OSError, ValueError):
        return None


def remark(link: str, device: str, sysfs: Path = SYS) -> str:
    """One line on what the timer costs and what to do, "" when it costs nothing."""
    found = latency(device, sysfs)
    if found is None or found.cost_ms <= 0:
        return ""
    return (
        f"Link {link}: the USB adapter {found.port} keeps what it receives for up to {found.ms} ms, "
        f"so each request may take {found.cost_ms} ms longer than it must. "
        f"Write {LEAST_MS} into {found.file} as root, or: setserial /dev/{found.port} low_latency. "
        "It is back at its old value when the adapter is plugged in anew; a udev rule keeps it."
    )
