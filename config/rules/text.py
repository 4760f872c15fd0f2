"""Text instruments: what a module on a text link wants and does not take, and that no other module has it.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.bus import Module
from config.findings import Found, Path
from config.rules.view import View, elements
from config.text import EXAMPLE, compiled

_TEXT_KEYS: Final = ("pattern", "prompt", "ends", "checksum", "longest", "decimal")
_MODBUS_KEYS: Final = ("unit", "max_registers", "max_bits", "gap", "never", "clear_on_read")


def instruments(v: View) -> Iterator[Found]:
    """A module on a text link has a pattern and fields, one on any other link has registers."""
    kinds = {link.name: link.kind for link in v.plant.links}
    for i, m in enumerate(v.plant.modules):
        if m.link not in kinds:
            continue
        text = kinds[m.link] == "text"
        for key in _MODBUS_KEYS if text else _TEXT_KEYS:
            if key in m.model_fields_set:
                more = "a text instrument has no" if text else "only a module on a text link has a"
                yield Found(("module", i, key), f"{more} {key}; take it out, or see to the kind of link {m.link}")
        if text and m.pattern is None:
            yield Found(("module", i, "pattern"), f"missing; a text instrument wants a pattern, like '{EXAMPLE}'")
        yield from _channels(("module", i, "channels"), m, text)
        if text and m.checksum == "none" and m.pattern is not None:
            yield Found(
                ("module", i),
                f"no checksum: a character that is lost or changed on the way to {m.link} can make another number, "
                "and nothing shows it. Use the instrument's checksum if it has one",
                "note",
            )


def _channels(path: Path, m: Module, text: bool) -> Iterator[Found]:
    fields = compiled(m.pattern).groupindex if m.pattern is not None else {}
    for name, channel in m.channels.items():
        here = (*path, name)
        if not text and channel.field is not None:
            yield Found((*here, "field"), f"only a module on a text link has fields; {m.link} is none")
        elif text and channel.field is None:
            yield Found(here, 'wants a field of the pattern, like { field = "cond" }; found function and address')
        elif text and m.pattern is not None and channel.field not in fields:
            yield Found((*here, "field"), f'the pattern has no field "{channel.field}"; it has {", ".join(fields)}')


def alone(v: View) -> Iterator[Found]:
    """An instrument that prints by itself shares its link with nobody: whose line it is could not be told."""
    kinds = {link.name: link.kind for link in v.plant.links}
    asked = {e.get("name") for e in elements(v.raw, "module") if "prompt" in e}  # also where it is wrong in shape
    for i, m in enumerate(v.plant.modules):
        others = [o.name for o in v.plant.modules if o.link == m.link and o.name != m.name]
        if kinds.get(m.link) == "text" and m.name not in asked and others:
            yield Found(
                ("module", i, "link"),
                f"{m.name} prints by itself (no prompt) and shares {m.link} with {', '.join(others)}: whose line it is "
                "could not be told. Wants a link of its own, or a prompt",
            )


RULES = (instruments, alone)
