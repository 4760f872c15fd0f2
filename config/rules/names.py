"""Names: each once, and every name that is used is one that is written. Imports nothing of ours but `config`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from config.findings import Found, Path
from config.kinds import COUNTED, HOUSE_NAMES, KIND_NAMES, NEVER_OFF, NEVER_SHELVED
from config.model import Analogue, Chemical, Meter, Tank
from config.rules.view import NAMED, View, elements

LONGEST_WINDOW_S: Final = 86_400.0  # kinds that count keep what fell into a day


def unique(v: View) -> Iterator[Found]:
    """Links, modules, boilers, meters, tanks, chemicals and analogues share one list of names."""
    taken: dict[str, str] = {}
    for key in NAMED:
        for i, e in enumerate(elements(v.raw, key)):
            name = e.get("name")
            if not isinstance(name, str):
                continue
            if name in taken:
                yield Found(
                    (key, i, "name"),
                    f'"{name}" is taken by {taken[name]}; wants a name of its own '
                    f"({', '.join(NAMED)} share one list of names)",
                )
            elif name in HOUSE_NAMES:
                yield Found((key, i, "name"), f'"{name}" is the service\'s own name; wants another')
            taken.setdefault(name, f"[[{key}]] number {i + 1}")


def links_of_modules(v: View) -> Iterator[Found]:
    """A module sits on a link that is written."""
    for i, m in enumerate(v.plant.modules):
        if m.link not in v.names["link"]:
            yield Found(("module", i, "link"), _none("link", m.link, v.names["link"]))


def served(v: View) -> Iterator[Found]:
    """Boilers served exist, each named once; a list of none is said."""
    tables: tuple[tuple[str, tuple[Meter | Tank | Chemical | Analogue, ...]], ...] = (
        ("meter", v.plant.meters),
        ("tank", v.plant.tanks),
        ("chemical", v.plant.chemicals),
        ("analogue", v.plant.analogues),
    )
    for key, parts in tables:
        for i, part in enumerate(parts):
            path: Path = (key, i, "serves")
            for k, name in enumerate(part.serves):
                if name not in v.names["boiler"]:
                    yield Found((*path, k), _none("boiler", name, v.names["boiler"]))
                elif name in part.serves[:k]:
                    yield Found((*path, k), f'names "{name}" twice; wants each boiler once')
            if not part.serves and key != "analogue":
                yield Found(path, "serves no boiler: it is recorded and reported for the house only", "note")


def tanks_of_chemicals(v: View) -> Iterator[Found]:
    """A chemical draws from a tank that is written."""
    for i, c in enumerate(v.plant.chemicals):
        if c.tank is not None and c.tank not in v.names["tank"]:
            yield Found(("chemical", i, "tank"), _none("tank", c.tank, v.names["tank"]))


def channels(v: View) -> Iterator[Found]:
    """Every channel that is used is a channel of a module."""
    for use in v.uses:
        if use.ref in v.refs:
            continue
        module = use.ref.partition(".")[0]
        if module in v.unsure:
            continue
        if module in v.names["module"]:
            own = sorted(r for r in v.refs if r.startswith(f"{module}."))
            yield Found(use.path, _none("channel", use.ref, own))
        else:
            yield Found(use.path, _none("module", module, v.names["module"], f'; found "{use.ref}"'))


def alarm_kinds(v: View) -> Iterator[Found]:
    """[alarms.KIND] names a kind of alarm; low and high water stay on."""
    for kind, setting in v.plant.alarms.items():
        if kind not in KIND_NAMES:
            yield Found(("alarms", kind), _none("kind of alarm", kind, KIND_NAMES))
        elif kind in NEVER_OFF and not setting.enabled:
            yield Found(
                ("alarms", kind, "enabled"), f"{kind} cannot be switched off; found false, wants true or nothing"
            )
        elif kind in NEVER_OFF and setting.on_delay:
            yield Found(
                ("alarms", kind, "on_delay"), f"{kind} is told {setting.on_delay:g} s later than it could be", "warning"
            )
        if kind in NEVER_SHELVED and setting.shelving and "shelving" in setting.model_fields_set:
            yield Found(("alarms", kind, "shelving"), f"{kind} is never put aside; found true, wants false or nothing")
        if setting.deadband is not None and setting.deadband < 0:
            yield Found(("alarms", kind, "deadband"), f"wants 0 or more; found {setting.deadband:g}")
        for key in ("count", "within"):
            if getattr(setting, key) is not None and kind in KIND_NAMES and kind not in COUNTED:
                yield Found(("alarms", kind, key), f"says nothing of {kind}; it belongs to {', '.join(COUNTED)}")
        if setting.within is not None and setting.within > LONGEST_WINDOW_S:
            yield Found(("alarms", kind, "within"), f"wants a day at most; found {setting.within / 3600:g} h")


def zone(v: View) -> Iterator[Found]:
    """The time zone is one of the IANA time zone database."""
    import zoneinfo

    name = v.plant.plant.zone
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        from config.plainly import found_text, meant

        near = meant(name, zoneinfo.available_timezones())
        yield Found(
            ("plant", "zone"), f'wants an IANA time zone, like "America/Chicago"; found {found_text(name)}{near}'
        )


def _none(what: str, name: str, known: Iterable[str], more: str = "") -> str:
    from config.plainly import meant

    known = list(dict.fromkeys(known))
    near = meant(name, known)
    listed = f"; known here: {', '.join(known) or 'none'}" if len(known) <= 12 or not near else ""
    return f'there is no {what} "{name}"{more}{near}{listed}'


RULES = (unique, links_of_modules, served, tanks_of_chemicals, channels, alarm_kinds, zone)
