"""The words of `waterside calibrate`. What it does is in `daemon.app.calibrating`; heavy imports are inside."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer


def calibrate(
    boiler: Annotated[str, typer.Argument(help="The boiler's name in the plant file.")],
    handheld: Annotated[float | None, typer.Option(help="What the handheld reads of a cooled grab sample.")] = None,
    handheld_from: Annotated[
        Path | None, typer.Option("--from", help="Read the handheld itself: a file with its text link and pattern.")
    ] = None,
    at: Annotated[
        str | None, typer.Option(help='When it was grabbed: "14:05", "2026-11-20 14:05". Default: the next sample.')
    ] = None,
    unit: Annotated[str | None, typer.Option(help="Of the handheld: uS/cm, mS/cm or ppm.")] = None,
    meter_factor: Annotated[float | None, typer.Option(help="Of a ppm meter: ppm per uS/cm.")] = None,
    cooled: Annotated[bool | None, typer.Option("--cooled/--not-cooled", help="The grab was cooled.")] = None,
    compensated: Annotated[
        bool | None, typer.Option("--compensated/--not-compensated", help="The meter compensates to 25 °C.")
    ] = None,
    neutralised: Annotated[
        bool | None, typer.Option("--neutralised/--not-neutralised", help="The sample was neutralised.")
    ] = None,
    temperature: Annotated[str | None, typer.Option(help='Of sample or standard solution: "31 °C".')] = None,
    tolerance: Annotated[str | None, typer.Option(help='The meter\'s: "2 %".')] = None,
    standard: Annotated[
        float | None, typer.Option(help="Probe in a standard solution: the bottle's uS/cm at 25 °C.")
    ] = None,
    zero: Annotated[bool, typer.Option("--zero", help="The probe is clean and dry in air: the second point.")] = False,
    offset: Annotated[float | None, typer.Option(help="uS/cm added in the log; wants --reason.")] = None,
    at_wall: Annotated[
        bool | None,
        typer.Option("--at-wall/--in-log", help="Where: at the wall instrument, or as a factor in the log."),
    ] = None,
    as_found: Annotated[float | None, typer.Option(help="Wall display before the adjustment, uS/cm.")] = None,
    as_left: Annotated[float | None, typer.Option(help="Wall display after it.")] = None,
    display: Annotated[float | None, typer.Option(help="Wall display now, uS/cm.")] = None,
    no_display: Annotated[str | None, typer.Option(help="Why there is no wall display.")] = None,
    correct: Annotated[
        bool | None,
        typer.Option("--correct/--keep-factor", help="Default: correct what is beyond the meter's tolerance."),
    ] = None,
    new_probe: Annotated[bool, typer.Option("--new-probe", help="A new probe: its history begins now.")] = False,
    cleaned: Annotated[bool, typer.Option("--cleaned", help="The probe was cleaned before this.")] = False,
    instrument: Annotated[str | None, typer.Option(help="Which meter.")] = None,
    remark: Annotated[str | None, typer.Option(help="What else is to be known.")] = None,
    reason: Annotated[str | None, typer.Option(help="Why in the log, why an offset, why undone.")] = None,
    override: Annotated[str | None, typer.Option(help="Why it is right though not plausible; stays on record.")] = None,
    undo: Annotated[int | None, typer.Option(help="Withdraw the calibration of this act, by a new record.")] = None,
    history: Annotated[bool, typer.Option("--history", help="What was done, drift, what falls due.")] = False,
    by: Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="With --history: one JSON document.")] = False,
) -> None:
    """Calibrate a boiler's conductivity: pair a handheld with the reading of that moment, and keep it on record.

    Example: waterside calibrate B1 --handheld 2450 --by "J. Ortiz"
    """
    from daemon.app.ask import AskError, person
    from daemon.app.calibrating import NotDone, Wishes, plant_and_boiler
    from daemon.app.calibrating import calibrate as lead
    from daemon.app.commands import find_store
    from daemon.store.errors import StoreError

    place = find_store(store)
    try:
        if history:
            from daemon.app.calibration_history import history as read_history
            from daemon.app.calibration_history import lines
            from daemon.store.reader import Reader

            with Reader(place) as reader:
                plant, found = plant_and_boiler(reader, boiler)
                last = reader.last()
                all_of_it = read_history(reader, plant, found, last.at_ms if last else 0)
            print(
                json.dumps(all_of_it, indent=1, ensure_ascii=False) if as_json else "\n".join(lines(all_of_it, plant))
            )
            raise typer.Exit(0)
        wishes = Wishes(
            boiler=boiler,
            handheld=handheld,
            handheld_from=handheld_from,
            unit=unit,
            meter_factor=meter_factor,
            cooled=cooled,
            compensated=compensated,
            neutralised=neutralised,
            temperature=temperature,
            tolerance=tolerance,
            at=at,
            standard=standard,
            zero=zero,
            offset=offset,
            how=None if at_wall is None else ("wall" if at_wall else "log"),
            as_found=as_found,
            as_left=as_left,
            display=display,
            no_display=no_display,
            correct=correct,
            new_probe=new_probe,
            cleaned=cleaned,
            instrument=instrument,
            remark=remark,
            reason=reason,
            override=override,
            undo=undo,
        )
        asked = input if sys.stdin.isatty() else None
        code = lead(wishes, place, person(by), asked, print)
    except NotDone as e:
        print(e, file=sys.stderr)
        raise typer.Exit(e.code) from e
    except (AskError, StoreError) as e:
        print(e, file=sys.stderr)
        raise typer.Exit(1) from e
    except (EOFError, KeyboardInterrupt):
        print("\nNothing was recorded.", file=sys.stderr)
        raise typer.Exit(1) from None
    raise typer.Exit(code)
