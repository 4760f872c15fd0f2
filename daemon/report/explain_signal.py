"""How the reading of one channel came about: as read, current, verdict on the loop, range; contacts and counters.

Every value and verdict here is worked out by the functions of `daemon.measure` that the engine's loop is made of.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from config.bus import Channel, Link, Module
from daemon.core.reasons import quality, words
from daemon.core.say import minutes
from daemon.core.scan import Count
from daemon.core.tags import RawTag, raw_tags
from daemon.measure import current_loop as loop
from daemon.measure import printed
from daemon.measure.wiring import CONTACT, Use
from daemon.report.explain_parts import Step, num
from daemon.report.explain_past import Scene

FUNCTION_CODES: Final = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
LINEAR: Final = "linear 4-20 mA relation; {}"


@dataclass(frozen=True, slots=True)
class Taken:
    """A channel's count in a group, with the verdict stored for it."""

    count: Count | None
    verdict: int
    fault: int
    delay_ms: int


_KEYS: Final = {("boiler", "probe"): "conductivity", ("meter", "pulses"): "channel"}
"""Where a tag's name is not the key of the plant file."""


def taken(scene: Scene, tag: RawTag) -> Taken | None:
    """What the scene's group holds of a channel, None when its module was not asked in it."""
    for scan, verdicts in zip(scene.group.scans, scene.stored.verdicts, strict=True):
        if scan.module == tag.module:
            k = tag.channel
            return Taken(scan.counts[k], verdicts[k], scan.faults[k], scan.delay_ms)
    return None


def path_of(scene: Scene, tag: RawTag) -> tuple[str | int, ...]:
    """Where the plant file says what a tag is."""
    plant, (head, _, key) = scene.plant, tag.name.partition(".")
    lists: tuple[tuple[str, Any], ...] = (
        ("boiler", plant.boilers),
        ("meter", plant.meters),
        ("tank", plant.tanks),
        ("chemical", plant.chemicals),
        ("analogue", plant.analogues),
    )
    for table, items in lists:
        for i, item in enumerate(items):
            if item.name != tag.target or not tag.target or head != item.name:
                continue
            if table == "boiler" and key.startswith("valve_"):
                return table, i, "blowdown_valve", key.removeprefix("valve_")
            named = _KEYS.get((table, key), key)
            return (table, i, named) if named else (table, i)
    m = plant.modules[tag.module]
    return "module", tag.module, "channels", tuple(m.channels)[tag.channel]


def raw_tag(scene: Scene, name: str) -> RawTag | None:
    """A signal of the scene's plant by its name."""
    return next((t for t in raw_tags(scene.plant) if t.name == name), None)


def use_of(scene: Scene, tag: RawTag) -> Use | None:
    """How the engine's loop uses a tag's channel."""
    w = scene.now.state.programme.wiring
    kind, slot = w.tag_slots[w.tags.index(tag)]
    return next((u for u in w.uses[tag.module] if u[1] == kind and u[2] == slot), None)


# ---------------------------------------------------------------------- steps


def as_read(scene: Scene, tag: RawTag, t: Taken) -> Step:
    """The count, and by which wire and question it came."""
    module = scene.plant.modules[tag.module]
    channel = tuple(module.channels.values())[tag.channel]
    link = next(x for x in scene.plant.links if x.name == module.link)
    name = tag.ref.partition(".")[2]
    if t.count is None:
        what = f"no count: {words(t.fault)}"
    elif channel.type == "bit":
        what = f"{int(t.count)} ({'closed' if t.count else 'open'})"
    else:
        what = f"{num(t.count) if isinstance(t.count, int) else repr(t.count)}" + (
            "" if channel.field else " counts" if tag.kind == "analogue" and tag.range else ""
        )
    says = [
        f"{what}, at {scene.clock(scene.group.at_ms)}" + (f", answered {t.delay_ms} ms later" if t.delay_ms else "")
    ]
    says.append(_way(module, channel, link, name))
    return Step(
        "As read",
        tuple(says),
        source=f"channel {tag.ref}: {scene.places.where('module', tag.module, 'channels', name)}",
    )


def _way(module: Module, channel: Channel, link: Link, name: str) -> str:
    where = link.device or f"{link.host}:{link.port}"
    if channel.field:
        asked = f"prompt {module.prompt!r}" if module.prompt else "it prints by itself"
        return (
            f"number {channel.field!r} of a printed line of {module.name} on link {link.name} ({link.kind}, {where}); "
            f"{asked}"
        )
    last = f"..{channel.end - 1}" if channel.registers > 1 else ""
    kind = f"bit {channel.bit} of the register" if channel.bit is not None else channel.type
    order = f", words {channel.words}" if channel.registers > 1 else ""
    order += ", bytes low first" if channel.bytes == "low first" else ""
    return (
        f"module {module.name}, unit {module.unit} on link {link.name} ({link.kind}, {where}); {channel.function} "
        f"(function {FUNCTION_CODES[channel.function]}), address {channel.address}{last}, {kind}{order}; asked every "
        f"{module.every:g} s"
    )


def analogue(scene: Scene, tag: RawTag, t: Taken) -> list[Step]:
    """From the count to the value before anything is made of it: current, verdict on the loop, range."""
    if t.count is None:
        return []
    if tag.range is not None and tag.range.direct:
        return [_printed(scene, tag, t.count)]
    ma = loop.milliamps(t.count, tag.span)
    name = tag.ref.partition(".")[2]
    if s := tag.span:
        current = Step(
            "Current",
            formula="I = low mA + (count - low count) x (high mA - low mA) / (high count - low count)",
            worked=f"{num(s.low_ma)} + ({num(t.count)} - {num(s.low_count)}) x ({num(s.high_ma)} - {num(s.low_ma)}) / "
            f"({num(s.high_count)} - {num(s.low_count)}) = {num(ma)} mA",
            source=f"span of the channel: {scene.places.where('module', tag.module, 'channels', name, 'span')}",
        )
    else:
        current = Step("Current", (f"the count is the current itself: {num(ma)} mA (the channel has no span)",))
    return [current, _verdict(ma, tag), *_range(scene, tag, t.count, ma)]


def _verdict(ma: float, tag: RawTag) -> Step:
    live = loop.has_live_zero(tag.range)
    why = int(loop.loop_reason(ma, live))
    bands = (
        f"limits: loop open at {loop.OPEN_MA} mA or less, under range below {loop.LOWEST_MA} mA, over range above "
        f"{loop.HIGHEST_MA} mA, loop short at {loop.SHORT_MA:g} mA or more"
    )
    if not live:
        bands += "; the range begins below 3.8 mA, so the two low limits do not apply: a broken wire reads as zero"
    return Step(
        "Verdict on the loop",
        (f"{num(ma)} mA: {words(why)}" + ("" if why else f" ({loop.LOWEST_MA} to {loop.HIGHEST_MA} mA)"), bands),
        source="NAMUR NE 43; that 3.6 and 21 mA themselves are failures: common practice",
    )


def _range(scene: Scene, tag: RawTag, count: Count, ma: float) -> list[Step]:
    reading = loop.to_reading(count, tag, scene.group.at_ms)
    if tag.range is None:
        return []
    r, path = tag.range, path_of(scene, tag)
    where = scene.places.where(*path, "range") if scene.places.given(*path, "range") else scene.places.where(*path)
    title = "Value by the transmitter's range"
    if reading.value is None:
        return [Step(title, ("none: a loop that failed has no value",), source=f"range: {where}")]
    line = loop.line(tag)
    ends = [scene.both(x, tag.unit) for x in (r.low, r.high)]
    says = f"{num(r.low_ma)}..{num(r.high_ma)} mA = {ends[0]} .. {ends[1]}"
    return [
        Step(
            title,
            (says,),
            "value = low + (I - low mA) x (high - low) / (high mA - low mA), in one step from the count",
            f"{num(r.low)} + ({num(ma)} - {num(r.low_ma)}) x ({num(r.high)} - {num(r.low)}) / ({num(r.high_ma)} - "
            f"{num(r.low_ma)}) = {num(line.low)} + ({num(count)} - {num(line.zero)}) x {num(line.gain)} = "
            f"{scene.both(reading.value, reading.unit)}",
            LINEAR.format(f"range: {where}"),
        )
    ]


def _printed(scene: Scene, tag: RawTag, count: Count) -> Step:
    r = tag.range
    assert r is not None
    reading = loop.to_reading(count, tag, scene.group.at_ms)
    zero, low, gain = printed.straight(r)
    least, most = printed.ends(r)
    path = path_of(scene, tag)
    return Step(
        "Value by the instrument's own unit",
        (
            f"there is no loop behind a printed number; it is good from {num(least)} to {num(most)} {r.unit} (the "
            f"range and {printed.OUTSIDE:.0%} of it): {words(reading.reason)}",
        ),
        f"value = number x factor of {r.unit}",
        f"{num(low)} + ({num(count)} - {num(zero)}) x {num(gain)} = {scene.both(reading.value or 0.0, reading.unit)}",
        f"range: {scene.places.where(*path, 'range')}; {printed.OUTSIDE:.0%}: common practice, no source",
    )


def contact(scene: Scene, tag: RawTag) -> list[Step]:
    """What a contact means, and since when it is believed."""
    path, steps = path_of(scene, tag), []
    if tag.closed_means:
        above = path[:2] if path[0] == "chemical" else path
        where = scene.places.or_default(*above, "closed_means")
        steps.append(Step("Meaning", (f"closed means: {tag.closed_means}",), source=where))
    use = use_of(scene, tag)
    if use is None or use[1] != CONTACT:
        return steps
    c, debounce = scene.now.state.cells.senses.contacts[use[2]], use[4]
    if c.on is None:
        says = ["it has not been read yet"]
    else:
        since = "since" if c.began else "since it was first read,"
        says = [f"believed {'closed' if c.on else 'open'} {since} {scene.hour(c.since_ms)}"]
    if c.turning:
        says.append(
            f"it has read {'open' if c.on else 'closed'} since {scene.hour(c.turning_ms)}, not yet for "
            f"{minutes(debounce)}"
        )
    says.append(
        f"a change counts once it has been read for {minutes(debounce)} in two polls or more, dated at the first"
        if debounce
        else "no debounce: one poll is enough"
    )
    steps.append(Step("Believed", tuple(says), source=f"debounce: {scene.places.or_default(*path, 'debounce')}"))
    return steps


def told(reason: int) -> str:
    """A quality with its reason in words."""
    return quality(reason).value + (f": {words(reason)}" if reason else "")
