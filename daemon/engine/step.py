"""The one pure step: groups in, a new state and what they lead to out.

No I/O, no clock, no globals. Live it takes one group, in a replay thousands; the outcome is the same however a
recording is cut. The state given is never changed: the step works on a clone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from daemon.alarms.by_hand import OutOfRange, Overdue
from daemon.alarms.condition import Alarm, AlarmCell, delayed, forget, running
from daemon.alarms.folding import follows
from daemon.alarms.kinds import KINDS
from daemon.alarms.table import LATCHED, STANDING, Cue, Event, move
from daemon.alarms.table import State as Life
from daemon.alarms.withheld import HAND_WORK, hand_work, out_of_service
from daemon.core.outcome import Calibration, Entry, GroupOutcome, ManualReading, Notice, Standing
from daemon.core.reasons import quality
from daemon.core.say import minutes
from daemon.core.scan import Group
from daemon.core.tags import STATES
from daemon.engine.acts import apply
from daemon.engine.setting_aside import clock, contradicted, ended
from daemon.engine.state import Asking, Cells, Programme, State
from daemon.measure.aside import every as said
from daemon.measure.boiler_state import STEAMING
from daemon.measure.senses import FACTS, take

GAP_TOLD_MS: Final = 5 * 60_000  # a shorter gap is journalled, not mailed
_NORMAL: Final = Life.NORMAL.value
_SUPPRESSED: Final = Life.SUPPRESSED.value
_UNACKNOWLEDGED: Final = Life.UNACKNOWLEDGED.value
_SHELVED: Final = Life.SHELVED.value
_OUT: Final = Life.OUT_OF_SERVICE.value
_QUIET: Final = frozenset({Life.SHELVED.value, Life.SUPPRESSED.value, Life.OUT_OF_SERVICE.value})
_LATCHED: Final = frozenset(x.value for x in LATCHED)
_STANDING: Final = frozenset(x.value for x in STANDING)
_BY_HAND: Final = frozenset(kind for kinds in HAND_WORK.values() for kind in kinds)
_CAUSES: Final = frozenset({"link_down", "module_silent", "low_water", "lockout"})
_GAP: Final = FACTS.index("logger_gap")


def step(state: State, groups: Sequence[Group]) -> tuple[State, tuple[GroupOutcome, ...]]:
    """Take groups in order. Returns the state after them and one outcome for each."""
    cells = state.cells.clone()
    outcomes = tuple(_Step(state.programme, cells, group).run() for group in groups)
    return State(state.programme, state.version, cells), outcomes


class _Step:
    """One group on its way through: collects what it leads to."""

    __slots__ = ("acts", "all_stored", "calibrations", "cells", "changed", "group", "journal", "manual", "notices", "p")

    def __init__(self, p: Programme, cells: Cells, group: Group) -> None:
        self.p, self.cells, self.group = p, cells, group
        self.journal: list[Entry] = []
        self.notices: list[Notice] = []
        self.acts: list[tuple[int, str]] = []
        self.calibrations: list[Calibration] = []
        self.manual: list[ManualReading] = []
        self.changed: set[int] = set()
        self.all_stored = False

    def run(self) -> GroupOutcome:
        cells, group, senses = self.cells, self.group, self.cells.senses
        self._gap()
        if senses.outs or senses.words or senses.hands or cells.shelved:
            ended(self)
        for act in group.acts:
            self.acts.append((act.number, apply(self, act)))
        taken = take(senses, self.p.wiring, group)
        for boiler, text in taken.cutoffs:
            self.journal.append(Entry(group.at_ms, 0, boiler, "cutoff_test", "", "note", "", "", evidence=text))
        if senses.words:
            contradicted(self)
        if senses.aside_new:
            self._aside()
        if self.all_stored:
            senses.ended = group.segment
        self._judge(self._asked())
        if senses.minute:
            if self.p.late:
                self._late()
            self._outlasted()
        cells.number = group.number
        senses.results_new = senses.aside_new = False
        return GroupOutcome(
            number=group.number,
            verdicts=tuple(taken.verdicts),
            derived=tuple(taken.derived),
            journal=tuple(self.journal),
            standing=tuple(self._standing(i) for i in sorted(self.changed)),
            blows=tuple(taken.blows),
            notices=tuple(self.notices),
            acts=tuple(self.acts),
            calibrations=tuple(self.calibrations),
            manual=tuple(self.manual),
        )

    def _asked(self) -> Sequence[Asking]:
        """The alarms to ask in this group, in plant-file order."""
        cells, senses, p = self.cells, self.cells.senses, self.p
        event = senses.event or senses.aside_new or senses.results_new or bool(self.journal or self.acts)
        if event or cells.fresh:
            cells.fresh = False
            return p.asks
        some = p.asks_minute if senses.minute else p.asks_group
        if not cells.pending:
            return some
        return [p.asks[i] for i in sorted({*(ask.i for ask in some), *cells.pending})]

    def _judge(self, asks: Sequence[Asking]) -> None:
        """Ask alarms in turn; what came of it goes through delays and life cycle."""
        alarms, senses = self.cells.alarms, self.cells.senses
        boilers, t = senses.boilers, senses.t
        pending = []
        for i, alarm, judge, boiler, on_delay_ms, off_delay_ms, lazy in asks:
            c = alarms[i]
            if c.state == _OUT:
                continue
            if boiler >= 0:
                if boilers[boiler].state.state != STEAMING:
                    if c.state == _SHELVED or c.state in _LATCHED:
                        forget(c)
                    elif c.state != _SUPPRESSED:
                        self._suppress(i, alarm, c)
                    continue
                if c.state == _SUPPRESSED:
                    self._cue(i, alarm, c, Cue.RELEASE, told=c.held)
                    c.held = c.stood = False
            judged = judge(senses, c)
            turned = None
            if judged or (judged is not None and (c.active or c.on_ms >= 0)):
                turned = delayed(c, judged, on_delay_ms, off_delay_ms, t)
                if lazy and running(c):
                    pending.append(i)
            elif lazy and judged is None and running(c):
                pending.append(i)
            if turned is not None:
                cleared = Cue.CLEARED_LATCHING if alarm.latching else Cue.CLEARED
                self._cue(i, alarm, c, Cue.RAISED if turned else cleared)
            elif c.active and c.state == _NORMAL:
                self._cue(i, alarm, c, Cue.RAISED)
        self.cells.pending = tuple(pending)

    def _gap(self) -> None:
        stands = self.cells.senses.facts[_GAP].active
        for f in self.cells.senses.facts:
            if f.once:
                f.active = f.once = False
                self.cells.fresh = True
        fact, gap = self.cells.senses.facts[_GAP], self.group.gap_ms
        fact.active = fact.once = gap >= GAP_TOLD_MS
        if gap > 0:
            stood = sum(c.state not in (_NORMAL, _SUPPRESSED) for c in self.cells.alarms)
            text = f"not watching for {minutes(gap)}; {stood} alarms stood before it"
            if fact.active:
                fact.value, fact.evidence = gap / 1000, text
            if not fact.active or stands:  # a second gap right after a told one is on record too
                self.journal.append(
                    Entry(self.group.at_ms, 0, "logger", "logger_gap", "", "note", "", "low", evidence=text)
                )

    def acknowledge(self, occurrence: int, by: str) -> str:
        """Confirm the alarm of an occurrence; "" when done, else why not."""
        for i, (alarm, c) in enumerate(zip(self.p.alarms, self.cells.alarms, strict=True)):
            if c.occurrence == occurrence:
                if self._cue(i, alarm, c, Cue.ACK, by=by):
                    return ""
                return f"alarm {occurrence} is {c.state}: there is nothing to confirm"
        return f"no alarm {occurrence} stands; `waterside status` lists those that do"

    def let_go(self, occurrence: int, by: str) -> str:
        """Let go of the record of a latched alarm; "" when done, else why not."""
        for i, (alarm, c) in enumerate(zip(self.p.alarms, self.cells.alarms, strict=True)):
            if c.occurrence == occurrence:
                if self._cue(i, alarm, c, Cue.RESET, by=by, text="the record is let go of"):
                    return ""
                if c.state == Life.LATCHED_UNACKNOWLEDGED.value:
                    return (
                        f"alarm {occurrence} has cleared, nobody has confirmed it: first `waterside ack {occurrence}`"
                    )
                return f"alarm {occurrence} is {c.state}: only what has cleared and is held for a look is let go of"
        return f"no alarm {occurrence} is held; `waterside status` lists those that are"

    def put_aside(self, alarm: int, by: str, text: str) -> bool:
        """Shelve an alarm; True when its state changed."""
        return self._cue(alarm, self.p.alarms[alarm], self.cells.alarms[alarm], Cue.SHELVE, by=by, text=text)

    def take_up(self, alarm: int, by: str, text: str) -> None:
        """Shelved no more: what is for the day is judged by day, everything else at once."""
        a, c = self.p.alarms[alarm], self.cells.alarms[alarm]
        self._cue(alarm, a, c, Cue.UNSHELVE, by=by, text=text)
        if isinstance(a.condition, (OutOfRange, Overdue)):
            forget(c)

    def explained(self, alarm: int, text: str) -> None:
        """What an alarm was found by is explained: it returns, and is judged anew."""
        c = self.cells.alarms[alarm]
        self._cue(alarm, self.p.alarms[alarm], c, Cue.CLEARED, text=text)
        forget(c)

    def _aside(self) -> None:
        """Alarms out of service and back, and mails of what has outlasted work by hand."""
        senses = self.cells.senses
        outs, words, hands = (said(rows) for rows in (senses.outs, senses.words, senses.hands))
        for i, (alarm, c) in enumerate(zip(self.p.alarms, self.cells.alarms, strict=True)):
            o = out_of_service(alarm, outs, words)
            if o is not None and c.state != _OUT:
                c.held = c.state not in (_NORMAL, _SUPPRESSED) or c.held or alarm.never_hidden
                text = f"until {clock(self, o.until_at)}: {o.why}"
                self._cue(i, alarm, c, Cue.REMOVE, told=c.held, by=o.by, text=text)
                c.stood = False
                forget(c)
            elif o is None and c.state == _OUT:
                self._cue(i, alarm, c, Cue.RESTORE, told=c.held, text="judged anew")
                c.held = False
            elif c.state in _STANDING and not c.told and alarm.kind in _BY_HAND and hand_work(alarm, hands) is None:
                self._tell(alarm, c, Event.RAISED)

    def _late(self) -> None:
        """Mails of what has outlasted a blow by hand; one that somebody has confirmed meanwhile is known."""
        for i in self.p.late:
            alarm, c = self.p.alarms[i], self.cells.alarms[i]
            if c.state == _UNACKNOWLEDGED and not c.told:
                self._tell(alarm, c, Event.RAISED)

    def _cause(self, i: int) -> int:
        """The occurrence of the standing alarm that one which is raised now follows from, 0 for none."""
        alarms, cells = self.p.alarms, self.cells.alarms
        for j in self.p.causes[i]:
            cause = cells[j]
            if cause.active and cause.state in _STANDING and follows(alarms[i], alarms[j], self.cells.senses):
                where = f"{alarms[j].target}: " if alarms[j].target != alarms[i].target else ""
                cells[
                    i
                ].evidence += (
                    f"; follows from alarm {cause.occurrence}, {where}{KINDS[alarms[j].kind].title}, which came first"
                )
                return cause.occurrence
        return 0

    def _outlasted(self) -> None:
        """Mails of consequences that stand on although their cause is gone."""
        for i in self.p.following:
            c = self.cells.alarms[i]
            if not c.folded or any(
                x.occurrence == c.folded and x.active and x.state in _STANDING
                for x in (self.cells.alarms[j] for j in self.p.causes[i])
            ):
                continue
            c.folded = 0
            if c.state == _UNACKNOWLEDGED and not c.told:
                self._tell(self.p.alarms[i], c, Event.RAISED)

    def _suppress(self, i: int, alarm: Alarm, c: AlarmCell) -> None:
        c.held, c.stood = c.state != _NORMAL, c.active
        self._cue(i, alarm, c, Cue.SUPPRESS, told=c.held)
        forget(c)

    def _cue(
        self, i: int, alarm: Alarm, c: AlarmCell, cue: Cue, *, told: bool = True, by: str = "", text: str = ""
    ) -> bool:
        """Give an alarm a cue; True when its state changed."""
        moved = move(Life(c.state), cue)
        if moved is None:
            return False
        life, event = moved
        group = self.group
        if event is Event.RAISED:
            c.occurrence, self.cells.next_occurrence = self.cells.next_occurrence, self.cells.next_occurrence + 1
            c.raised_at, c.raised_ms, c.by, c.told = group.at_ms, self.cells.senses.t, "", False
            c.evidence = alarm.condition.evidence(self.cells.senses, c, self.p.system)
            c.folded = self._cause(i)
            if alarm.mails_after_ms:
                c.evidence += f"; as a blow by hand does too: mailed if it stands for {minutes(alarm.mails_after_ms)}"
            if self.cells.senses.hands:
                h = hand_work(alarm, said(self.cells.senses.hands))
                c.evidence += f"; {h.what}, says {h.by}" if h is not None else ""
        elif event is Event.ACKNOWLEDGED:
            c.by = by
        c.state = life.value
        if not told:
            return True
        self.changed.add(i)
        self.journal.append(
            Entry(
                at_ms=group.at_ms,
                occurrence=c.occurrence,
                target=alarm.target,
                kind=alarm.kind,
                name=alarm.name,
                event=event.value,
                state=c.state,
                priority=alarm.priority,
                value=c.value,
                limit=c.limit,
                unit=alarm.unit,
                evidence=text or self._evidence(alarm, c, event),
                by=by,
                quality=quality(alarm.condition.reading_reason(self.cells.senses)).value,
            )
        )
        self._tell(alarm, c, event)
        return True

    def _evidence(self, alarm: Alarm, c: AlarmCell, event: Event) -> str:
        if event is Event.RAISED:
            return c.evidence
        if event is Event.RETURNED and c.state in _LATCHED:
            return "held for a look until somebody lets go of its record"
        if event is Event.SUPPRESSED:
            return f"the boiler is {STATES[self.cells.senses.boilers[alarm.boiler].state.state]}"
        return "the boiler steams: judged anew" if event is Event.UNSUPPRESSED else ""

    def _tell(self, alarm: Alarm, c: AlarmCell, event: Event) -> None:
        """A mail for a raise, and for whatever ends an alarm whose raise was told."""
        if not alarm.mails:
            return
        if event is Event.RAISED:
            if c.folded:
                return  # part of its cause's mail; told when it outlasts that
            if self.cells.senses.hands and hand_work(alarm, said(self.cells.senses.hands)) is not None:
                return  # told when it outlasts the work
            if self.cells.senses.t - c.raised_ms < alarm.mails_after_ms:
                return  # told when it outlasts a blow by hand
            c.told = True
        elif event in (Event.RETURNED, Event.SUPPRESSED, Event.SHELVED, Event.OUT_OF_SERVICE):
            if not c.told or alarm.kind == "logger_gap":
                return
            c.told = False
        else:
            return
        senses = self.cells.senses
        reason = alarm.condition.reading_reason(senses)
        self.notices.append(
            Notice(
                occurrence=c.occurrence,
                event=event.value,
                target=alarm.target,
                kind=alarm.kind,
                name=alarm.name,
                priority=alarm.priority,
                at_ms=self.group.at_ms,
                since_ms=c.raised_at,
                value=c.value,
                limit=c.limit,
                unit=alarm.unit,
                evidence=c.evidence,
                quality=quality(reason).value,
                state=c.state,
                held_back=self._held_back(alarm, event),
                key=f"{c.occurrence}.{event.value}",
                by=c.by,
            )
        )

    def _held_back(self, alarm: Alarm, event: Event) -> tuple[str, ...]:
        """What has no mail of its own because of this alarm: held back by design, or following from it."""
        alarms, cells = self.p.alarms, self.cells.alarms
        out = []
        if alarm.kind in ("interlock_open", "lockout"):
            out = [
                KINDS[a.kind].title
                for a, c in zip(alarms, cells, strict=True)
                if a.boiler == alarm.boiler and c.stood and c.state == _SUPPRESSED
            ]
        if alarm.kind in _CAUSES and event is Event.RAISED:
            for i in self.p.following:
                if any(alarms[j] is alarm for j in self.p.causes[i]):
                    where = f"{alarms[i].target}: " if alarms[i].target != alarm.target else ""
                    out.append(where + KINDS[alarms[i].kind].title)
        return tuple(out)

    def _standing(self, i: int) -> Standing:
        a, c = self.p.alarms[i], self.cells.alarms[i]
        return Standing(
            a.target,
            a.kind,
            a.name,
            c.state,
            c.occurrence,
            a.priority,
            c.raised_at,
            c.value,
            c.limit,
            a.unit,
            c.evidence,
            c.by,
        )
