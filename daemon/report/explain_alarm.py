"""Why an alarm was raised: condition, limit and where it comes from, values in the delay, its states, its mails.

The journal is the truth; the engine steps the stored polls again for what the journal does not keep (readings on the
way to the raise). May import: as `explain`.
"""

from __future__ import annotations

import json
from typing import Final

from daemon.alarms.condition import Alarm, AlarmCell
from daemon.alarms.conductivity import MINUTE_MS, Limit
from daemon.alarms.contacts import ContactSays, InterlockOpen
from daemon.alarms.kinds import KINDS
from daemon.alarms.table import MEANING
from daemon.alarms.valve import StuckOpen, StuckShut
from daemon.core.outcome import Entry, GroupOutcome
from daemon.core.reasons import words
from daemon.core.say import minutes
from daemon.engine import State
from daemon.report.explain_kinds import judged
from daemon.report.explain_limits import PRACTICE, limit_steps
from daemon.report.explain_made import ExplainError, Unknown
from daemon.report.explain_parts import Explained, Step
from daemon.report.explain_past import DAY, Past, Scene
from daemon.store.records import StoredGroup

ROWS: Final = 16
LEAD: Final = 240  # polls looked at before a raise
_EVENTS: Final = {"out_of_service": "taken out of service", "in_service": "back in service"}
_MEANING: Final = {life.value: text for life, text in MEANING.items()}


def explain_alarm(past: Past, number: int) -> Explained:
    """Explain an alarm by its number. ExplainError, Unknown."""
    entries = past.reader.occurrence(number) if number > 0 else ()
    if not entries:
        raise Unknown(_no_alarm(past, number))
    past, first = past.reaching(DAY), entries[0]
    stored = _group_of(past, first)
    if stored is None:
        raise ExplainError(f"Alarm {number} is on record, but the poll it was raised in is no longer stored.")
    scene = Scene(past, stored)
    kind = KINDS[first.kind]
    trail = _Trail(first)
    past.walk(_start(past, stored), stored.group.number, trail.see)
    state = scene.now.state
    alarm = next(
        (a for a in state.programme.alarms if (a.target, a.kind, a.name) == (first.target, first.kind, first.name)),
        None,
    )
    steps = [_condition(scene, first, alarm)]
    if alarm is not None:
        steps += limit_steps(scene, alarm)
        steps += [_delays(scene, alarm), _quality(scene, alarm, trail)]
    if trail.rows:
        steps.append(_values(scene, first, trail))
    steps += [_history(scene, entries), _mails(scene, number), _means(first.kind)]
    last = entries[-1]
    differs = []
    if first.event == "raised" and scene.now.since_ms is None and not trail.raised_again:
        differs.append("stepping the stored polls again does not raise it in this poll")
    name = f" ({first.name})" if first.name else ""
    value = "" if first.value is None else scene.both(first.value, first.unit)
    limit = "" if first.limit is None else f", limit {scene.both(first.limit, first.unit)}"
    facts = {
        "alarm": number,
        "target": first.target,
        "kind": first.kind,
        "name": first.name,
        "priority": first.priority,
        "value": first.value,
        "limit": first.limit,
        "unit": first.unit,
        "evidence": first.evidence,
        "raised_ms": first.at_ms,
        "state": last.state,
        "group": scene.group.number,
        "plant_version": scene.group.plant,
        "history": [
            {"at_ms": e.at_ms, "event": e.event, "state": e.state, "by": e.by, "evidence": e.evidence} for e in entries
        ],
    }
    summary = [
        f"{first.event} at {scene.clock(first.at_ms)}, priority {first.priority}"
        + (f": {value}{limit}" if value else "")
    ]
    if first.evidence:
        summary.append(first.evidence)
    summary.append(
        f"last on record: {last.state} ({_MEANING.get(last.state, last.state)}), since {scene.clock(last.at_ms)}"
    )
    summary.append(f"group {scene.group.number}, by plant file version {scene.group.plant}")
    remarks = []
    if scene.now.since_ms is not None:
        remarks.append(
            f"the polls were stepped again from {scene.clock(scene.now.since_ms)} on only; what the engine knew from "
            "before is not in the rows"
        )
    title = f"Alarm {number}: {kind.title}{name}, {first.target}"
    return Explained(title, tuple(summary), facts, tuple(steps), tuple(remarks), tuple(differs))


def _no_alarm(past: Past, number: int) -> str:
    highest = max((e.occurrence for e in past.reader.journal()), default=0)
    held = f"The log holds alarms 1 to {highest}." if highest else "The log holds no alarm yet."
    return f"There is no alarm {number}. {held} `waterside status` lists those that stand."


def _group_of(past: Past, e: Entry) -> StoredGroup | None:
    for number in past.reader.last_at(e.at_ms):
        for n, stored in enumerate(past.reader.groups_before(number)):
            if e in stored.journal:
                return stored
            if n > 3 or stored.group.at_ms < e.at_ms:
                break
    return None


def _start(past: Past, stored: StoredGroup) -> int:
    """The group from which on readings are looked at."""
    number = stored.group.number
    for n, back in enumerate(past.reader.groups_before(number)):
        number = back.group.number
        if n >= LEAD:
            break
    return number


class _Trail:
    """What the engine's alarm saw on the way to its raise, poll by poll, where it judged."""

    def __init__(self, first: Entry) -> None:
        self.identity = (first.target, first.kind, first.name)
        self.first = first
        self.rows: list[tuple[int, float | str | None, int, bool]] = []  # at, value, reason, beyond since some time
        self.raised_again = False
        self._since = -1

    def see(self, stored: StoredGroup, state: State, outcome: GroupOutcome) -> None:
        for alarm, c in zip(state.programme.alarms, state.cells.alarms, strict=True):
            if alarm.identity != self.identity:
                continue
            self._take(stored, state, alarm, c)
        self.raised_again = any(
            (e.target, e.kind, e.name, e.event) == (*self.identity, self.first.event) for e in outcome.journal
        )

    def _take(self, stored: StoredGroup, state: State, alarm: Alarm, c: AlarmCell) -> None:
        s = state.cells.senses
        value: float | str | None = c.value
        if contacts := _contacts(alarm):
            value = ", ".join(f"{name} {_on(s.contacts[slot].on)}" for name, slot in contacts)
        if isinstance(alarm.condition, Limit):
            smp = s.boilers[alarm.boiler].sampler
            if not (smp.fresh or smp.ended):
                return
            value = smp.value
        pending = c.on_ms >= 0 or (c.memo_ms >= 0 and isinstance(alarm.condition, Limit))
        reason = alarm.condition.reading_reason(s)
        self.rows.append((stored.group.at_ms, value, reason, pending))


def _on(on: int | None) -> str:
    return "not read yet" if on is None else "closed" if on else "open"


def _contacts(alarm: Alarm) -> list[tuple[str, int]]:
    """The contacts an alarm judges: what each is, and its slot; none when it judges something else."""
    x = alarm.condition
    if isinstance(x, ContactSays):
        return [("contact", x.role.slot)]
    if isinstance(x, InterlockOpen):
        return [("contact", x.wiring.running.slot)]
    if isinstance(x, StuckShut | StuckOpen):
        w = x.wiring
        wired = (("command", w.command), ("open switch", w.open_switch), ("shut switch", w.shut_switch))
        return [(name, role.slot) for name, role in wired if role.slot >= 0]
    return []


# ---------------------------------------------------------------------- steps


def _condition(scene: Scene, e: Entry, alarm: Alarm | None) -> Step:
    kind = KINDS[e.kind]
    says = [kind.means]
    if alarm is not None:
        says.append(f"judged: {judged(alarm)}")
    else:
        says.append("this program's plant no longer has this alarm: it was removed or is not enabled")
    return Step("Condition", tuple(says), source=f"kind {e.kind}; alarm terms of IEC 62682 / ISA-18.2")


def _delays(scene: Scene, alarm: Alarm) -> Step:
    says = [
        f"raised once the condition has held for {minutes(alarm.on_delay_ms)}, cleared once it has not for "
        f"{minutes(alarm.off_delay_ms)}"
    ]
    source = []
    for key in ("on_delay", "off_delay"):
        given = scene.places.given("alarms", alarm.kind, key)
        source.append(f"{key}: {scene.places.where('alarms', alarm.kind, key) if given else PRACTICE}")
    if isinstance(alarm.condition, Limit):
        x = alarm.condition
        rule = x.wiring.sample_rule
        if rule.valve_known and rule.arrangement not in ("continuous", "side-stream"):
            says = [
                f"arrangement {rule.arrangement}: high or low after {minutes(x.patience_ms)} of open, flushed valve, "
                f"at the end of an opening, or at two samples running; very high after {minutes(MINUTE_MS)} of flushed "
                "readings, or at the end of a shorter opening"
            ]
            says.append(f"cleared by {minutes(MINUTE_MS)} of readings inside the deadband, or the last of an opening")
        says.append("judged once per new representative reading: between readings nothing raises or clears")
    if alarm.target in {a.name for a in scene.plant.analogues} and alarm.kind.startswith("analogue"):
        i = next(k for k, a in enumerate(scene.plant.analogues) if a.name == alarm.target)
        source[0] = f"delay: {scene.places.or_default('analogue', i, 'delay')}"
    if alarm.mails_after_ms:
        i = next(k for k, b in enumerate(scene.plant.boilers) if b.name == alarm.target)
        says.append(f"mailed only when it stands for {minutes(alarm.mails_after_ms)}: a blow by hand shows the same")
        source.append(f"mail: {scene.places.where('boiler', i, 'hand_blow')}")
    return Step("On-delay and off-delay", tuple(says), source="; ".join(source))


def _quality(scene: Scene, alarm: Alarm, trail: _Trail) -> Step:
    says = ["a bad reading never clears it, and starts it only where the bad reading is itself the alarm"]
    if alarm.never_hidden:
        says.append("it is never held back, folded or put aside")
    elif alarm.suppressed_when_off:
        says.append("it is held back while the boiler is not steaming, and judged anew when it steams again")
    if trail.rows:
        reason = trail.rows[-1][2]
        says.append(f"the reading it was raised on: {words(reason)}")
    return Step(
        "Quality", tuple(says), source="suppression by design as in IEC 62682 / ISA-18.2; else rules of this program"
    )


def _values(scene: Scene, e: Entry, trail: _Trail) -> Step:
    rows = trail.rows
    begin = len(rows) - 1
    while begin > 0 and rows[begin - 1][3]:
        begin -= 1
    shown = rows[max(0, begin - 2) :]
    skipped = 0
    if len(shown) > ROWS:
        skipped = len(shown) - ROWS
        shown = [*shown[: ROWS // 2], *shown[-ROWS // 2 :]]
    lines: list[tuple[str, str]] = []
    for k, (at, value, reason, pending) in enumerate(shown):
        if skipped and k == ROWS // 2:
            lines.append((f"... {skipped} more", ""))
        text = value if isinstance(value, str) else "-" if value is None else scene.both(value, e.unit)
        lines.append((f"{scene.hour(at)}  {text}", f"{'beyond' if pending else 'within'}  {words(reason)}"))
    width = max((len(left) for left, right in lines if right), default=0)
    table = [f"{left:<{width}}  {right}".rstrip() for left, right in lines]
    head = "what was judged, poll by poll, up to the raise (worked out again from the stored counts):"
    return Step("Values in the delay", (head,), rows=tuple(table))


def _history(scene: Scene, entries: tuple[Entry, ...]) -> Step:
    rows = []
    for e in entries:
        by = f" by {e.by}" if e.by else ""
        rows.append(f"{scene.clock(e.at_ms)}  {_EVENTS.get(e.event, e.event)}{by}: {e.state}")
        if e.evidence and e.event != "raised":
            rows.append(f"                         {e.evidence}")
    return Step("States", source="alarm journal; states of IEC 62682 / ISA-18.2", rows=tuple(rows))


def _mails(scene: Scene, number: int) -> Step:
    rows = []
    for mail in scene.reader.mails():
        if not (events := _of_alarm(mail.key, mail.body, number)):
            continue
        done = f" {scene.clock(mail.done_ms)}" if mail.done_ms is not None else ""
        rows.append(f"{events}: {mail.recipient}, {mail.state}{done}{f' ({mail.note})' if mail.note else ''}")
    for notice in scene.reader.notices():
        if notice.dealt_ms is None and notice.key.startswith(f"{number}."):
            rows.append(f"{notice.key.partition('.')[2]}: not told yet (quiet hours, a flood, or no mail server)")
    return Step(
        "Who was mailed",
        () if rows else ("nobody: this kind of alarm is not mailed, or was not told",),
        rows=tuple(rows),
    )


def _of_alarm(key: str, body: str, number: int) -> str:
    """What a stored mail told of an alarm: "raised", "raised (reminder)"; "" when it told nothing of it."""
    told = json.loads(body).get("telling")
    if told is None:  # of an earlier version: one notice, and its number in the key
        return key.partition(".")[2].partition(">")[0] if key.startswith(f"{number}.") else ""
    notices = told.get("notices", ())
    events = [str(n["event"]) for n in notices if n["occurrence"] == number]
    if not events:
        return ""
    why = [w for w in (told["why"] if told["why"] != "news" else "", "short copy" if told.get("short") else "") if w]
    if len(notices) > 1:
        why.append(f"with {len(notices) - 1} more")
    return " and ".join(events) + (f" ({', '.join(why)})" if why else "")


def _means(kind: str) -> Step:
    k = KINDS[kind]
    return Step(
        "What it may mean",
        (
            f"gets worse: {k.consequence}",
            f"likely causes: {'; '.join(k.causes)}",
            f"look first at: {' '.join(k.first_checks)}",
            k.caution,
        ),
        source=PRACTICE,
    )
