"""`waterside fleet`: what a central server knows of all plants: silent ones, alarms, cycles, calibrations due.

Reads only, by the query interface that Prometheus made common (`/api/v1/query`), which VictoriaMetrics, Thanos, Mimir
and others answer. May import: nothing of the service.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Final

import typer

DAY_S: Final = 86_400
LOOK_BACK: Final = "400d"  # an alarm that has stood for longer is not seen
PRIORITIES: Final = ("highest", "high", "medium", "low")


@dataclass(slots=True)
class PlantSeen:
    """One plant as the central server has it. Times are seconds since 1970; `cycles` by boiler."""

    name: str
    last_s: float = 0.0
    alarms: list[dict[str, Any]] = field(default_factory=list)
    quiet: int = 0  # put aside, held back or out of service
    cycles: dict[str, float] = field(default_factory=dict)
    calibration_due: list[str] = field(default_factory=list)


Ask = Callable[[str], list[dict[str, Any]]]


def asker(url: str, token: str = "", ca_file: Path | None = None) -> Ask:
    """Asks the server one query at a time: its rows (labels and value). FleetError."""
    from urllib3 import PoolManager, Timeout
    from urllib3.exceptions import HTTPError

    pool = PoolManager(timeout=Timeout(30.0), retries=False, ca_certs=str(ca_file) if ca_file else None)
    headers = {"Authorization": f"Bearer {token}"} if token else {}

    def ask(query: str) -> list[dict[str, Any]]:
        where = url.rstrip("/") + "/api/v1/query"
        try:
            answer = pool.request("GET", where, fields={"query": query}, headers=headers)
        except HTTPError as e:
            raise FleetError(f"{url} is not reached: {e}. Check the address and the network.") from e
        if answer.status != 200:
            said = " ".join(answer.data.decode("utf-8", "replace").split())[:200]
            hint = " Check the token." if answer.status in (401, 403) else ""
            raise FleetError(f"{where} answers {answer.status}: {said}.{hint}")
        try:
            found: list[dict[str, Any]] = json.loads(answer.data)["data"]["result"]
        except (ValueError, KeyError, TypeError) as e:
            raise FleetError(f"{where} is no query interface: its answer cannot be read.") from e
        return found

    return ask


class FleetError(Exception):
    """The fleet cannot be read; the text says why."""


def read_fleet(ask: Ask) -> list[PlantSeen]:
    """Every plant the server has heard of, by name. FleetError."""
    plants: dict[str, PlantSeen] = {}

    def of(row: dict[str, Any]) -> PlantSeen:
        name = row["metric"].get("plant", "?")
        return plants.setdefault(name, PlantSeen(name))

    for row in ask(f"max by (plant) (tlast_over_time(waterside_log_alive[{LOOK_BACK}]))"):
        of(row).last_s = float(row["value"][1])
    for row in ask(f"last_over_time(waterside_alarm_standing[{LOOK_BACK}]) > 0"):
        labels = row["metric"]
        alarm = {k: labels.get(k, "") for k in ("target", "kind", "name", "priority")}
        of(row).alarms.append(alarm)
        if alarm["kind"] == "calibration_due":
            of(row).calibration_due.append(alarm["target"])
    for row in ask(f"last_over_time(waterside_alarm_quiet[{LOOK_BACK}]) > 0"):
        of(row).quiet += 1
    good = 'last_over_time(waterside_reading_value{tag=~".*[.]cycles"}[2d])'
    for row in ask(good):
        of(row).cycles[row["metric"].get("target", "?")] = float(row["value"][1])
    for seen in plants.values():
        seen.alarms.sort(key=lambda a: (_rank(a["priority"]), a["target"], a["kind"]))
        seen.calibration_due.sort()
    return sorted(plants.values(), key=lambda p: p.name)


def _rank(priority: str) -> int:
    return PRIORITIES.index(priority) if priority in PRIORITIES else len(PRIORITIES)


def lines(plants: Iterable[PlantSeen], now_s: float, silent_s: float) -> list[str]:
    """The fleet in plain lines: silent plants first, then each plant's alarms."""
    found = list(plants)
    silent = [p for p in found if now_s - p.last_s > silent_s]
    out = [f"{len(found)} plants, {len(silent)} silent for more than {_long(silent_s)}"]
    by_priority: dict[str, int] = defaultdict(int)
    for p in found:
        for a in p.alarms:
            by_priority[a["priority"]] += 1
    if by_priority:
        out.append("alarms standing: " + ", ".join(f"{by_priority[x]} {x}" for x in PRIORITIES if by_priority[x]))
    for p in sorted(found, key=lambda p: (p not in silent, p.name)):
        heard = "never heard" if not p.last_s else f"last heard {_long(max(0.0, now_s - p.last_s))} ago"
        cycles = ", ".join(f"{b} {c:.1f} cycles" for b, c in sorted(p.cycles.items()))
        said = "; ".join(filter(None, (f"SILENT, {heard}" if p in silent else heard, cycles)))
        out += ["", f"{p.name}: {said}"]
        out += [f"  {a['priority']:8} {'/'.join(filter(None, (a['target'], a['kind'], a['name'])))}" for a in p.alarms]
        if p.quiet:
            out.append(f"  {p.quiet} put aside, held back or out of service")
        if p.calibration_due:
            out.append(f"  calibration due: {', '.join(p.calibration_due)}")
        if p in silent:
            out.append("  what stands here is as it was last heard; a silent plant may have alarms nobody sees")
    return out


def _long(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 3 * DAY_S else f"{seconds / DAY_S:.0f} days"


def fleet(
    url: Annotated[str, typer.Argument(help="The central server's address for queries.")],
    token_file: Annotated[Path | None, typer.Option(help="A file with the token, where the server wants one.")] = None,
    ca_file: Annotated[Path | None, typer.Option(help="The authority that signed the server's certificate.")] = None,
    silent: Annotated[float, typer.Option(help="Minutes without a sign after which a plant is silent.")] = 15.0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """All plants that copy to a central server: who is silent, what stands, cycles, calibrations due.

    Exit code 1 where a plant is silent or an alarm stands.

    Example: waterside fleet https://metrics.quillmarsh.example/select/0/prometheus
    """
    from daemon.app.entering import stop
    from daemon.core.clock import SystemClock

    try:
        token = token_file.read_text("utf-8").strip() if token_file else ""
        plants = read_fleet(asker(url, token, ca_file))
    except (FleetError, OSError) as e:
        raise stop(str(e), 1) from e
    now_s = SystemClock().now_ms() / 1000
    if as_json:
        rows = [
            {
                "plant": p.name,
                "last_heard_s": round(now_s - p.last_s) if p.last_s else None,
                "silent": now_s - p.last_s > silent * 60,
                "alarms": p.alarms,
                "quiet": p.quiet,
                "cycles": p.cycles,
                "calibration_due": p.calibration_due,
            }
            for p in plants
        ]
        print(json.dumps(rows, indent=1, ensure_ascii=False))
    elif not plants:
        print("The server has heard of no plant. Each plant's file wants [copy] with this server's address for writes.")
    else:
        print("\n".join(lines(plants, now_s, silent * 60)))
    if any(p.alarms or now_s - p.last_s > silent * 60 for p in plants):
        raise typer.Exit(1)
