"""The plant file of the demo, with the addresses the simulated boiler house was given this time.

May import: the standard library. The file itself is `config/examples/quillmarsh.toml`.
"""

from __future__ import annotations

import json
import re
from importlib.resources import files


def packaged_text() -> str:
    """The example plant file as it stands."""
    return files("config").joinpath("examples", "quillmarsh.toml").read_text("utf-8")


def plant_text(port: int, pty: str) -> str:
    """The example plant file with the TCP port and the serial device put in; nothing else changes."""
    text = _once(r"(?m)^port = \d+", f"port = {port}", packaged_text())
    return _once(r'(?m)^device = "[^"]*"', f"device = {json.dumps(pty)}", text)


def _once(pattern: str, put: str, text: str) -> str:
    text, n = re.subn(pattern, lambda _: put, text)
    if n != 1:
        raise ValueError(f"the packaged plant file wants exactly one line matching {pattern}; found {n}")
    return text
