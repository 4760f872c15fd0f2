"""How a boiler's state and its valve's position were told from what is wired."""

from __future__ import annotations

from daemon.core.reasons import words
from daemon.core.say import minutes
from daemon.core.tags import STATES, DerivedTag
from daemon.measure import boiler_state as rule
from daemon.measure.senses import BoilerCell, Senses, good_value, role_now
from daemon.measure.wiring import POSITION_BAND, BoilerWiring, Role
from daemon.report.explain_parts import Step
from daemon.report.explain_past import Scene

FIGURES = "common practice, no source"


def boiler_of(scene: Scene, name: str) -> tuple[Senses, BoilerCell, BoilerWiring]:
    """A boiler in the state after the scene's group."""
    s, w = scene.now.state.cells.senses, scene.now.state.programme.wiring
    i = next(k for k, b in enumerate(w.boilers) if b.name == name)
    return s, s.boilers[i], w.boilers[i]


def index(scene: Scene, name: str) -> int:
    """A boiler's place in the plant file."""
    return next(i for i, b in enumerate(scene.plant.boilers) if b.name == name)


def state(scene: Scene, tag: DerivedTag) -> list[Step]:
    """off, warming, steaming ... and by which wires."""
    s, b, w = boiler_of(scene, tag.target)
    i = index(scene, tag.target)
    r = w.state_rule
    wired = []
    if r.contact:
        key = "burner" if r.contact == "burner" and not w.interlock_means.startswith("firing") else "interlock"
        what = "burner contact" if r.contact == "burner" else "limit circuit"
        wired.append(f"{what}: {_role(scene, s, w.running, 'running', 'not running')}")
        where = scene.places.where("boiler", i, key)
    else:
        wired.append("no limit circuit and no burner contact is wired: without pressure it is taken as steaming")
        where = scene.places.where("boiler", i)
    if r.has_pressure:
        p = good_value(s, w.steam_pressure)
        reads = words(s.reasons[w.steam_pressure]) if p is None else scene.both(p, "kPa")
        share = "" if p is None or r.pressure_kpa <= 0 else f", {p / r.pressure_kpa:.0%} of the stated pressure"
        wired.append(f"steam pressure: {reads}{share}; stated: {scene.both(r.pressure_kpa, 'kPa')}")
        where += f"; {scene.places.where('boiler', i, 'steam_pressure')}"
    steps = [Step("What is wired says", tuple(wired), source=where)]
    c = b.state
    since = f" since {scene.hour(c.since_at)}" if c.since_at else " yet"
    says = [f"{STATES[c.state]}{since}"]
    if c.blind_ms >= 0:
        says.append(f"what tells it cannot be read for {minutes(s.t - c.blind_ms)}: the last known stands")
    if c.silent_ms >= 0:
        says.append(f"the burner is silent for {minutes(s.t - c.silent_ms)}")
    if c.state == rule.WARMING and not r.has_pressure:
        says.append(f"steaming is assumed in {minutes(c.warm_until_ms - s.t)}")
    says.append(_figures(w))
    return [*steps, Step("State", tuple(says), source=FIGURES)]


def _figures(w: BoilerWiring) -> str:
    texts = []
    if w.state_rule.contact == "burner":
        texts.append(f"a burner silent for {minutes(rule.BURNER_PAUSE_MS)} is not steaming")
    if w.state_rule.has_pressure:
        texts.append(
            f"steaming begins at {rule.STEAM_UP:.0%} of the stated pressure and ends below {rule.STEAM_LOST:.0%}"
        )
    else:
        texts.append(f"warming takes as long as it was off, {minutes(rule.WARM_LONGEST_MS)} at most")
    texts.append(f"what cannot be read leaves the state for {minutes(rule.UNREADABLE_MS)}")
    return "rules: " + "; ".join(texts)


def _role(scene: Scene, s: Senses, r: Role, yes: str, no: str) -> str:
    now = role_now(s, r)
    if now is None:
        return f"cannot be read ({words(s.contact_reasons[r.slot])})"
    c = s.contacts[r.slot]
    since = f" since {scene.hour(c.since_ms)}" if c.began else ""
    return f"{'closed' if c.on else 'open'}{since}, which means {yes if now else no}"


def valve(scene: Scene, tag: DerivedTag) -> list[Step]:
    """Open or shut, by command, end switch or position."""
    s, b, w = boiler_of(scene, tag.target)
    i = index(scene, tag.target)
    wired, by = [], ""
    for key, r, means in (
        ("command", w.command, "open"),
        ("open_switch", w.open_switch, "open"),
        ("shut_switch", w.shut_switch, "shut"),
    ):
        if r.slot >= 0:
            by = by or key
            other = (
                "open" if key == "shut_switch" else "not fully open" if key == "open_switch" and by != key else "shut"
            )
            wired.append(
                f"{key.replace('_', ' ')}: {_role(scene, s, r, means, other)}" + ("; it decides" if by == key else "")
            )
    if w.position >= 0:
        p = good_value(s, w.position)
        reads = words(s.reasons[w.position]) if p is None else f"{p:.4g} %"
        wired.append(
            f"position: {reads}; open above {w.position_open:g} %, shut below {w.position_open - POSITION_BAND:g} %"
        )
        by = by or "position"
    where = scene.places.where("boiler", i, "blowdown_valve", by) if by else scene.places.where("boiler", i)
    if b.valve < 0:
        says: tuple[str, ...] = ("not known yet: what shows it has not been read",)
    else:
        says = (f"{'open' if b.valve else 'shut'} since {scene.hour(b.valve_at)}",)
        if not b.valve_read:
            says = (*says, "it cannot be read now: the last known stands")
    return [Step("What is wired says", tuple(wired), source=where), Step("Position", says)]
