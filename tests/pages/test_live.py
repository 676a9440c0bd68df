"""Live pages: whoever listens is told that something has changed, and costs nothing while not."""

import queue
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import httpx
import pytest

from service.pages import live
from service.security.sessions import COOKIE
from tests.browser.conftest import serving
from tests.kitchen import Kitchen
from tests.pages.visiting import cookie_of, visitor

LONGEST_S = 10.0


@pytest.fixture(autouse=True)
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.1)
    monkeypatch.setattr(live, "ALIVE_EVERY_S", 0.4)


class Ear:
    """Somebody who listens. What was heard comes out of `heard`; None: the stream has ended."""

    def __init__(self, port: int, cookie: str) -> None:
        self.heard: queue.Queue[str | None] = queue.Queue()
        self.status = 0
        self._client = httpx.Client(timeout=LONGEST_S, cookies={COOKIE: cookie})
        self._address = f"http://localhost:{port}/live/events?live=1"
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        try:
            with self._client.stream("GET", self._address) as answer:
                self.status = answer.status_code
                for line in answer.iter_lines():
                    if line.startswith("event: "):
                        self.heard.put(line.removeprefix("event: "))
        except (httpx.HTTPError, OSError):
            pass
        self.heard.put(None)

    def next(self) -> str | None:
        return self.heard.get(timeout=LONGEST_S)

    def until(self, wanted: str | None) -> None:
        """Wait for an event, whatever comes before it."""
        deadline = time.monotonic() + LONGEST_S
        while (heard := self.next()) != wanted:
            assert heard is not None, "the stream has ended"
            assert time.monotonic() < deadline, f"not {wanted}, only {heard}"

    def close(self) -> None:
        self._client.close()


@contextmanager
def listening(port: int, *cookies: str) -> Iterator[list[Ear]]:
    ears = [Ear(port, cookie) for cookie in cookies]
    yield ears
    for ear in ears:
        ear.close()


def test_whoever_listens_hears_what_another_process_has_done(small_kitchen: Kitchen) -> None:
    other = Kitchen(small_kitchen.address, small_kitchen.folder, clock=small_kitchen.clock)
    cookie = cookie_of(small_kitchen, "keeper")
    with serving(small_kitchen) as port, listening(port, cookie) as (ear,):
        assert ear.next() == "alive"
        assert ear.next() == "alive"  # nothing happens
        other.a_lot()
        ear.until("changed")
    other.close()


def test_readings_alone_are_no_news_but_what_somebody_does_is(small_kitchen: Kitchen) -> None:
    cookie, at = cookie_of(small_kitchen, "keeper"), small_kitchen.clock()
    lot = small_kitchen.a_lot()["code"]
    with serving(small_kitchen) as port, listening(port, cookie) as (ear,):
        assert [ear.next(), ear.next()] == ["alive", "alive"]
        small_kitchen.temperatures("FZ1-AIR", at - timedelta(hours=3), [-22.0] * 4, every_s=1800)
        assert [ear.next(), ear.next(), ear.next()] == ["alive"] * 3
        small_kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": "smells"})
        ear.until("changed")


def test_however_many_listen_the_database_is_looked_at_once(small_kitchen: Kitchen) -> None:
    cookies = [cookie_of(small_kitchen, role) for role in ("keeper", "vet", "manager")] * 4
    onlookers = small_kitchen.app.state.onlookers
    with serving(small_kitchen) as port, listening(port, *cookies) as ears:
        for ear in ears:
            assert ear.next() == "alive"
        assert onlookers.streams == len(cookies)
        before, begun = onlookers.looks, time.monotonic()
        time.sleep(1.5)
        lasted = time.monotonic() - begun
        assert 2 <= onlookers.looks - before <= lasted / live.LOOK_EVERY_S + 2


def test_nobody_looks_once_everybody_has_left(small_kitchen: Kitchen) -> None:
    onlookers = small_kitchen.app.state.onlookers
    with serving(small_kitchen) as port:
        with listening(port, cookie_of(small_kitchen, "keeper")) as (ear,):
            assert ear.next() == "alive"
        deadline = time.monotonic() + LONGEST_S
        while onlookers.streams and time.monotonic() < deadline:
            time.sleep(0.05)
        assert onlookers.streams == 0
        time.sleep(0.3)
        looks = onlookers.looks
        time.sleep(0.5)
        assert onlookers.looks == looks


def test_a_stream_ends_when_the_session_has_ended(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, "keeper")
    cookie = who.cookies[COOKIE]
    with serving(small_kitchen) as port, listening(port, cookie) as (ear,):
        assert ear.next() == "alive"
        who.sent("/log-out")
        ear.until(None)


def test_a_stream_too_many_is_refused_in_words(
    small_kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "MOST_STREAMS", 1)
    cookie = cookie_of(small_kitchen, "keeper")
    with serving(small_kitchen) as port, listening(port, cookie) as (ear,):
        assert ear.next() == "alive"
        refused = httpx.get(
            f"http://localhost:{port}/live/events", cookies={COOKIE: cookie}, timeout=LONGEST_S
        )
        assert refused.status_code == 503
        assert "read again each minute" in refused.text


def test_listening_does_not_keep_a_session_alive(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, "keeper")
    cookie, minutes = who.cookies[COOKIE], small_kitchen.app.state.settings.session_minutes
    small_kitchen.clock.forward(minutes=minutes - 1)
    with serving(small_kitchen) as port:
        with listening(port, cookie) as (ear,):
            assert ear.next() == "alive"
        small_kitchen.clock.forward(minutes=2)
        answer = httpx.get(f"http://localhost:{port}/", cookies={COOKIE: cookie}, timeout=LONGEST_S)
        assert answer.status_code == 401
