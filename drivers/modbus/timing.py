"""How long characters and silences last on an RTU line (MODBUS over Serial Line V1.02, pages 12 and 13)."""

from __future__ import annotations

from typing import Final

BITS: Final = 11  # start, 8 data, parity or a second stop, stop; counted so for every setting


def characters(count: float, baud: int) -> float:
    """Seconds that `count` characters take at `baud` bit/s."""
    return count * BITS / baud


def silence(baud: int) -> float:
    """Seconds of silence between frames: 3.5 characters, fixed at 1.75 ms above 19200 bit/s."""
    return 0.00175 if baud > 19200 else characters(3.5, baud)
