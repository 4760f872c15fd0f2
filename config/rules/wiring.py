"""Links, units and channels: what each kind needs, and what a channel may be used for.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.bus import COUNTS
from config.findings import Found
from config.kinds import SERVED_LINKS
from config.model import Channel, Link, Span
from config.rules.view import Use, View, Wired
from config.units import UNITS

_TCP_KEYS: Final = ("host", "port")
_SERIAL_KEYS: Final = ("device", "baud", "parity", "stop_bits", "data_bits", "direction")
_OVER_TCP: Final = ("modbus-tcp", "modbus-rtu-over-tcp")


def link_keys(v: View) -> Iterator[Found]:
    """A TCP link has a host, a serial one a device, and neither the other's keys."""
    for i, link in enumerate(v.plant.links):
        if link.kind not in SERVED_LINKS:
            yield Found(("link", i, "kind"), f'"{link.kind}" has no driver yet; wants one of {", ".join(SERVED_LINKS)}')
        tcp = _over_tcp(link)
        need, useless = ("host", _SERIAL_KEYS) if tcp else ("device", _TCP_KEYS)
        if not getattr(link, need):
            example = 'host = "192.168.1.20"' if tcp else 'device = "/dev/ttyUSB0"'
            yield Found(("link", i, need), f"missing; a {link.kind} link wants {need}, like {example}")
        if tcp and link.kind == "text" and "port" not in link.model_fields_set:
            yield Found(("link", i, "port"), "missing; a text link with a host wants the port of its serial server")
        for key in useless:
            if key == "baud" and link.kind == "modbus-rtu-over-tcp":
                continue  # of the pair behind the gateway: answers are timed by it
            if key in link.model_fields_set:
                yield Found(("link", i, key), f"a {link.kind} link has no {key}; take it out, or see to the kind")
        if not tcp and link.kind != "text" and "data_bits" in link.model_fields_set:
            bits = 7 if link.kind == "modbus-ascii" else 8
            yield Found(("link", i, "data_bits"), f"a {link.kind} link has {bits} by its standard; take it out")


def _over_tcp(link: Link) -> bool:
    return link.kind in _OVER_TCP or (link.kind == "text" and link.host is not None)


def links_once(v: View) -> Iterator[Found]:
    """One owner for each pair of wires and each socket."""
    seen: dict[str, str] = {}
    for i, link in enumerate(v.plant.links):
        tcp = _over_tcp(link)
        end = f"{link.host}:{link.port}" if tcp else link.device
        if (tcp and not link.host) or not end:
            continue
        if end in seen:
            yield Found(
                ("link", i, "host" if tcp else "device"),
                f"{end} is already the link {seen[end]}; wants one link, with all its modules on it",
            )
        seen.setdefault(end, link.name)


def units(v: View) -> Iterator[Found]:
    """A unit number once on each link; 0 and above 247 only over TCP (MODBUS over Serial Line V1.02, 2.2)."""
    kinds = {link.name: link.kind for link in v.plant.links}
    seen: dict[tuple[str, int], str] = {}
    for i, m in enumerate(v.plant.modules):
        kind = kinds.get(m.link, "modbus-tcp")
        if kind == "text":
            continue
        if kind != "modbus-tcp" and not 1 <= m.unit <= 247:
            yield Found(("module", i, "unit"), f"wants 1 to 247 on a {kind} link; found {m.unit}")
        if (m.link, m.unit) in seen:
            yield Found(
                ("module", i, "unit"),
                f"unit {m.unit} on link {m.link} is already module {seen[m.link, m.unit]}; "
                "wants another number, or one module with all the channels",
            )
        seen.setdefault((m.link, m.unit), m.name)


def uses(v: View) -> Iterator[Found]:
    """A contact is a bit, an analogue signal has milliamperes, a meter counts upwards."""
    for use in v.uses:
        if w := v.wired.get(use.ref):
            if use.what != "analogue" and w.channel.field is not None:
                yield Found(
                    use.path,
                    f"wants a {use.what}; {use.ref} is a number that an instrument prints. It can be read as an "
                    "analogue signal",
                )
            elif use.what == "contact" and w.channel.type != "bit":
                yield Found(
                    use.path,
                    f"wants a contact; {use.ref} is a number ({w.channel.type}). Write the channel as a coil or "
                    'discrete input, or as type = "bit", bit = 0..15',
                )
            elif use.what == "counter" and w.channel.type not in ("u16", "u32", "u64"):
                yield Found(use.path, f"wants a counter of type u16, u32 or u64; {use.ref} is {w.channel.type}")
            elif use.what == "counter" and w.channel.span is not None:
                yield Found(use.path, f"wants plain counts; {use.ref} has a span: take the span out")
            elif use.what == "analogue":
                yield from _analogue(use, w)


def _analogue(use: Use, w: Wired) -> Iterator[Found]:
    ch, r = w.channel, use.range
    if ch.type == "bit":
        yield Found(use.path, f"wants a 4-20 mA channel; {use.ref} is a contact")
        return
    if ch.span is None and ch.type not in ("f32", "f64"):
        yield Found(
            w.path,
            f"wants a span, counts of the module to milliamperes, like span = "
            f'"0..{min(COUNTS[ch.type][1], 65535)} = 0..20 mA": {use.who} reads it as a '
            f"signal; found a {ch.type} without one",
        )
    if r is None:
        return
    if r.direct != (ch.field is not None or w.module.pattern is not None):
        plain = f"{r.low_ma:g}..{r.high_ma:g} {r.unit}".rstrip()
        if r.direct:
            text = f'wants current = value, like "4..20 mA = {plain}": {use.ref} is a 4-20 mA input; found "{plain}"'
        else:
            text = (
                f"wants the range alone, in the unit that is printed, like "
                f'"0..5000 uS/cm": {use.ref} is a number of a text instrument; found a current before it'
            )
        yield Found(use.range_path, text)
    if use.kinds and r.kind not in use.kinds:
        yield Found(
            use.range_path,
            f"wants a range of {' or '.join(use.kinds)}; found {r.unit or 'no unit'}"
            + (f", a unit of {r.kind}" if r.kind else f", which is none of {', '.join(UNITS[use.kinds[0]])}"),
        )
    elif not r.kind:
        yield Found(use.range_path, f"{r.unit or 'no unit'}: not a unit known here; values are kept as written", "note")
    if not r.direct:
        yield from _loop(use, w, ch.span)


def _loop(use: Use, w: Wired, s: Span | None) -> Iterator[Found]:
    """What the loop and the module's input can and cannot show (NAMUR NE 43: 3.6 and 21 mA)."""
    assert use.range is not None
    low, high = sorted((use.range.low_ma, use.range.high_ma))
    if low < 3.8:
        yield Found(
            use.range_path, f"a signal that may be {low:g} mA in normal work cannot show a broken loop", "warning"
        )
    if s is None:
        return
    bottom, top = sorted((s.low_ma, s.high_ma))
    if bottom > low or top < high:
        yield Found(
            (*w.path, "span"),
            f"the module reads {bottom:g} to {top:g} mA, the signal goes {low:g} to {high:g} mA; wants a span that "
            "holds all of it",
        )
    elif low >= 3.8 and bottom > 3.6:
        yield Found(
            (*w.path, "span"),
            f"the module reads nothing below {bottom:g} mA: a broken loop (3.6 mA or less) cannot be told from a "
            "reading at the bottom of the range",
            "warning",
        )


def spans(v: View) -> Iterator[Found]:
    """A span lies within the counts that its type can hold."""
    for w in v.wired.values():
        s, kind = w.channel.span, w.channel.type
        if s is None or kind not in COUNTS:
            continue
        lowest, highest = COUNTS[kind]
        low, high = sorted((s.low_count, s.high_count))
        if low < lowest or high > highest:
            yield Found(
                (*w.path, "span"),
                f"counts {low:g} to {high:g} do not fit {kind} ({lowest} to {highest}); check type and span",
            )


def overlaps(v: View) -> Iterator[Found]:
    """Two channels of one module reading the same registers are most likely a slip."""
    for i, m in enumerate(v.plant.modules):
        seen: list[tuple[str, Channel]] = []
        for name, ch in m.channels.items():
            for other, o in seen:
                if ch.field is None and o.field is None and _overlap(ch, o):
                    yield Found(
                        ("module", i, "channels", name, "address"),
                        f"address {ch.address} ({ch.function}) is read by {other} too; check both addresses",
                        "warning",
                    )
                    break
            seen.append((name, ch))


def _overlap(a: Channel, b: Channel) -> bool:
    if a.function != b.function or a.address >= b.address + b.registers or b.address >= a.address + a.registers:
        return False
    return not (a.bit is not None and b.bit is not None and a.bit != b.bit)


def once(v: View) -> Iterator[Found]:
    """One channel used for two things is most likely a slip."""
    seen: dict[str, Use] = {}
    for use in v.uses:
        probes = [u.path[-2:] == ("conductivity", "channel") for u in (use, seen.get(use.ref, use))]
        if use.ref in seen and use.ref in v.wired and not all(probes):  # a shared probe has a rule of its own
            yield Found(use.path, f"{use.ref} is used by {seen[use.ref].who} too; check both", "warning")
        seen.setdefault(use.ref, use)


RULES = (link_keys, links_once, units, uses, spans, overlaps, once)
