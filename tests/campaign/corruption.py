"""Damage injected into the byte stream, in memory and without waiting: is a wrong value ever taken as good?

Exchanges go through the very state machine of a line (`drivers.modbus.talk.Talk`, RTU and ASCII) and the very cutter of
TCP (`drivers.modbus.tcp.Frames`); time is counted, never waited for. Frames are built here, by code that shares nothing
with the program. Each exchange has true values of its own, so that an answer to another request is a wrong value.

What cannot be seen is computed apart: a damaged frame whose checksum happens to be right again. A wrong value counts
as that only where the very frame it was taken from lies in the damaged bytes, whole and with a right check worked out
here; any other is wrong. For RTU it is about one damaged frame in 65 536 (none at all for up to three flipped bits in
a short frame, or one burst of 16 bits); for ASCII one in 256 of those whose characters are still digits. TCP's payload
has no checksum of its own: headers are damaged, not payload. A late answer counts as wrong if it came within the
module's declared worst answer time; beyond that the exposure is counted and printed.
"""

from __future__ import annotations

import os
import random
import struct
import sys
from collections import Counter
from dataclasses import dataclass, field

from config.model import Channel, Link
from drivers.contract import Pick, ReadPlan, Request
from drivers.modbus.functions import Refusal, items, shape
from drivers.modbus.poll import Ask, ready
from drivers.modbus.talk import ASCII, RTU, Framing, Talk
from drivers.modbus.tcp import Frames

WORST_S = 0.4  # the module's declared worst answer time
UNIT, OTHER = 7, 9
LEAST = 1_000
LINE_KINDS = (
    "bits flipped",
    "bytes dropped",
    "bytes doubled",
    "answers swapped",
    "late, within",
    "late, beyond",
    "noise",
    "echo",
    "another master",
)
DAMAGE = ("bits flipped", "bytes dropped", "bytes doubled", "noise")  # the rest is whole frames in the wrong place
TCP_KINDS = ("header damaged", "transaction wrong", "cut", "late")


def crc16(data: bytes) -> bytes:
    """CRC-16 of the serial-line guide, bit by bit, low byte first (MB-041)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return struct.pack("<H", register)


def rtu(unit: int, pdu: bytes) -> bytes:
    body = bytes((unit,)) + pdu
    return body + crc16(body)


def ascii_(unit: int, pdu: bytes) -> bytes:
    body = bytes((unit,)) + pdu
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


@dataclass
class Tally:
    """Injected, detected, unseen by the checksum, and wrong, per kind."""

    injected: Counter[str] = field(default_factory=Counter)
    unharmed: Counter[str] = field(default_factory=Counter)  # the true values arrived all the same
    blind: Counter[str] = field(default_factory=Counter)  # wrong values behind a right checksum
    wrong: Counter[str] = field(default_factory=Counter)  # wrong values that should have been seen

    def detected(self, kind: str) -> int:
        """How often the damage led to no wrong value: refused, or skipped and the true values read all the same."""
        return self.injected[kind] - self.blind[kind] - self.wrong[kind]


class LineCampaign:
    """Exchanges with one unit on one line; `now` is counted seconds."""

    def __init__(self, framing: Framing, chance: random.Random, tally: Tally, name: str) -> None:
        kind = "modbus-rtu" if framing is RTU else "modbus-ascii"
        self.link = Link.model_validate(
            {"name": "l", "kind": kind, "device": "/dev/null", "baud": 19200, "timeout": "100 ms"}
        )
        self.framing, self.chance, self.tally, self.name = framing, chance, tally, name
        self.build = rtu if framing is RTU else ascii_
        self.talk = Talk(self.link, framing)
        self.talk.opened(0.0)
        self.now = 1.0

    def _plan(self) -> tuple[ReadPlan, Ask, list[int]]:
        n = self.chance.choice((1, 2, 4))
        function = self.chance.choice(("input", "holding"))
        channels = [
            Channel.model_construct(
                function=function, address=i, type="u16", bit=None, words="high first", bytes="high first", span=None,
                not_available=None, number=None,
            )
            for i in range(n)
        ]  # fmt: skip
        picks = tuple(Pick(0, i, c) for i, c in enumerate(channels))
        plan = ReadPlan("m", UNIT, (Request(function, 0, n),), picks, answers_within=WORST_S)
        return plan, ready(plan).asks[0], [self.chance.randrange(65536) for _ in range(n)]

    def _answer(self, ask: Ask, values: list[int], unit: int = UNIT) -> bytes:
        pdu = bytes((ask.shape.code, 2 * len(values))) + struct.pack(f">{len(values)}H", *values)
        return self.build(unit, pdu)

    def _begin(self) -> tuple[ReadPlan, Ask, list[int]]:
        plan, ask, values = self._plan()
        self.now = max(self.now, self.talk.free_at(UNIT)) + 0.001
        self.talk.calm(self.now)
        self.request = self.talk.ask(ask, plan, self.now)
        return plan, ask, values

    def _end(self, kind: str, ask: Ask, values: list[int], sent: bytes) -> None:
        """Hand the bytes over in pieces; judge what comes of it."""
        at = 0
        got = None
        while at < len(sent) and got is None:
            step = self.chance.choice((1, 3, len(sent)))
            self.now += 0.001
            got = self.talk.hear(sent[at : at + step], self.now)
            at += step
        if at < len(sent):
            self.talk.disturb(sent[at:], self.now + 0.001)
        if got is None:
            self.now = self.talk.deadline + 0.001
            got = self.talk.over(self.now)
        self._judge(kind, ask, values, got, sent)

    def _judge(self, kind: str, ask: Ask, values: list[int], got: object, sent: bytes) -> None:
        if isinstance(got, Refusal):
            return
        assert isinstance(got, (list, tuple))
        if list(got) == values:
            self.tally.unharmed[kind] += 1
        elif kind.split(": ")[1] in DAMAGE and self._answer(ask, list(got)) in sent:
            self.tally.blind[kind] += 1
        else:
            self.tally.wrong[kind] += 1

    def exchange(self, what: str) -> None:
        """One exchange with one kind of damage."""
        kind = f"{self.name}: {what}"
        self.tally.injected[kind] += 1
        if what.startswith("late"):
            self._late(kind, beyond=what.endswith("beyond"))
            return
        _, ask, values = self._begin()
        frame = bytearray(self._answer(ask, values))
        if what == "bits flipped":
            for _ in range(self.chance.choice((1, 2, 3, 8, 24))):
                frame[self.chance.randrange(len(frame))] ^= 1 << self.chance.randrange(8)
        elif what == "bytes dropped":
            for _ in range(self.chance.choice((1, 2, 4))):
                if frame:
                    del frame[self.chance.randrange(len(frame))]
        elif what == "bytes doubled":
            for _ in range(self.chance.choice((1, 2, 4))):
                i = self.chance.randrange(len(frame))
                frame[i:i] = frame[i : i + 1]
        elif what == "answers swapped":
            frame = bytearray(self._answer(ask, [self.chance.randrange(65536) for _ in values], OTHER))
        elif what == "echo":
            frame = bytearray(self.request + (frame if self.chance.random() < 0.5 else b""))
        elif what == "another master":  # asks the same unit for other registers of the same number
            asks = self.build(UNIT, struct.pack(">BHH", ask.shape.code, self.chance.randrange(1, 65000), len(values)))
            frame[0:0] = asks + self._answer(ask, [self.chance.randrange(65536) for _ in values])
        else:
            noise = bytes(self.chance.randrange(256) for _ in range(self.chance.randrange(1, 12)))
            frame[0:0] = noise
        self._end(kind, ask, values, bytes(frame))

    def _late(self, kind: str, *, beyond: bool) -> None:
        """No answer in time; it comes while the next request is due or waits."""
        _, ask, old = self._begin()
        sent = self.now
        self.now = self.talk.deadline + 0.0001
        self.talk.over(self.now)
        took = WORST_S * (self.chance.uniform(1.2, 3.0) if beyond else self.chance.uniform(0.3, 0.98))
        arrives = max(sent + took, self.now + 0.0005)
        free = self.talk.free_at(UNIT)
        if arrives < free:
            self.talk.disturb(self._answer(ask, old), arrives)
            self.now = max(self.now, arrives)
            _, ask2, values = self._begin()
            self._end(kind, ask2, values, self._answer(ask2, values))
            return
        _, ask2, values = self._begin()
        late = self._answer(ask, old)
        self._end(kind, ask2, values, late + self._answer(ask2, values))


def tcp(chance: random.Random, tally: Tally, what: str) -> None:
    """One exchange over TCP with damage that a stream can suffer."""
    kind = f"TCP: {what}"
    tally.injected[kind] += 1
    n = chance.choice((1, 2, 4))
    wanted = shape(Request("input", 0, n))
    values, old = ([chance.randrange(65536) for _ in range(n)] for _ in range(2))
    tid = chance.randrange(1, 65536)

    def adu(transaction: int, content: list[int]) -> bytes:
        pdu = bytes((4, 2 * n)) + struct.pack(f">{n}H", *content)
        return struct.pack(">HHHB", transaction, 0, 1 + len(pdu), UNIT) + pdu

    stream = bytearray(adu(tid, values))
    if what == "header damaged":
        stream[chance.randrange(9)] ^= 1 << chance.randrange(8)  # MBAP, function code, byte count
    elif what == "transaction wrong":
        stream = bytearray(adu((tid + chance.randrange(1, 65535)) % 65536, old))
    elif what == "cut":
        del stream[chance.randrange(len(stream)) :]
    else:
        stream[0:0] = adu((tid - 1) % 65536, old)  # the answer to the request before comes first
    frames = Frames()
    _, arrived = frames.handleFrame(bytes(stream), UNIT, tid)
    if arrived is None or getattr(arrived, "why", ""):
        return
    got = items(arrived.pdu, wanted)  # type: ignore[attr-defined]
    if isinstance(got, Refusal):
        return
    if list(got) == values:
        tally.unharmed[kind] += 1
    else:
        tally.wrong[kind] += 1


def main(quick: bool) -> dict[str, object]:
    """At least 100 000 exchanges, or a tenth of the least with `quick`."""
    seed = int(os.environ.get("WATERSIDE_SEED", "0")) or random.SystemRandom().randrange(1, 2**31)
    print(f"seed {seed} (WATERSIDE_SEED={seed} repeats the choices)", file=sys.stderr)
    chance = random.Random(seed)
    tally = Tally()
    each = 1_000 if quick else 6_000
    for framing, name in ((RTU, "RTU"), (ASCII, "ASCII")):
        line = LineCampaign(framing, chance, tally, name)
        for what in LINE_KINDS:
            for _ in range(each):
                line.exchange(what)
    for what in TCP_KINDS:
        for _ in range(each):
            tcp(chance, tally, what)
    # a late answer beyond the declared worst answer time: nothing in the bytes tells it from the right one
    beyond = {k: tally.wrong.pop(k, 0) for k in ("RTU: late, beyond", "ASCII: late, beyond")}
    tally.blind.update(beyond)
    for kind, count in tally.injected.items():
        print(
            f"{kind:26} injected {count:6}  detected {tally.detected(kind):6} (true values all the same "
            f"{tally.unharmed[kind]:6})  undetected {tally.blind[kind]:4}  wrong {tally.wrong[kind]:3}",
            file=sys.stderr,
        )
    damaged = {n: sum(tally.injected[f"{n}: {k}"] for k in DAMAGE) for n in ("RTU", "ASCII")}
    blind = {n: sum(tally.blind[f"{n}: {k}"] for k in DAMAGE) for n in ("RTU", "ASCII")}
    wrong = sum(tally.wrong.values())
    expected = {"RTU": damaged["RTU"] / 65_536, "ASCII": damaged["ASCII"] / 256}
    exposure = {k: round(n / tally.injected[k], 3) for k, n in beyond.items()}
    for name, check in (("RTU", "CRC-16"), ("ASCII", "the LRC")):
        print(
            f"{name}: {check} is expected to miss at most {expected[name]:.2f} of {damaged[name]} damaged answers; "
            f"it missed {blind[name]}",
            file=sys.stderr,
        )
    print(f"late by 1.2 to 3 times the declared worst answer time: share taken {exposure}", file=sys.stderr)
    within = all(blind[n] <= expected[n] + 5 * max(1.0, expected[n] ** 0.5) for n in blind)
    enough = min(tally.injected.values()) >= LEAST
    total = sum(tally.injected.values())
    return {
        "passed": wrong == 0 and within and enough and (quick or total >= 100_000),
        "wrong_values_accepted": wrong,
        "exchanges": total,
        "unseen_by_the_checksum": blind,
        "bound_expected": {k: round(v, 2) for k, v in expected.items()},
        "late_beyond_the_declared_time_taken": beyond,
        "exposure_beyond_the_declared_time": exposure,
        "tally": {
            kind: {"injected": n, "detected": tally.detected(kind), "undetected": tally.blind[kind] + tally.wrong[kind]}
            for kind, n in tally.injected.items()
        },
        "least_injected": min(tally.injected.values()),
        "seed": seed,
    }
