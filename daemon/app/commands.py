"""The commands of the command line, each with an example in its help.

Lives here: words, options and exit codes. Work is done in the rooms below; heavy imports are inside the commands.
Exit codes: 0 all well, 1 a finding or a refusal, 2 misuse.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.app.backing import backup, restore
from daemon.app.commands_calibrate import calibrate
from daemon.app.commands_clock import clock
from daemon.app.commands_dial import dial
from daemon.app.commands_mail import listen_for, mail
from daemon.app.commands_performance import performance
from daemon.app.commands_trend import trend
from daemon.app.doctor.command import doctor
from daemon.app.entering import enter
from daemon.app.fleet import fleet
from daemon.app.noting import note
from daemon.app.putting_away import put_away
from daemon.app.setting_aside import back, out, release, shelve, unshelve

app = typer.Typer(
    name="waterside",
    help="Listens to the water side of steam boilers: readings, alarms, mail, exports. It controls nothing and is no "
    "safety device.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

PlantArg = Annotated[str, typer.Argument(metavar="PLANT", help="The plant file (TOML).")]
StoreOpt = Annotated[
    Path | None,
    typer.Option("--store", help="The store's file; default: the service's state directory, else ./var."),
]
JsonOpt = Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")]
ByOpt = Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")]


def _fail(text: str, code: int = 1) -> typer.Exit:
    print(text, file=sys.stderr)
    return typer.Exit(code)


def find_store(store: Path | None) -> Path:
    """The store meant: as given, else the state directory's, else ./var, else the demo's when only that is there."""
    import os

    if store is not None:
        if not store.exists():
            raise _fail(f"There is no store at {store}. Give the file the service was started with (--store).", 2)
        return store
    state = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    places = [
        Path(state or "var") / "waterside.db",
        Path("/var/lib/waterside/waterside.db"),
        Path("var/demo/waterside.db"),
    ]
    for place in places:
        if place.exists():
            print(f"store: {place}", file=sys.stderr)
            return place
    raise _fail("No store found. Give one with --store FILE; `waterside run PLANT` makes one.", 2)


@app.command()
def run(
    plant: PlantArg,
    store: StoreOpt = None,
    capture: Annotated[
        Path | None, typer.Option(help="Folder for every frame on every link, as text: for a bad line.")
    ] = None,
    ledger_fd: Annotated[int | None, typer.Option(hidden=True)] = None,
) -> None:
    """Watch a plant until told to stop (SIGTERM); SIGHUP reads the plant file again.

    Example: waterside run /etc/waterside/plant.toml
    """
    from daemon.app.running import run_plant

    raise typer.Exit(run_plant(plant, store, ledger_fd, live=sys.stdout.isatty(), capture=capture))


@app.command()
def demo(
    speed: Annotated[float, typer.Option(help="Plant time against real time.", min=0.1, max=2000)] = 60.0,
    folder: Annotated[Path, typer.Option(help="Where the demo keeps its store and mails.")] = Path("var/demo"),
    keep: Annotated[bool, typer.Option("--keep", help="Go on with the store of an earlier demo.")] = False,
) -> None:
    """Run the invented Quillmarsh Creamery: a simulated boiler house that answers real Modbus, and the service.

    Example: waterside demo --speed 60
    """
    from daemon.app.running import run_demo

    raise typer.Exit(run_demo(speed, folder, keep=keep))


@app.command()
def check(plant: PlantArg, as_json: JsonOpt = False) -> None:
    """Read a plant file and say everything about it: errors, warnings, notes, the limits that will hold.

    Example: waterside check plant.toml
    """
    from config.check import check as check_plant
    from config.judged import not_judged
    from config.load import PlantFileError, load
    from daemon.app.rota_check import calendar_findings

    try:
        source = load(Path(plant))
        findings = [*check_plant(source), *calendar_findings(source)]
    except PlantFileError as e:
        source, findings = None, e.findings
    except OSError as e:
        raise _fail(f"{plant}: {e.strerror}. Give the path of a plant file.", 2) from e
    errors = sum(f.level == "error" for f in findings)
    if as_json:
        rows = [{"file": f.file, "line": f.line, "key": f.key, "level": f.level, "text": f.text} for f in findings]
        blind = (
            [{"target": x.target, "kind": x.kind, "wants": x.wants} for x in not_judged(source.plant)] if source else []
        )
        told = {"errors": errors, "findings": rows, "not_judged": blind}
        print(json.dumps(told, indent=1, ensure_ascii=False))
    else:
        for f in findings:
            print(f"{f.file}:{f.line}: {f.level.upper() if f.level != 'note' else 'note'}: {f.key}: {f.text}")
        if source is not None:
            p = source.plant
            print(f"{p.plant.name}: {len(p.links)} links, {len(p.modules)} modules, {len(p.boilers)} boilers")
        counts = {k: sum(f.level == k for f in findings) for k in ("error", "warning", "note")}
        print(", ".join(f"{n} {k}{'' if n == 1 else 's'}" for k, n in counts.items()))
    raise typer.Exit(1 if errors else 0)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the plant file, for editors.

    Example: waterside schema > waterside.schema.json
    """
    from config.schema import schema as plant_schema

    print(json.dumps(plant_schema(), indent=1, ensure_ascii=False))


@app.command()
def status(
    store: StoreOpt = None,
    figures: Annotated[
        bool, typer.Option("--figures", help="Cycles, blowdown, makeup and chemical feed of the last 24 hours too.")
    ] = False,
    as_json: JsonOpt = False,
) -> None:
    """How the plant stands now: boilers, meters, alarms, modules, mails waiting.

    Example: waterside status --figures --store var/waterside.db
    """
    from daemon.app.status import read_status

    found = read_status(find_store(store))
    if as_json:
        print(json.dumps(found.as_json(), indent=1, ensure_ascii=False))
    else:
        found.show(figures=figures)
    raise typer.Exit(0 if found.well else 1)


@app.command()
def ack(
    occurrence: Annotated[int, typer.Argument(help="The alarm's number, as in the mail's subject.")],
    by: ByOpt = None,
    store: StoreOpt = None,
) -> None:
    """Confirm an alarm: somebody has it in hand. It changes nothing at the boiler.

    Example: waterside ack 1042 --by "J. Ortiz"
    """
    _act(store, {"act": "ack", "occurrence": occurrence}, by, f"alarm {occurrence} is acknowledged")


def _act(store: Path | None, request: dict[str, Any], by: str | None, done: str) -> None:
    from daemon.app.ask import AskError, ask, person

    who = person(by)
    try:
        answer = ask(find_store(store), request | {"by": who}, 30.0)
    except AskError as e:
        raise _fail(str(e)) from e
    print(f"{done} (act {answer['number']}, by {who})")


@app.command(context_settings={"ignore_unknown_options": True, "help_option_names": ["--help"]})
def explain(
    ctx: typer.Context,
    what: Annotated[
        str, typer.Argument(metavar="TAG|ALARM", help="A tag, like B1.conductivity, or an alarm's number.")
    ],
    time: Annotated[
        str | None, typer.Argument(help='"2026-11-20 06:30", "06:30", "-2h", "-10m"; default: the newest reading.')
    ] = None,
    store: StoreOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """How a number came about, step by step: counts, current, verdict, range, calibration, sample, quality.

    Example: waterside explain B1.conductivity "2026-11-20 06:30"

    Example: waterside explain 1042
    """
    if what == "-h":  # "-2h" is a time here, so that -h is no option
        print(ctx.get_help())
        return
    from daemon.app.explaining import ExplainRefused
    from daemon.app.explaining import explain as explain_it

    try:
        found = explain_it(find_store(store), what, time)
    except ExplainRefused as e:
        raise _fail(str(e), e.code) from e
    print(json.dumps(found.as_json(), indent=1, ensure_ascii=False) if as_json else found.as_text())
    raise typer.Exit(1 if found.differs else 0)


@app.command()
def export(
    start: Annotated[
        str, typer.Option("--from", help='From: "2026-11-20", "2026-11-20 06:00", "-24h", "-7d".')
    ] = "-24h",
    end: Annotated[str, typer.Option("--to", help="To, likewise; a date is that whole day. Default: now.")] = "now",
    form: Annotated[str, typer.Option("--format", help="csv, xlsx or raw (for replay).")] = "xlsx",
    out: Annotated[Path, typer.Option(help="Folder to write into.")] = Path(),
    hourly: Annotated[bool, typer.Option("--hourly", help="Averages of hours in the place of readings.")] = False,
    daily: Annotated[bool, typer.Option("--daily", help="Averages of days in the place of readings.")] = False,
    store: StoreOpt = None,
) -> None:
    """Write readings, blows and alarms between two times to files a spreadsheet opens.

    Example: waterside export --from -7d --format xlsx --out /media/usb

    Example: waterside export --from 2025-01-01 --to 2025-12-31 --daily --format csv
    """
    from daemon.app.exporting import ExportError, export_files

    if form not in ("csv", "xlsx", "raw"):
        raise _fail(f"--format wants csv, xlsx or raw; found {form!r}.", 2)
    if (hourly and daily) or ((hourly or daily) and form == "raw"):
        raise _fail("Give one of --hourly and --daily, and neither with --format raw.", 2)
    try:
        files = export_files(find_store(store), start, end, form, out, "hour" if hourly else "day" if daily else None)
    except ExportError as e:
        raise _fail(str(e)) from e
    for file in files:
        print(file)


@app.command()
def replay(
    plant: PlantArg,
    raw: Annotated[Path, typer.Argument(metavar="RAW", help="Recorded counts: .csv, .csv.gz or .parquet.")],
    out: Annotated[Path, typer.Option(help="Folder for alarms.csv, readings.parquet and summary.json.")],
    acts: Annotated[Path | None, typer.Option(help="Acts and plant versions, from export --format raw.")] = None,
    state: Annotated[Path | None, typer.Option(help="The state to begin with, from export --format raw.")] = None,
    against: Annotated[
        Path | None, typer.Option(metavar="OTHER", help="Another plant file: which alarms would be others by it.")
    ] = None,
) -> None:
    """Run recorded raw counts through the very engine of the service. Never sends mail.

    Example: waterside replay plant.toml counts.csv.gz --out replayed --against lower-limit.toml
    """
    from daemon.app.running import read_plant
    from daemon.app.stepping import advance_many
    from daemon.report.replay import ReplayError
    from daemon.report.replay import replay as run_replay

    source = read_plant(plant)
    other = read_plant(str(against)) if against is not None else None
    if source is None or (against is not None and other is None):
        raise typer.Exit(1)
    try:
        summary = run_replay(
            source,
            raw,
            out,
            acts=acts,
            state=state,
            against=other,
            advance=advance_many,
            progress=_progress("groups"),
            tell=_tell,
        )
    except (ReplayError, OSError) as e:
        raise _fail(str(e)) from e
    print(json.dumps(summary, indent=1, ensure_ascii=False))


@app.command()
def loops(
    plant: PlantArg,
    channel: Annotated[
        list[str] | None, typer.Option(help="Only this input (module.channel or tag); may repeat.")
    ] = None,
    by: ByOpt = None,
    store: StoreOpt = None,
) -> None:
    """Check the 4-20 mA loops: five driven steps and the wall instrument's display, kept as a record.

    Example: waterside loops plant.toml --channel ai.b1_cond --by "J. Ortiz"
    """
    from daemon.app.checking import check_loops
    from daemon.app.running import read_plant

    source = read_plant(plant)
    if source is None:
        raise typer.Exit(1)
    raise typer.Exit(check_loops(source, channel or [], by, store))


@app.command()
def scan(
    plant: PlantArg,
    link: Annotated[str, typer.Argument(help="The link's name in the plant file.")],
    units: Annotated[str, typer.Option(help='Unit ids: "1-32", "1,5,9-12".')] = "1-32",
    wait: Annotated[str, typer.Option(help="How long to wait for each answer.")] = "300 ms",
    hunt: Annotated[bool, typer.Option("--hunt", help="Serial: try common baud rates and parities too.")] = False,
    through_service: Annotated[
        bool, typer.Option("--through-service", help="The running service asks, between its polls.")
    ] = False,
    store: StoreOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Find out which units answer on a link, by reads alone. On a serial line it listens first.

    Example: waterside scan plant.toml panel --units 1-32
    """
    from daemon.app.running import read_plant
    from daemon.app.scanning import ScanRefused, scan_link

    source = read_plant(plant)
    if source is None:
        raise typer.Exit(1)
    try:
        code = scan_link(source, link, units, wait, hunt=hunt, store=store, as_json=as_json, through=through_service)
    except ScanRefused as e:
        raise _fail(f"Not scanned: {e}", 2) from e
    raise typer.Exit(code)


def _tell(text: str) -> None:
    print(text, file=sys.stderr)


def _progress(what: str) -> Any:
    """A counter on standard error, where that is a terminal."""

    def show(n: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{n} {what}", end="", file=sys.stderr, flush=True)

    return show


app.command()(calibrate)
app.command()(enter)
app.command()(dial)
app.command()(performance)
app.command()(fleet)
app.command()(backup)
app.command()(restore)
app.command()(note)
app.command()(out)
app.command()(back)
app.command()(shelve)
app.command()(unshelve)
app.command()(release)
app.command()(doctor)
app.command()(clock)
app.command(hidden=True)(put_away)
app.command()(trend)
app.add_typer(mail, name="mail")
app.command("listen-for")(listen_for)
