"""Workers as processes of their own: killed, paused, told to stop."""

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest
from sqlmodel import col, select

from service.clock import system_clock
from service.excursions.models import Excursion
from service.jobs.models import Job
from service.security.models import AuditEntry
from tests.conftest import Templates, kitchen_of
from tests.kitchen import Kitchen

KILLS = {"sqlite": 8, "postgresql": 20}


@contextmanager
def process(kitchen: Kitchen, *arguments: str) -> Iterator["subprocess.Popen[bytes]"]:
    """A process on the kitchen's database, gone afterwards whatever happens."""
    environment = {
        **os.environ,
        "FISHHOUSE_DATABASE_URL": kitchen.address,
        "FISHHOUSE_DATA_DIR": str(kitchen.folder),
        "FISHHOUSE_WATCH_SECONDS": "0.1",
        "FISHHOUSE_LEASE_SECONDS": "1",
    }
    with (kitchen.folder / "workers.log").open("ab") as log:
        started = subprocess.Popen(
            [sys.executable, "-m", *arguments], env=environment, stdout=log, stderr=log
        )
        try:
            yield started
        finally:
            if started.poll() is None:
                started.send_signal(signal.SIGCONT)
                started.kill()
            started.wait()


def wait_until(
    done: Callable[[], bool], within_s: float = 60, what: Callable[[], object] = str
) -> None:
    until = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < until, what()
        time.sleep(0.02)


def said(kitchen: Kitchen) -> str:
    return (kitchen.folder / "workers.log").read_text(errors="replace")[-4000:]


def job_row(kitchen: Kitchen, name: str) -> Job | None:
    with kitchen.looking() as session:
        return session.exec(select(Job).where(col(Job.name) == name)).one_or_none()


def has_begun(kitchen: Kitchen, after: int) -> bool:
    row = job_row(kitchen, "watch")
    return row is not None and row.fence > after


def has_counted(kitchen: Kitchen, so_many: int) -> bool:
    return len(counted(kitchen)) >= so_many


def counted(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        statement = select(AuditEntry).where(col(AuditEntry.what) == "counted")
        return [e.subject for e in session.exec(statement.order_by(col(AuditEntry.number)))]


def test_each_excursion_is_opened_once_however_often_workers_are_killed(kitchen: Kitchen) -> None:
    """Three workers, one killed at a random moment, twenty times; warm spells come meanwhile."""
    kitchen.clock.at = system_clock()
    kills = KILLS["sqlite" if kitchen.address.startswith("sqlite") else "postgresql"]
    begin = system_clock() - timedelta(days=kills + 1)
    chance = random.Random(6)

    def start(stack: ExitStack) -> "subprocess.Popen[bytes]":
        return stack.enter_context(process(kitchen, "service.cli", "worker"))

    with ExitStack() as stack:
        workers = [start(stack) for _ in range(3)]
        wait_until(lambda: job_row(kitchen, "watch") is not None, what=lambda: said(kitchen))
        for day in range(kills):
            # Cold, warm for two hours, cold again: one excursion a day.
            values = [-22.0] * 6 + [-5.0] * 12 + [-22.0] * 6
            kitchen.temperatures("FZ1-AIR", begin + timedelta(days=day), values, every_s=600)
            time.sleep(chance.uniform(0.0, 0.5))
            victim = chance.randrange(3)
            workers[victim].kill()
            workers[victim].wait()
            workers[victim] = start(stack)

        def opened() -> list[Excursion]:
            with kitchen.looking() as session:
                statement = select(Excursion).where(col(Excursion.kind) == "warm")
                return list(session.exec(statement.order_by(col(Excursion.from_at))))

        wait_until(lambda: len(opened()) >= kills, what=lambda: said(kitchen))
        row = job_row(kitchen, "watch")
        assert row is not None
        fence = row.fence
        wait_until(lambda: (job_row(kitchen, "watch") or row).fence > fence + 3)
        found = opened()
    assert len(found) == kills
    assert len({e.from_at for e in found}) == kills
    assert "Traceback" not in said(kitchen)


@pytest.fixture(params=[("postgresql", "short"), ("postgresql", "long"), ("sqlite", "long")])
def paused(
    request: pytest.FixtureRequest, templates: Templates, tmp_path: Path
) -> Iterator[tuple[Kitchen, str]]:
    """A kitchen and a kind of job. Not a short one on SQLite: there a paused transaction holds
    the file, and nobody else writes until it goes on."""
    database, kind = request.param
    for kitchen in kitchen_of(database, templates, tmp_path):
        yield kitchen, kind


def test_a_worker_that_stood_still_past_its_lease_writes_nothing_when_it_wakes(
    paused: tuple[Kitchen, str],
) -> None:
    kitchen, kind = paused
    folder = kitchen.folder
    arguments = ("tests.jobs.counting_worker", kitchen.address, str(folder), "1", kind)
    (folder / "pause").touch()
    with process(kitchen, *arguments) as sleeper:
        wait_until((folder / f"paused-{sleeper.pid}").exists, what=lambda: said(kitchen))
        sleeper.send_signal(signal.SIGSTOP)
        before = [entry for entry in counted(kitchen) if entry.startswith(f"{sleeper.pid} ")]
        (folder / "pause").unlink()
        with process(kitchen, *arguments) as other:
            wait_until(
                lambda: sum(e.startswith(f"{other.pid} ") for e in counted(kitchen)) >= 4,
                what=lambda: said(kitchen),
            )
            other.kill()  # so that the sleeper's own next run can be told from its old one
            other.wait()
        in_hand = job_row(kitchen, "count")
        assert in_hand is not None
        sleeper.send_signal(signal.SIGCONT)
        mine = f"{sleeper.pid} "
        wait_until(lambda: "nothing was written" in said(kitchen) or kind == "short")
        wait_until(
            lambda: (row := job_row(kitchen, "count")) is not None and row.fence > in_hand.fence,
            what=lambda: said(kitchen),
        )
        sleeper.kill()
        sleeper.wait()
    entries = counted(kitchen)
    of_others = max(i for i, e in enumerate(entries) if not e.startswith(mine))
    assert [e for e in entries[:of_others] if e.startswith(mine)] == before
    assert before == ([] if kind == "short" else [f"{mine}first"])


def test_what_a_killed_workers_did_is_counted_once_for_each_time_it_was_done(
    kitchen: Kitchen,
) -> None:
    """A short job's effect and that it is done commit together: as many of one as of the other."""
    arguments = ("tests.jobs.counting_worker", kitchen.address, str(kitchen.folder), "1", "short")
    chance = random.Random(7)
    with ExitStack() as stack:
        for _ in range(4):
            worker = stack.enter_context(process(kitchen, *arguments))
            enough = len(counted(kitchen)) + 2
            wait_until(partial(has_counted, kitchen, enough), what=lambda: said(kitchen))
            time.sleep(chance.uniform(0.0, 0.2))
            worker.kill()
            worker.wait()
    row = job_row(kitchen, "count")
    assert row is not None and row.done_at is not None
    entries = counted(kitchen)
    # Each fence is one attempt; at most one attempt a kill came to nothing.
    assert row.fence - 4 <= len(entries) <= row.fence
    with kitchen.looking() as session:
        noted = session.exec(select(AuditEntry).where(col(AuditEntry.what) == "counted")).all()
    assert max(Counter(e.recorded_at for e in noted).values()) == 1


def test_a_worker_told_to_stop_ends_by_itself(small_kitchen: Kitchen) -> None:
    for asked in (signal.SIGTERM, signal.SIGINT):
        with process(small_kitchen, "service.cli", "worker") as worker:
            wait_until(lambda: said(small_kitchen).count("Working.") > 0)
            known = job_row(small_kitchen, "watch")
            wait_until(partial(has_begun, small_kitchen, known.fence if known else 0))
            worker.send_signal(asked)
            assert worker.wait(30) == 0
        row = job_row(small_kitchen, "watch")
        assert row is not None and row.leased_until is None
    assert said(small_kitchen).count("Stopped.") == 2
