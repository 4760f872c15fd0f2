"""Sampling and polls: what can be seen at the pace the plant is polled.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator

from config.findings import Found, Path
from config.flush import flush_of
from config.model import Boiler, Link, Module, Sample
from config.rules.view import View


def samples(v: View) -> Iterator[Found]:
    """The arrangement fits what is wired and the pace of the polls."""
    for i, b in enumerate(v.plant.boilers):
        at: Path = ("boiler", i)
        if b.sample is None:
            if b.conductivity is not None:
                yield Found(
                    (*at, "conductivity"),
                    "it is not said when the probe sees boiler water. Write sample = { arrangement = ... }: "
                    "continuous, timed, hold, side-stream or none",
                    "warning",
                )
            continue
        path = (*at, "sample")
        if b.conductivity is None:
            if b.sample.arrangement != "none":
                yield Found(path, "says nothing without a conductivity probe", "note")
            continue
        if b.conductivity.signal is None:
            yield Found(
                (*at, "conductivity"),
                'it is not said whether the signal is live; it is taken as signal = "held" '
                "(the wall controller passes on its last sampled value)"
                + (
                    " until it is learned from three pauses between samples; status shows what was learned"
                    if _learnable(b, b.sample)
                    else ", and there is no pause between samples to learn it from"
                ),
                "note",
            )
        yield from _blind(at, b, b.sample)
        yield from _flush(path, b, b.sample)
        yield from _arrangement(path, b, b.sample)
        yield from _pace(path, b, b.sample, v.poll_of(b.conductivity.channel))


def _learnable(b: Boiler, s: Sample) -> bool:
    """Whether the valve's signals show the pauses between samples."""
    return _valve_seen(b) and s.arrangement in ("timed", "hold")


def _blind(at: Path, b: Boiler, s: Sample) -> Iterator[Found]:
    """Which verdicts on the signal cannot be had with what is written and wired."""
    assert b.conductivity is not None
    if s.arrangement == "none":
        return
    if b.conductivity.signal == "held":
        yield Found(
            (*at, "conductivity"),
            "a held signal is not judged for value stuck, noise, steam at the probe or rate of change",
            "note",
        )
    elif b.water is None or b.steam_max is None:
        missing = " and ".join(k for k, x in (("water", b.water), ("steam_max", b.steam_max)) if x is None)
        yield Found(
            at,
            f"without {missing} it cannot be told when conductivity of {b.name} changes faster than its water can",
            "note",
        )


def _flush(path: Path, b: Boiler, s: Sample) -> Iterator[Found]:
    """The flush as written against what the sample line's pipes and flow ask for."""
    f = flush_of(b)
    if s.line and f.reckoned_s is None:
        yield Found(
            (*path, "line"),
            "pipes without a flow: wants flow beside it, or opening_flow of the blowdown valve",
            "warning",
        )
    elif f.reckoned_s is not None and f.travel_s is not None:
        how = f"{s.volumes:g} line volumes of {f.volume_m3 * 1000:.2g} L, {f.travel_s:.3g} s each"
        if not f.written:
            yield Found((*path, "line"), f"flush is reckoned as {f.seconds:.3g} s: {how}", "note")
        elif s.flush < f.reckoned_s:
            yield Found(
                (*path, "flush"),
                f"{s.flush:g} s is shorter than the line asks for ({f.reckoned_s:.3g} s: {how}): readings may still be "
                "of the water that stood in it",
                "warning",
            )
    if s.hottest is not None and (s.arrangement != "side-stream" or b.probe_temperature is None):
        yield Found((*path, "hottest"), "says nothing without arrangement side-stream and a probe_temperature", "note")
    if b.sample_flow is not None and s.arrangement != "side-stream":
        yield Found((*path[:-1], "sample_flow"), "proof of flow is used for a side-stream sample only", "note")


def shared_probes(v: View) -> Iterator[Found]:
    """One probe for several boilers: it sees the one whose sample valve is open."""
    seen: dict[str, Boiler] = {}
    for i, b in enumerate(v.plant.boilers):
        if b.conductivity is None:
            continue
        first = seen.setdefault(b.conductivity.channel, b)
        if first is b:
            continue
        path: Path = ("boiler", i, "conductivity", "channel")
        blind = [o.name for o in (first, b) if o.sample is None or not _valve_seen(o)]
        if blind:
            yield Found(
                path,
                f"the probe is shared with {first.name}, and nothing of the sample valve of {' or '.join(blind)} is "
                "wired: it cannot be told whose water it sees",
                "warning",
            )
        else:
            yield Found(
                path,
                f"the probe is shared with {first.name}: a reading belongs to the boiler whose valve is open, and to "
                "none while both are",
                "note",
            )


def _valve_seen(b: Boiler) -> bool:
    v = b.blowdown_valve
    return v is not None and any(x is not None for x in (v.command, v.open_switch, v.shut_switch, v.position, v.demand))


def _arrangement(path: Path, b: Boiler, s: Sample) -> Iterator[Found]:
    valve = b.blowdown_valve
    if s.arrangement == "none":
        yield Found((*path, "arrangement"), f"none: the probe of {b.name} is recorded and not judged", "warning")
    elif s.arrangement in ("timed", "hold") and (valve is None or valve.command is None):
        yield Found(
            (*path, "arrangement"),
            f"{s.arrangement}, and no blowdown_valve.command is wired: when sample flows is inferred from the probe, "
            "and readings are uncertain at best",
            "note",
        )
    if s.arrangement in ("timed", "hold") and s.open is not None and s.open <= flush_of(b).seconds:
        yield Found(
            (*path, "open"),
            f"wants longer than the flush of {flush_of(b).seconds:.3g} s, or no reading is ever of the boiler; "
            f"found {s.open:g} s",
        )
    if s.open is not None and s.every is not None and s.every <= s.open:
        yield Found((*path, "every"), f"wants longer than open ({s.open:g} s); found {s.every:g} s")


def _pace(path: Path, b: Boiler, s: Sample, probe: float | None) -> Iterator[Found]:
    if probe is None or s.arrangement not in ("timed", "hold"):
        return
    if s.arrangement == "timed" and 0 < s.flush < 3 * probe:
        yield Found(
            (*path, "flush"),
            f"a flush of {s.flush:g} s is {s.flush / probe:g} polls of {probe:g} s: its end is known "
            f"to {probe:g} s only",
            "note",
        )
    if s.arrangement == "timed" and s.open is not None and s.flush < s.open < s.flush + 2 * probe:
        yield Found(
            (*path, "open"),
            f"only {s.open - s.flush:g} s remain after the flush, with polls every {probe:g} s: "
            "some samples will have no reading of the boiler",
            "warning",
        )


def valves(v: View) -> Iterator[Found]:
    """A blowdown valve says what is needed to judge it."""
    for i, b in enumerate(v.plant.boilers):
        valve, path = b.blowdown_valve, ("boiler", i, "blowdown_valve")
        if valve is None:
            yield Found(("boiler", i), f"no blowdown_valve: blows of {b.name} are not seen", "note")
            continue
        every = v.poll_of(valve.command)
        if valve.command is None and valve.position is None and valve.open_switch is None:
            yield Found(path, f"nothing of the valve is wired: blows of {b.name} are not seen", "note")
        shortest = b.sample.open if b.sample else None
        if every is not None and shortest is not None and shortest < 2 * every:
            yield Found(
                (*path, "command"),
                f"polled every {every:g} s, and the valve opens for {shortest:g} s: an opening can pass unseen. "
                f"Wants polls of {shortest / 2:g} s or less",
                "warning",
            )
        if valve.kind == "modulating" and valve.position is None and valve.demand is None:
            yield Found((*path, "kind"), "modulating, and neither position nor demand is wired", "note")
        for key in ("opening_flow", "bleed"):
            written = v.raw.get("boiler", [{}])[i].get("blowdown_valve", {}).get(key) if not _shifted(v) else None
            if isinstance(written, str) and getattr(valve, key) is not None and _is_volume(written):
                yield Found((*path, key), f"{written} is taken as cold water, {getattr(valve, key):g} kg/h", "note")


def _shifted(v: View) -> bool:
    """Parts were taken out, so that numbers of `raw` and of the plant differ."""
    return len(v.raw.get("boiler", ())) != len(v.plant.boilers)


def _is_volume(text: str) -> bool:
    from config.units import UNITS

    return text.lstrip("0123456789.+-_eE \t").strip() in UNITS["volume flow"]


def contacts(v: View) -> Iterator[Found]:
    """Contacts that tell of trouble are polled fast enough for it."""
    for i, b in enumerate(v.plant.boilers):
        for key in ("low_water", "interlock"):
            contact = getattr(b, key)
            every = v.poll_of(contact.contact) if contact else None
            if every is not None and 2 * every > 30:
                yield Found(
                    ("boiler", i, key),
                    f"polled every {every:g} s: a change of less than {2 * every:g} s can pass unseen, and low water "
                    "and the interlock are told apart only when both are read within 30 s. Wants 15 s or less",
                    "warning",
                )


def serial_load(v: View) -> Iterator[Found]:
    """The polls of a serial line fit on it (MODBUS over Serial Line V1.02: 11 bits a character, 3.5 between frames)."""
    for i, link in enumerate(v.plant.links):
        serial = link.kind in ("modbus-rtu", "modbus-ascii")
        if not serial and not (link.kind == "modbus-rtu-over-tcp" and "baud" in link.model_fields_set):
            continue  # the speed of the pair behind a gateway is known only when it is written
        modules = [m for m in v.plant.modules if m.link == link.name]
        load = sum(poll_s(link, m) / m.every for m in modules)
        if load > 0.8:
            yield Found(
                ("link", i),
                f"the polls take at least {load:.0%} of the line at {link.baud} baud: wants longer intervals "
                "(every), a higher baud, or a second line",
                "error" if load > 1 else "warning",
            )


def poll_s(link: Link, m: Module) -> float:
    """The shortest time in s that one poll of a module can take: the fewest frames that hold its channels."""
    return sum(
        (ascii_read_s if link.kind == "modbus-ascii" else read_s)(link.baud, _data_bytes(function, items), link.pause)
        for function in ("coil", "discrete", "holding", "input")
        if (items := _items(m, function))
    )


def _items(m: Module, function: str) -> int:
    """Bits or registers of one function, each counted once."""
    taken = {
        a for ch in m.channels.values() if ch.function == function for a in range(ch.address, ch.address + ch.registers)
    }
    return len(taken)


def _data_bytes(function: str, items: int) -> int:
    return (items + 7) // 8 if function in ("coil", "discrete") else 2 * items


def read_s(baud: int, data_bytes: int, pause: float = 0.0) -> float:
    """Bus time in s of one read: request of 8 characters, answer of 5 and the data, a silence after each."""
    character = 11 / baud
    silence = 3.5 * character if baud <= 19200 else 0.00175
    return (8 + 5 + data_bytes) * character + 2 * silence + pause


def ascii_read_s(baud: int, data_bytes: int, pause: float = 0.0) -> float:
    """As `read_s` in ASCII mode: 10 bits a character, two characters a byte, one byte of check, and `:` CR LF."""
    return (17 + 2 * (4 + data_bytes) + 3) * 10 / baud + pause


RULES = (samples, shared_probes, valves, contacts, serial_load)
