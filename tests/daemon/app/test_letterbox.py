"""The letterbox over real sockets: asked as a command asks it, and by clients that misbehave."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.app import local
from daemon.app.ask import AskError, NoService, Refused, ask, person
from daemon.app.letterbox import CLIENTS, LINE_LIMIT, ActRefused, Busy, Letterbox, Progress, place

ME = local.login()


class Service:
    """Numbers the acts it is asked for."""

    def __init__(self) -> None:
        self.taken: list[dict[str, Any]] = []
        self.hold = asyncio.Event()

    async def handle(self, request: dict[str, Any], progress: Progress) -> dict[str, Any]:
        match request.get("act"):
            case "wait":
                await self.hold.wait()
            case "refuse":
                raise ActRefused("Alarm 7 does not stand.", "target B1", "See `status` for those that do.")
            case "fail":
                raise ZeroDivisionError("in the handler")
            case "long":
                for i in range(3):
                    await progress({"done": i})
        self.taken.append(request)
        return {"number": len(self.taken)}


@pytest.fixture(params=["unix", "tcp"])
def tcp(request: pytest.FixtureRequest) -> bool:
    return bool(request.param == "tcp")


@asynccontextmanager
async def serving(store: Path, tcp: bool = False, runtime: str = "") -> AsyncIterator[Service]:
    service = Service()
    box = await Letterbox.open(store, service.handle, runtime=runtime, tcp=tcp)
    yield service
    await box.aclose()


async def raw(store: Path, *sent: bytes) -> list[dict[str, Any]]:
    """Send bytes as they are, close our half, and read every line that comes back."""
    reader, writer = await asyncio.open_unix_connection(str(place(store)))
    for piece in sent:
        writer.write(piece)
    writer.write_eof()
    lines = (await asyncio.wait_for(reader.read(), 5)).splitlines()
    writer.close()
    await writer.wait_closed()
    return [json.loads(line) for line in lines]


async def test_an_act_is_answered_with_its_number(tmp_path: Path, tcp: bool) -> None:
    store = tmp_path / "plant.db"
    async with serving(store, tcp) as service:
        asked = {"act": "ack", "number": 1042, "by": "Ann"}
        assert await asyncio.to_thread(ask, store, asked, 5) == {"number": 1}
        assert service.taken == [asked if tcp else {**asked, "login": ME}]
    assert list(tmp_path.iterdir()) == []


async def test_the_system_says_who_asks_whatever_the_request_says(tmp_path: Path) -> None:
    async with serving(tmp_path / "plant.db") as service:
        await asyncio.to_thread(ask, tmp_path / "plant.db", {"act": "ack", "login": "somebody else"}, 5)
        assert service.taken[0]["login"] == ME


async def test_many_ask_at_once_and_each_gets_its_own_answer(tmp_path: Path, tcp: bool) -> None:
    store = tmp_path / "plant.db"
    async with serving(store, tcp) as service:
        answers = await asyncio.gather(*(asyncio.to_thread(ask, store, {"act": "note", "n": i}, 10) for i in range(20)))
        assert sorted(a["number"] for a in answers) == list(range(1, 21))
        assert sorted(t["n"] for t in service.taken) == list(range(20))


async def test_a_long_act_streams_its_progress_before_the_answer(tmp_path: Path, tcp: bool) -> None:
    store, seen = tmp_path / "plant.db", []
    async with serving(store, tcp):
        answer = await asyncio.to_thread(ask, store, {"act": "long"}, 5, progress=seen.append)
    assert seen == [{"done": 0}, {"done": 1}, {"done": 2}]
    assert answer == {"number": 1}


async def test_a_refused_act_says_what_where_and_what_to_do(tmp_path: Path, tcp: bool) -> None:
    async with serving(tmp_path / "plant.db", tcp):
        with pytest.raises(Refused) as e:
            await asyncio.to_thread(ask, tmp_path / "plant.db", {"act": "refuse"}, 5)
    assert str(e.value) == "Alarm 7 does not stand. target B1 See `status` for those that do."
    assert e.value.error["what"] == "Alarm 7 does not stand."


async def test_a_failing_handler_is_told_and_the_letterbox_serves_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    store = tmp_path / "plant.db"
    async with serving(store):
        with pytest.raises(Refused, match="ZeroDivisionError: in the handler"):
            await asyncio.to_thread(ask, store, {"act": "fail"}, 5)
        assert await asyncio.to_thread(ask, store, {"act": "note"}, 5) == {"number": 1}
    assert "in the handler" in caplog.text


@pytest.mark.parametrize(
    ("line", "where"),
    [
        (b"ack 1042\n", "Column 1: Expecting value."),
        (b'{"act": "ack"\n', "Column 14"),
        (b'{"act": "ack",}\n', "Column 15"),
        (b"[1, 2]\n", "It is an array, not an object."),
        (b"17\n", "It is a number, not an object."),
        (b"null\n", "It is null, not an object."),
        (b"true\n", "It is true or false, not an object."),
        (b"\n", "Column 1: Expecting value."),
        (b'{"act": "\xff"}\n', "Byte 10 is not UTF-8."),
        (b"[" * 30_000 + b"\n", "It is nested too deep."),
        (b"1" * 30_000 + b"\n", "It holds a number that is too long."),
    ],
)
async def test_a_malformed_line_is_answered_and_the_next_one_served(tmp_path: Path, line: bytes, where: str) -> None:
    async with serving(tmp_path / "plant.db"):
        bad, good = await raw(tmp_path / "plant.db", line, b'{"act": "note"}\n')
    assert bad["error"]["what"] == "The request cannot be read."
    assert where in bad["error"]["where"]
    assert "one JSON object on one line" in bad["error"]["todo"]
    assert good == {"number": 1}


async def test_a_line_without_end_and_a_line_too_long_are_answered(tmp_path: Path) -> None:
    async with serving(tmp_path / "plant.db") as service:
        (cut,) = await raw(tmp_path / "plant.db", b'{"act": "note"}')
        assert cut["error"]["where"] == "It ended after 15 bytes."
        reader, writer = await asyncio.open_unix_connection(str(place(tmp_path / "plant.db")))
        writer.write(b'{"note": "' + b"x" * LINE_LIMIT)
        long = json.loads(await asyncio.wait_for(reader.readline(), 5))
        assert str(LINE_LIMIT) in long["error"]["where"]
        writer.close()
        assert service.taken == []


async def test_a_client_that_says_nothing_or_leaves_early_harms_nobody(tmp_path: Path) -> None:
    store = tmp_path / "plant.db"
    async with serving(store) as service:
        _, mute = await asyncio.open_unix_connection(str(place(store)))
        _, leaving = await asyncio.open_unix_connection(str(place(store)))
        leaving.write(b'{"act": "wait"}\n')
        await leaving.drain()
        leaving.close()
        service.hold.set()
        assert (await asyncio.to_thread(ask, store, {"act": "note"}, 5))["number"] >= 1
        mute.close()


async def test_more_clients_than_there_is_room_for_are_told(tmp_path: Path) -> None:
    store = tmp_path / "plant.db"
    async with serving(store):
        waiting = [await asyncio.open_unix_connection(str(place(store))) for _ in range(CLIENTS)]
        with pytest.raises(Refused, match="Try again shortly"):
            await asyncio.to_thread(ask, store, {"act": "note"}, 5)
        for _, writer in waiting:
            writer.close()
            await writer.wait_closed()


def test_an_answer_given_before_the_request_was_written_is_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that has no room answers and closes at once: the pipe is broken when the request is written."""
    ours, theirs = socket.socketpair()
    theirs.sendall(b'{"error": {"what": "32 others are talking.", "where": "", "todo": "Try again shortly."}}\n')
    theirs.close()
    monkeypatch.setattr(local, "connect", lambda at, timeout: (ours, ""))
    with pytest.raises(Refused, match="Try again shortly"):
        ask(tmp_path / "plant.db", {"act": "note"}, 5)


async def test_who_waits_when_the_service_stops_is_told(tmp_path: Path, tcp: bool) -> None:
    store = tmp_path / "plant.db"
    async with serving(store, tcp):
        asking = asyncio.create_task(asyncio.to_thread(ask, store, {"act": "wait"}, 5))
        await asyncio.sleep(0.2)
    with pytest.raises(Refused, match="The service is stopping"):
        await asking


def test_without_a_service_the_command_says_how_to_start_it(tmp_path: Path) -> None:
    with pytest.raises(NoService) as e:
        ask(tmp_path / "plant.db", {"act": "ack"}, start="waterside run quillmarsh.toml")
    assert str(e.value) == (
        f"The service for store {tmp_path / 'plant.db'} is not running: an act needs it. "
        "Start it with: waterside run quillmarsh.toml"
    )


async def test_silence_of_the_service_is_told_after_the_timeout(tmp_path: Path, tcp: bool) -> None:
    async with serving(tmp_path / "plant.db", tcp):
        with pytest.raises(AskError, match=r"no answer within 0\.2 s. The act may still be done"):
            await asyncio.to_thread(ask, tmp_path / "plant.db", {"act": "wait"}, 0.2)


async def test_the_socket_is_for_user_and_group_alone(tmp_path: Path) -> None:
    async with serving(tmp_path / "plant.db"):
        assert stat.S_IMODE(place(tmp_path / "plant.db").stat().st_mode) == 0o660
    async with serving(tmp_path / "other.db", tcp=True):
        assert stat.S_IMODE(place(tmp_path / "other.db").stat().st_mode) == 0o600


async def test_in_a_runtime_directory_the_socket_is_found_from_the_store(tmp_path: Path) -> None:
    runtime, state = tmp_path / "run", tmp_path / "state"
    runtime.mkdir()
    state.mkdir()
    stores = [state / "a.db", state / "b.db"]
    async with serving(stores[0], runtime=f"{runtime}:/elsewhere") as a, serving(stores[1], runtime=str(runtime)) as b:
        assert all(p.is_socket() for p in runtime.iterdir())
        assert len(list(runtime.iterdir())) == 2
        for i, store in enumerate(stores):
            await asyncio.to_thread(ask, store, {"n": i}, 5)
        assert (a.taken[0]["n"], b.taken[0]["n"]) == (0, 1)
    assert list(runtime.iterdir()) == list(state.iterdir()) == []


async def test_a_path_longer_than_a_socket_takes_works(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 120)
    deep.mkdir()
    async with serving(deep / "plant.db"):
        assert await asyncio.to_thread(ask, deep / "plant.db", {"act": "note"}, 5) == {"number": 1}


LEFT_BEHIND = """
import asyncio, os, signal, sys
from pathlib import Path
from daemon.app.letterbox import Letterbox
async def main():
    await Letterbox.open(Path(sys.argv[1]), None, runtime=sys.argv[2], tcp=bool(sys.argv[3]))
    os.kill(os.getpid(), signal.SIGKILL)
asyncio.run(main())
"""


@pytest.mark.parametrize("runtime", [False, True])
async def test_what_a_killed_service_left_behind_is_replaced(tmp_path: Path, tcp: bool, runtime: bool) -> None:
    if runtime:
        (tmp_path / "run").mkdir()
    home = str(tmp_path / "run") if runtime else ""
    store = tmp_path / "plant.db"
    await asyncio.to_thread(
        subprocess.run, [sys.executable, "-P", "-c", LEFT_BEHIND, str(store), home, "1" if tcp else ""],
        env={**os.environ, "PYTHONPATH": str(Path(local.__file__).parents[2])}, check=False,
    )  # fmt: skip
    assert place(store).is_symlink() or place(store).exists()
    with pytest.raises(NoService):
        ask(store, {"act": "note"})
    async with serving(store, tcp, home):
        assert await asyncio.to_thread(ask, store, {"act": "note"}, 5) == {"number": 1}


async def test_a_living_letterbox_is_not_taken_over(tmp_path: Path, tcp: bool) -> None:
    store = tmp_path / "plant.db"
    async with serving(store, tcp):
        with pytest.raises(Busy, match="already running"):
            await Letterbox.open(store, Service().handle, tcp=tcp)
        assert await asyncio.to_thread(ask, store, {"act": "note"}, 5) == {"number": 1}


async def test_over_tcp_a_wrong_token_is_refused(tmp_path: Path) -> None:
    store = tmp_path / "plant.db"
    async with serving(store, tcp=True) as service:
        port = json.loads(place(store).read_text())["port"]
        for token in ("", ', "token": "guess"', ', "token": 5'):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b'{"act": "note"' + token.encode() + b"}\n")
            answer = json.loads(await asyncio.wait_for(reader.readline(), 5))
            assert answer["error"]["what"] == "The token is wrong."
            writer.close()
        assert service.taken == []


async def test_closing_leaves_alone_what_another_service_put_in_its_place(tmp_path: Path) -> None:
    store = tmp_path / "plant.db"
    box = await Letterbox.open(store, Service().handle)
    place(store).unlink()
    async with serving(store):
        await box.aclose()
        assert await asyncio.to_thread(ask, store, {"act": "note"}, 5) == {"number": 1}


def test_the_person_is_the_name_given_or_the_login() -> None:
    assert person("  Ann Field ") == "Ann Field"
    assert person(None) == person("") == ME


async def test_text_that_is_no_unicode_comes_back_as_it_was_sent(tmp_path: Path) -> None:
    async def echo(request: dict[str, Any], progress: Progress) -> dict[str, Any]:
        return {"got": request["note"]}

    box = await Letterbox.open(tmp_path / "plant.db", echo)
    (answer,) = await raw(tmp_path / "plant.db", b'{"note": "\\ud800 \xc2\xb5S/cm"}\n')
    await box.aclose()
    assert answer == {"got": "\ud800 µS/cm"}
