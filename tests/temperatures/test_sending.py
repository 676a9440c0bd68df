"""Who may send which readings, what their clocks show, and how bodies are packed."""

import asyncio
import gzip
import json
import zlib
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from sqlmodel import col, select

from service.cli import main
from service.notifications.models import Message
from service.probes.models import Probe, ProbeSender
from service.security import users
from service.security.rules import Role
from service.temperatures.models import SenderClock
from tests.kitchen import START, Kitchen, Person
from tests.temperatures.test_readings import JSON, at_minute, reading, reasons, stored

# --- who may send


def device(kitchen: Kitchen, name: str, *probes: str) -> Person:
    """A device that is named by these probes."""
    with kitchen.writing() as session:
        user = users.add_user(session, name, Role.DEVICE, at=START)
        for code in probes:
            probe = session.exec(select(Probe).where(col(Probe.code) == code)).one()
            session.add(ProbeSender(probe_id=probe.id or 0, user_id=user.id or 0))
        return Person(kitchen.app, users.issue_token(session, user, at=START))


def test_a_device_sends_the_probes_that_name_it_and_no_others(kitchen: Kitchen) -> None:
    mine = device(kitchen, "logger one", "FZ1-AIR")
    answer = mine.made("/readings", [reading(), reading(probe="FZ2-AIR"), reading(probe="NONE")])
    assert answer["stored"] == 1
    assert reasons(answer) == {
        1: "this token may not send readings of FZ2-AIR",
        2: "unknown probe NONE",
    }


def test_a_gateway_that_nobody_names_sends_the_probes_that_name_nobody(kitchen: Kitchen) -> None:
    device(kitchen, "logger one", "FZ1-AIR")
    gateway = device(kitchen, "gateway")
    answer = gateway.made("/readings", [reading(), reading(probe="FZ2-AIR")])
    assert answer["stored"] == 1
    assert reasons(answer) == {0: "this token may not send readings of FZ1-AIR"}


def test_people_may_send_readings_of_all_their_sites(small_kitchen: Kitchen) -> None:
    device(small_kitchen, "logger one", "FZ1-AIR")
    assert small_kitchen.commissary.made("/readings", [reading()])["stored"] == 1


def test_a_right_that_is_withdrawn_is_gone_at_once(small_kitchen: Kitchen) -> None:
    mine = device(small_kitchen, "logger one", "FZ1-AIR", "FZ2-AIR")
    assert mine.made("/readings", [reading()])["stored"] == 1
    with small_kitchen.writing() as session:
        probe = session.exec(select(Probe).where(col(Probe.code) == "FZ1-AIR")).one()
        (named,) = session.exec(select(ProbeSender).where(ProbeSender.probe_id == probe.id))
        session.delete(named)
    assert mine.made("/readings", [at_minute(1)])["stored"] == 0


def test_senders_are_named_and_removed_on_the_command_line(
    small_kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", small_kitchen.address)
    monkeypatch.setenv("FISHHOUSE_DATA_DIR", str(small_kitchen.folder))
    add = ["user", "add", "logger two", "--role", "device", "--token"]
    assert main([*add, "--probe", "FZ1-AIR", "--probe", "cool-air"]) == 0
    token = capsys.readouterr().out.split()[-1]
    logger = Person(small_kitchen.app, token)

    def sends() -> list[int]:
        rows = [reading(probe=p) for p in ("FZ1-AIR", "COOL-AIR", "FZ2-AIR")]
        refused = reasons(logger.made("/readings", rows))
        return [i for i in range(3) if i not in refused]

    assert sends() == [0, 1]
    assert main(["probe", "sender", "FZ2-AIR", "logger two"]) == 0
    assert main(["probe", "sender", "FZ1-AIR", "logger two", "--remove"]) == 0
    assert sends() == [1, 2]
    assert main(["probe", "sender", "FZ1-AIR", "logger two", "--remove"]) == 1
    assert main(["probe", "sender", "FZ1-AIR", "manager"]) == 1
    assert "no device" in capsys.readouterr().err
    with small_kitchen.looking():
        done = small_kitchen.manager.shown("/audit?limit=10")["items"]
    assert {"sender named", "sender removed"} <= {entry["what"] for entry in done}


# --- clocks


def told(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        return list(session.exec(select(Message.title).order_by(col(Message.id))))


def clock_of(kitchen: Kitchen) -> SenderClock:
    with kitchen.looking() as session:
        return session.exec(select(SenderClock)).one()


def sends_by_its_clock(
    kitchen: Kitchen, sender: Person, ahead: timedelta, header: bool = True
) -> Any:
    """One reading of now, by a clock that is ahead."""
    shows = (kitchen.clock() + ahead).isoformat()
    headers = {"Device-Time": shows} if header else {}
    return sender.made("/readings", [reading(at=shows)], headers=headers)


def test_a_wrong_clock_that_says_what_it_shows_is_corrected_and_told_once(
    kitchen: Kitchen,
) -> None:
    logger = device(kitchen, "logger one", "FZ1-AIR")
    for _ in range(3):
        kitchen.clock.forward(minutes=1)
        answer = sends_by_its_clock(kitchen, logger, timedelta(minutes=90))
        assert answer == {"stored": 1, "duplicates": 0, "rejected": [], "clock_skew_s": 5400}
    now = datetime.fromisoformat("2026-11-24T00:00:00Z").timestamp()
    assert [at for at, _ in stored(kitchen)] == [
        int((START + timedelta(minutes=m)).timestamp() - now) for m in (1, 2, 3)
    ]
    assert told(kitchen) == ["The clock of logger one is 90 min fast"]
    kitchen.clock.forward(minutes=1)
    assert sends_by_its_clock(kitchen, logger, timedelta(seconds=3))["clock_skew_s"] == 3
    assert told(kitchen)[1:] == ["The clock of logger one is right again"]


def test_a_batch_sent_again_is_corrected_to_the_same_seconds_and_is_a_duplicate(
    small_kitchen: Kitchen,
) -> None:
    rows = [reading(at=(START - timedelta(hours=2, minutes=m)).isoformat()) for m in range(5)]
    logger = device(small_kitchen, "logger one", "FZ1-AIR")
    shows = START - timedelta(hours=2)
    first = logger.made("/readings", rows, headers={"Device-Time": shows.isoformat()})
    assert first["stored"] == 5 and first["clock_skew_s"] == -7200
    small_kitchen.clock.forward(minutes=10)
    shows += timedelta(minutes=10, seconds=4)  # the network took four seconds less
    again = logger.made("/readings", rows, headers={"Device-Time": shows.isoformat()})
    assert again["duplicates"] == 5 and again["stored"] == 0


def test_a_clock_within_what_clocks_may_disagree_is_left_alone(small_kitchen: Kitchen) -> None:
    logger = device(small_kitchen, "logger one", "FZ1-AIR")
    answer = sends_by_its_clock(small_kitchen, logger, timedelta(minutes=5))
    assert answer["stored"] == 1 and answer["clock_skew_s"] == 300
    assert stored(small_kitchen)[0][0] == 30 * 3600 + 300
    assert told(small_kitchen) == []


def test_a_device_time_that_is_none_is_refused_by_name(small_kitchen: Kitchen) -> None:
    for shows in ("yesterday", "1764028800", "2026-11-25T06:00:00", "9999-12-31T00:00:00Z"):
        answer = small_kitchen.commissary.post(
            "/readings", [reading()], headers={"Device-Time": shows}
        )
        assert answer.status_code == 422, shows
        assert answer.json()["errors"][0]["field"].lower() == "device-time"


def test_a_fast_clock_that_says_nothing_is_noticed_at_its_second_batch(kitchen: Kitchen) -> None:
    logger = device(kitchen, "logger one", "FZ1-AIR")
    ahead = timedelta(minutes=21)
    for expected in (0, 1, 1):
        answer = sends_by_its_clock(kitchen, logger, ahead, header=False)
        assert reasons(answer) == {0: "at: lies in the future"}
        assert len(told(kitchen)) == expected
        kitchen.clock.forward(minutes=5)
    assert told(kitchen) == ["The clock of logger one is 21 min fast"]
    sends_by_its_clock(kitchen, logger, timedelta(0), header=False)
    assert told(kitchen)[1:] == ["The clock of logger one is right again"]
    assert clock_of(kitchen).wrong_since is None


def test_one_absurd_row_does_not_make_a_clock_wrong(small_kitchen: Kitchen) -> None:
    logger = device(small_kitchen, "logger one", "FZ1-AIR")
    for minute in range(4):
        logger.made(
            "/readings", [at_minute(minute), reading(at="2030-01-01T00:00:00Z")][: 1 + minute % 2]
        )
    assert told(small_kitchen) == []


def test_a_slow_clock_is_noticed_after_ten_batches_and_late_deliveries_are_not(
    small_kitchen: Kitchen,
) -> None:
    slow = device(small_kitchen, "slow logger", "FZ1-AIR")
    for batch in range(1, 13):
        small_kitchen.clock.forward(minutes=1)
        sends_by_its_clock(small_kitchen, slow, -timedelta(minutes=20, seconds=batch), header=False)
        assert len(told(small_kitchen)) == (batch >= 10)
    late = device(small_kitchen, "late logger", "FZ2-AIR")
    for batch in range(40):  # a day that was kept and comes at once, an hour each
        late.made("/readings", [at_minute(batch * 60 % 1440, probe="FZ2-AIR")])
    assert told(small_kitchen) == ["The clock of slow logger is 20 min slow"]


def test_who_sends_is_listed_with_when_it_was_seen_and_how_its_clock_goes(
    small_kitchen: Kitchen,
) -> None:
    logger = device(small_kitchen, "logger one", "FZ1-AIR")
    sends_by_its_clock(small_kitchen, logger, timedelta(minutes=90))
    shown = small_kitchen.keeper.shown("/senders")
    assert shown["items"] == [
        {
            "user": "logger one",
            "probes": ["FZ1-AIR"],
            "seen_at": "2026-11-25T06:00:00Z",
            "clock_ahead_s": 5400,
            "clock_measured": True,
            "clock_wrong_since": "2026-11-25T06:00:00Z",
        }
    ]
    assert small_kitchen.stranger.get("/senders").status_code == 401


# --- absurd instants


ABSURD = [
    ("1999-12-31T23:59:59Z", "2000-01-01"),
    ("1969-12-31T23:59:59Z", "2000-01-01"),
    ("0001-01-01T00:00:00Z", "2000-01-01"),
    ("9999-12-31T23:59:59Z", "future"),
    ("2026-11-24T23:59:60Z", "at"),
    ("-2026-11-24T05:00:00Z", "at"),
    ("+12026-11-24T05:00:00Z", "at"),
    (1764028800, "at"),
]


def test_absurd_instants_are_rejected_by_index_and_the_first_of_2000_is_not(
    kitchen: Kitchen,
) -> None:
    rows = [reading(at=at) for at, _ in ABSURD]
    answer = kitchen.commissary.made("/readings", [*rows, reading(at="2000-01-01T00:00:00Z")])
    assert answer["stored"] == 1
    found = reasons(answer)
    assert sorted(found) == list(range(len(ABSURD)))
    for index, (at, word) in enumerate(ABSURD):
        assert word in found[index], (at, found[index])


# --- packed bodies


def packed(kitchen: Kitchen, content: bytes, encoding: str) -> httpx.Response:
    headers = JSON | {"Content-Encoding": encoding}
    return kitchen.commissary.post("/readings", content=content, headers=headers)


def rows_of(count: int) -> bytes:
    return json.dumps([at_minute(m) for m in range(count)]).encode()


def test_packed_bodies_are_read_whole_in_members_and_as_they_are(kitchen: Kitchen) -> None:
    body = rows_of(200)
    for content, encoding in (
        (gzip.compress(body), "gzip"),
        (gzip.compress(body[:777]) + gzip.compress(body[777:]), "GZIP"),
        (zlib.compress(body), "deflate"),
        (body, "identity"),
        (body, ""),
    ):
        answer = packed(kitchen, content, encoding)
        assert answer.status_code == 200, answer.text
        assert answer.json()["stored"] + answer.json()["duplicates"] == 200
    assert len(stored(kitchen)) == 200


def test_a_packed_body_that_is_none_or_breaks_off_is_refused_and_stores_nothing(
    small_kitchen: Kitchen,
) -> None:
    whole = gzip.compress(rows_of(50))
    for content in (whole[:-9], whole[:15], whole[:5], b"[]", whole + b"rest"):
        answer = packed(small_kitchen, content, "gzip")
        assert answer.status_code == 422, content[:20]
        assert answer.json()["errors"][0]["field"] == "body"
    for encoding in ("br", "zstd", "gzip, gzip", "compress"):
        answer = packed(small_kitchen, whole, encoding)
        assert answer.status_code == 415, encoding
        assert answer.json()["type"] == "/problems/unknown-media"
    assert stored(small_kitchen) == []


def test_a_body_packed_to_a_thousandth_is_refused_before_it_is_all_unpacked(
    small_kitchen: Kitchen,
) -> None:
    bomb = gzip.compress(b" " * 300_000_000, 9)
    assert len(bomb) < 400_000
    answer = packed(small_kitchen, bomb, "gzip")
    assert answer.status_code == 413 and answer.json()["type"] == "/problems/too-large"
    assert packed(small_kitchen, rows_of(3), "").status_code == 200


# --- so many at once


@pytest.fixture
def narrow(small_kitchen: Kitchen) -> Iterator[Kitchen]:
    """A kitchen that takes in two bodies at a time."""
    kitchen = Kitchen(
        small_kitchen.address,
        small_kitchen.folder,
        settings={"bodies_at_once": 2},
        tokens=small_kitchen.tokens,
    )
    yield kitchen
    kitchen.close()


def test_more_bodies_than_there_is_room_for_are_told_to_come_again(
    narrow: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    narrow.app.state.flow.room._wait_s = 0.2
    token = narrow.commissary.token
    headers = JSON | {"Authorization": f"Bearer {token}"}

    async def trickling(released: asyncio.Event) -> Any:
        yield b"["
        await released.wait()
        yield json.dumps(reading()).encode() + b"]"

    async def scene() -> tuple[list[int], httpx.Response, int]:
        transport = httpx.ASGITransport(narrow.app)
        async with httpx.AsyncClient(transport=transport, base_url="http://kitchen") as client:
            released = asyncio.Event()

            async def send(content: Any) -> httpx.Response:
                return await client.post("/v1/readings", content=content, headers=headers)

            slow = [asyncio.create_task(send(trickling(released))) for _ in range(2)]
            await asyncio.sleep(0.05)
            refused = await send(rows_of(3))
            other = await client.get("/v1/lots", headers=headers)
            released.set()
            answers = [(await task).status_code for task in slow]
            answers.append((await send(rows_of(3))).status_code)
            return answers, refused, other.status_code

    answers, refused, other = asyncio.run(scene())
    assert refused.status_code == 503 and refused.json()["type"] == "/problems/busy"
    assert int(refused.headers["Retry-After"]) > 0
    assert other == 200, "whoever sends no readings does not wait"
    assert answers == [200, 200, 200]
