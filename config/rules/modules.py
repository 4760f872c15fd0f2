"""How modules want to be asked: what may never be read, what changes when it is read, how much at a time.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator

from config.bus import FUNCTIONS, Module
from config.expand import shipped
from config.findings import Found, Path
from config.reach import stretches
from config.rules.view import View


def never(v: View) -> Iterator[Found]:
    """No channel lies where nothing may be read."""
    for w in v.wired.values():
        for a in w.module.never:
            if a.touches(w.channel.function, w.channel.address, w.channel.end):
                yield Found(
                    (*w.path, "number" if w.channel.number is not None else "address"),
                    f"{w.channel.function} {w.channel.address} lies in {a}, which {w.module.name} says must never be "
                    "read; check the address, and never",
                )


def fits(v: View) -> Iterator[Found]:
    """Every value fits one request of its module, and so do values that share a clear-on-read register."""
    for i, m in enumerate(v.plant.modules):
        for function in FUNCTIONS:
            own = [(name, c) for name, c in m.channels.items() if c.function == function]
            wide = [(name, c) for name, c in own if c.registers > m.most(function)]
            for name, c in wide:
                yield Found(
                    ("module", i, "channels", name),
                    f"a {c.type} is {c.registers} registers; {m.name} gives at most {m.most(function)} at a time "
                    "(max_registers)",
                )
            for start, end in stretches((c for _, c in own), m.clear_on_read):
                if end - start > m.most(function) and not wide:
                    yield Found(
                        ("module", i, "clear_on_read"),
                        f"{function} {start}..{end - 1} has to be read at once, since its channels share clear-on-read "
                        f"registers; {m.name} gives at most {m.most(function)} at a time",
                    )


def cleared_meters(v: View) -> Iterator[Found]:
    """A meter's register that begins anew with each reading has one reader, and what an answer held can be lost."""
    for use in v.uses:
        w = v.wired.get(use.ref)
        if use.what == "counter" and w is not None:
            for a in w.module.clear_on_read:
                if a.touches(w.channel.function, w.channel.address, w.channel.end):
                    yield Found(
                        use.path,
                        f"{use.ref} lies in {a}, which reading clears: its counts are added up, so nothing else may "
                        "read it, and an answer that is lost takes its pulses with it (the total is then at least "
                        "what it says, and marked). Use the module's running total if it has one",
                        "note",
                    )
                    break


def waits(v: View) -> Iterator[Found]:
    """A link waits as long as its modules may take."""
    links = {link.name: link for link in v.plant.links}
    for i, m in enumerate(v.plant.modules):
        link = links.get(m.link)
        if link is None or link.timeout is None or m.answers_within is None:
            continue
        if m.answers_within > link.timeout:
            yield Found(
                ("module", i, "answers_within"),
                f"{m.name} may take {m.answers_within:g} s to answer, and link {link.name} waits {link.timeout:g} s: "
                "later answers are lost. Take timeout out of the link, or make it longer",
                "warning",
            )


def silences(v: View) -> Iterator[Found]:
    """A module that falls silent can be tried at each of its instants beside its neighbours, or it is said.

    A try takes the wait and as long again for a late answer, on all but Modbus TCP, and a little more.
    """
    links = {link.name: link for link in v.plant.links}
    for i, m in enumerate(v.plant.modules):
        link = links.get(m.link)
        others = [o for o in v.plant.modules if o.link == m.link and o.name != m.name]
        if link is None or not others:
            continue
        wait = link.waits(m.answers_within)
        takes = wait * (1 if link.kind == "modbus-tcp" else 2) + _A_LITTLE
        other = min(others, key=lambda o: o.every)
        if takes >= other.every:
            yield Found(
                ("module", i, "every" if "every" in m.model_fields_set else "name"),
                f"should {m.name} fall silent, finding out whether it is back takes {takes:g} s of link {link.name}, "
                f"and {other.name} is due every {other.every:g} s: it is tried less often then, and read up to 30 s "
                "after it is back. Write its true answers_within, or the link's true timeout",
                "note",
            )


_A_LITTLE = 0.1  # s: frames, adapters


def numbers(v: View) -> Iterator[Found]:
    """Numbers like 40001 are turned into function and address, which is said."""
    for i, m in enumerate(v.plant.modules):
        numbered = [(name, c) for name, c in m.channels.items() if c.number is not None]
        if numbered:
            name, c = numbered[0]
            more = f"; {len(numbered) - 1} more of {m.name} likewise" if len(numbered) > 1 else ""
            yield Found(
                ("module", i, "channels", name, "number"),
                f"{c.number} is read as {_NAMES[c.function]} at protocol address {c.address}{more}. Some makers count "
                "from 0: compare one value with the module's own display",
                "note",
            )


_NAMES = {"coil": "coil", "discrete": "discrete input", "holding": "holding register", "input": "input register"}


def types(v: View) -> Iterator[Found]:
    """Types of modules are called differently, and used."""
    seen: set[str] = set()
    used = {m.type for m in v.plant.modules}
    for k, t in enumerate(v.plant.module_types):
        path: Path = ("module_type", k, "name")
        if t.name in seen:
            yield Found(path, f'"{t.name}" is written twice; wants a name of its own')
        elif t.name not in used:
            yield Found(path, f'no module has type = "{t.name}": nothing is read by it', "note")
        elif t.name in shipped():
            yield Found(path, f"this file's {t.name} is used, not the one that comes along", "note")
        seen.add(t.name)
    for i, m in enumerate(v.plant.modules):
        yield from _alone(i, m)


def _alone(i: int, m: Module) -> Iterator[Found]:
    if m.type is None and m.leave_out:
        yield Found(("module", i, "leave_out"), "says nothing without a type; wants both, or none")


RULES = (never, fits, cleared_meters, waits, silences, numbers, types)
