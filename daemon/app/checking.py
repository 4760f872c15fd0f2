"""`loops` in the terminal: where counts come from, where the record goes.

With a service running on the store, counts are those of its own polls and the record is an act in its log. Without
one the modules are read directly and the record becomes a file. May import: config, daemon.app.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from config.load import PlantText
from daemon.app.loops import ModuleSource, ServiceSource, inputs, summary, talk


def check_loops(source: PlantText, only: Sequence[str], by: str | None, store: Path | None) -> int:
    """Lead through the check; returns the exit code."""
    from daemon.app.ask import AskError, ask, person
    from daemon.app.service import default_options

    tags = inputs(source.plant, only)
    if not tags:
        print("No analogue input of that name. Name them as module.channel, as in the plant file.", file=sys.stderr)
        return 2
    at = default_options(source.plant, store).store
    who = person(by)
    try:
        ask(at, {"ask": "view"}, 10.0)
        served = True
    except AskError:
        served = False
    where = f"the running service of {at}" if served else "the modules directly: no service runs on this plant's store"
    print(f"{len(tags)} loop{'' if len(tags) == 1 else 's'} of {source.plant.plant.name}. Counts come from {where}.")
    reading = ServiceSource(at) if served else ModuleSource(source.plant)
    done = 0
    try:
        for record in talk(source.plant, reading, tags, _ask, print):
            record["summary"] = summary(record)
            if served:
                answer = ask(at, {"act": "loop_check", "by": who, **record}, 60.0)
                print(f"  kept as act {answer['number']}, by {who}")
            else:
                print(f"  kept in {_keep(record, who)}")
            done += 1
    except (EOFError, KeyboardInterrupt):
        print()
    except AskError as e:
        print(e, file=sys.stderr)
        return 1
    finally:
        if isinstance(reading, ModuleSource):
            reading.close()
    print(f"{done} of {len(tags)} loops checked.")
    return 0


def _ask(question: str) -> str:
    return input(question)


def _keep(record: dict[str, object], who: str) -> Path:
    now = datetime.fromtimestamp(_now_s(), UTC)
    path = Path(f"loop-check-{now:%Y%m%d}.jsonl")
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps({"time": now.isoformat(timespec="seconds"), "by": who, **record}) + "\n")
    return path


def _now_s() -> float:
    from daemon.core.clock import SystemClock

    return SystemClock().now_ms() / 1000
