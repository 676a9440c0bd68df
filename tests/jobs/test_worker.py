"""The worker: who does a job, once; what a failure leaves; how jobs are shown."""

import gc
import weakref
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from threading import Barrier, Event
from typing import Any

import pytest
from sqlmodel import Session, col, select

from service.clock import Clock
from service.database import Database
from service.errors import Conflict
from service.jobs.actions import leases
from service.jobs.models import Job
from service.jobs.rules import LAST_RETRY, TOLD_AFTER, retry_after
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.security.models import AuditEntry
from service.security.transactions import transaction
from service.settings import Settings
from service.worker import Job as AnyJob
from service.worker import LongJob, ShortJob, Worker, jobs_of, run, run_due_jobs
from tests.jobs.test_watch import excursions, read
from tests.kitchen import Kitchen

EVERY = timedelta(seconds=60)
LEASE = timedelta(seconds=120)


def database(kitchen: Kitchen) -> Database:
    opened: Database = kitchen.app.state.database
    return opened


def known(kitchen: Kitchen, name: str = "count") -> None:
    with kitchen.writing() as session:
        leases.register(session, {name: EVERY}, at=kitchen.clock())


def taken(kitchen: Kitchen, name: str = "count") -> int | None:
    with kitchen.writing() as session:
        return leases.take(session, name, at=kitchen.clock(), lease=LEASE)


def note(session: Session, at: datetime, subject: object = "once") -> None:
    """An effect that can be counted: an entry in the trail."""
    audit.note(session, SERVICE, "counted", subject, at=at)


def counted(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        statement = select(AuditEntry).where(col(AuditEntry.what) == "counted")
        return [e.subject for e in session.exec(statement.order_by(col(AuditEntry.number)))]


def job_row(kitchen: Kitchen, name: str = "count") -> Job:
    with kitchen.looking() as session:
        return session.exec(select(Job).where(col(Job.name) == name)).one()


def look(kitchen: Kitchen, work: Callable[[Session, datetime], object]) -> None:
    """One pass of a worker that has one short job."""
    run_due_jobs(database(kitchen), kitchen.clock, [ShortJob("count", EVERY, work)], LEASE)


def test_of_workers_that_look_at_once_one_does_the_job(kitchen: Kitchen) -> None:
    known(kitchen)
    gate = Barrier(5)

    def take(_: int) -> int | None:
        gate.wait(timeout=30)
        return taken(kitchen)

    with ThreadPoolExecutor(5) as pool:
        fences = list(pool.map(take, range(5)))
    assert sorted(fences, key=str) == [1, None, None, None, None]


def test_a_job_is_due_again_an_interval_after_it_began(small_kitchen: Kitchen) -> None:
    known(small_kitchen)
    assert taken(small_kitchen) == 1
    small_kitchen.clock.forward(seconds=20)
    with small_kitchen.writing() as session:
        leases.finish(session, "count", 1, at=small_kitchen.clock())
    assert job_row(small_kitchen).took_s == 20
    assert taken(small_kitchen) is None, "done just now"
    small_kitchen.clock.forward(seconds=39)
    assert taken(small_kitchen) is None
    small_kitchen.clock.forward(seconds=1)
    assert taken(small_kitchen) == 2


def test_a_job_that_was_due_for_days_while_nothing_ran_is_run_once(small_kitchen: Kitchen) -> None:
    look(small_kitchen, note)
    small_kitchen.clock.forward(days=3)
    for _ in range(5):
        look(small_kitchen, note)
    assert counted(small_kitchen) == ["once", "once"]


def test_a_clock_set_back_does_not_stop_the_work(small_kitchen: Kitchen) -> None:
    look(small_kitchen, note)
    small_kitchen.clock.forward(days=-2)
    look(small_kitchen, note)
    look(small_kitchen, note)
    assert len(counted(small_kitchen)) == 2


def test_a_shorter_interval_counts_from_now_on(small_kitchen: Kitchen) -> None:
    with small_kitchen.writing() as session:
        leases.register(session, {"count": timedelta(days=1)}, at=small_kitchen.clock())
    look(small_kitchen, note)
    assert job_row(small_kitchen).every_s == 60
    small_kitchen.clock.forward(seconds=60)
    look(small_kitchen, note)
    assert len(counted(small_kitchen)) == 2


def test_the_lease_of_a_worker_that_died_runs_out_and_another_takes_over(
    small_kitchen: Kitchen,
) -> None:
    known(small_kitchen)
    assert taken(small_kitchen) == 1
    small_kitchen.clock.at += LEASE - timedelta(seconds=1)
    assert taken(small_kitchen) is None
    small_kitchen.clock.forward(seconds=1)
    assert taken(small_kitchen) == 2


def test_a_lease_is_held_for_as_long_as_it_is_renewed(small_kitchen: Kitchen) -> None:
    known(small_kitchen)
    assert taken(small_kitchen) == 1

    def renewed(fence: int) -> bool:
        with small_kitchen.writing() as session:
            return leases.renew(session, "count", fence, at=small_kitchen.clock(), lease=LEASE)

    for _ in range(5):
        small_kitchen.clock.forward(seconds=100)
        assert renewed(1)
        assert taken(small_kitchen) is None
    small_kitchen.clock.at += LEASE
    assert not renewed(1), "it has run out: somebody else may have begun"
    assert taken(small_kitchen) == 2
    assert not renewed(1) and renewed(2)
    with small_kitchen.writing() as session:
        leases.finish(session, "count", 2, at=small_kitchen.clock())
    assert not renewed(2), "a finished job is not held again"


def test_no_transaction_of_a_job_that_somebody_else_has_taken_commits(kitchen: Kitchen) -> None:
    known(kitchen)
    assert taken(kitchen) == 1
    mine = leases.fenced(database(kitchen), "count", 1, lease=LEASE)
    with transaction(mine.writer) as session:
        note(session, kitchen.clock(), "while it is mine")
    kitchen.clock.at += LEASE
    assert taken(kitchen) == 2
    for _ in range(3):
        with pytest.raises(Conflict) as refused, transaction(mine.writer) as session:
            note(session, kitchen.clock(), "too late")
        assert refused.value.kind == "lease-lost"
    with kitchen.writing() as session:
        note(session, kitchen.clock(), "of others")
    theirs = leases.fenced(database(kitchen), "count", 2, lease=LEASE)
    with transaction(theirs.writer) as session:
        note(session, kitchen.clock(), "of the new one")
    assert counted(kitchen) == ["while it is mine", "of others", "of the new one"]


def test_work_that_took_longer_than_its_lease_is_undone_when_somebody_else_began(
    kitchen: Kitchen,
) -> None:
    def slow(session: Session, at: datetime) -> None:
        note(session, at, "slow")
        if not database(kitchen).is_sqlite:  # there the other worker waits for the file
            kitchen.clock.at += LEASE
            assert taken(kitchen) == 2

    look(kitchen, slow)
    assert counted(kitchen) == (["slow"] if database(kitchen).is_sqlite else [])
    assert job_row(kitchen).failures == 0, "it did not fail: it was somebody else's"


def test_a_long_job_that_was_taken_over_can_write_nothing_more(kitchen: Kitchen) -> None:
    def work(given: Database, clock: Clock) -> None:
        with transaction(given.writer) as session:
            note(session, clock(), "first half")
        kitchen.clock.at += LEASE
        assert taken(kitchen) == 2
        with transaction(given.writer) as session:
            note(session, clock(), "second half")

    run_due_jobs(database(kitchen), kitchen.clock, [LongJob("count", EVERY, work)], LEASE)
    assert counted(kitchen) == ["first half"]
    row = job_row(kitchen)
    assert (row.fence, row.done_at) == (2, None)


def test_workers_beside_each_other_do_each_job_once(kitchen: Kitchen) -> None:
    for minute in range(0, 61, 10):
        read(kitchen, minute, -5.0)
    jobs = jobs_of(Settings(database_url=kitchen.address, data_dir=kitchen.folder))
    counting = ShortJob("count", EVERY, note)
    with transaction(database(kitchen).writer) as session:
        leases.register(session, {j.name: j.every for j in (*jobs, counting)}, at=kitchen.clock())

    def look_once(_: int) -> None:
        for job in (*jobs, counting):
            run(database(kitchen), kitchen.clock, job, LEASE)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(look_once, range(8)))
    assert len(excursions(kitchen)) == 1
    assert counted(kitchen) == ["once"]
    with kitchen.looking() as session:
        rows = session.exec(select(Job)).all()
    assert {(row.fence, row.failures, row.last_error) for row in rows} == {(1, 0, None)}


class Told(list[dict[str, Any]]):
    """What people were told, kept instead of sent."""

    def __call__(self, _session: Session, **message: Any) -> None:
        self.append(message)


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Told:
    heard = Told()
    monkeypatch.setattr("service.worker.tell", heard)
    return heard


def test_a_job_that_fails_leaves_nothing_behind_and_is_tried_again_later_each_time(
    kitchen: Kitchen, told: Told
) -> None:
    def stumble(session: Session, at: datetime) -> None:
        note(session, at)
        raise ZeroDivisionError("of this kind")

    waited = []
    for failure in range(1, 8):
        look(kitchen, stumble)
        row = job_row(kitchen)
        assert (row.failures, row.last_error) == (failure, "ZeroDivisionError: of this kind")
        waited.append(row.due_at - kitchen.clock())
        look(kitchen, stumble)
        assert job_row(kitchen).failures == failure, "not before its time"
        kitchen.clock.at = row.due_at
    assert waited == [retry_after(n) for n in range(1, 8)]
    assert waited == sorted(waited) and waited[-1] == LAST_RETRY
    assert counted(kitchen) == []

    look(kitchen, note)
    row = job_row(kitchen)
    assert (row.failures, row.done_at) == (0, kitchen.clock())
    assert counted(kitchen) == ["once"]


def test_people_are_told_once_when_a_job_keeps_failing_and_again_the_next_time(
    small_kitchen: Kitchen, told: Told
) -> None:
    def stumble(_session: Session, _at: datetime) -> None:
        raise Conflict("the disk is full")

    def fail(times: int) -> None:
        for _ in range(times):
            look(small_kitchen, stumble)
            small_kitchen.clock.at = job_row(small_kitchen).due_at

    fail(TOLD_AFTER - 1)
    assert told == []
    fail(5)
    assert len(told) == 1
    assert (told[0]["subject"], told[0]["urgency"]) == (Subject.WORKER, Urgency.NOW)
    assert "count" in told[0]["title"] and "the disk is full" in told[0]["body"]
    look(small_kitchen, note)
    small_kitchen.clock.at = job_row(small_kitchen).due_at
    fail(TOLD_AFTER)
    assert len(told) == 2


def test_a_job_that_fails_does_not_keep_the_others_from_being_done(small_kitchen: Kitchen) -> None:
    def stumble(_session: Session, _at: datetime) -> None:
        raise ZeroDivisionError

    jobs = [ShortJob("bad", EVERY, stumble), ShortJob("count", EVERY, note)]
    run_due_jobs(database(small_kitchen), small_kitchen.clock, jobs, LEASE)
    assert counted(small_kitchen) == ["once"]


def test_anybody_sees_how_the_work_stands(small_kitchen: Kitchen, told: Told) -> None:
    def stumble(_session: Session, _at: datetime) -> None:
        raise ZeroDivisionError("of this kind")

    def shown() -> dict[str, Any]:
        return {item["name"]: item for item in small_kitchen.keeper.shown("/jobs")["items"]}

    assert shown() == {}
    jobs = [ShortJob("bad", EVERY, stumble), ShortJob("count", EVERY, note)]
    run_due_jobs(database(small_kitchen), small_kitchen.clock, jobs, LEASE)
    known(small_kitchen, "taken")
    taken(small_kitchen, "taken")
    assert {name: item["state"] for name, item in shown().items()} == {
        "bad": "failing",
        "count": "waiting",
        "taken": "running",
    }
    bad, count = shown()["bad"], shown()["count"]
    assert (bad["failures"], bad["done_at"]) == (1, None)
    assert bad["last_error"] == "ZeroDivisionError: of this kind"
    assert (count["failures"], count["took_s"], count["last_error"]) == (0, 0, None)
    assert count["done_at"] == "2026-11-25T06:00:00Z"
    assert count["due_at"] == "2026-11-25T06:01:00Z"
    small_kitchen.clock.forward(minutes=7)
    assert shown()["count"]["state"] == "late", "nobody does it"


def test_a_worker_works_until_it_is_told_to_stop_and_finishes_what_is_in_hand(
    kitchen: Kitchen,
) -> None:
    begun, go_on = Event(), Event()

    def slow(given: Database, clock: Clock) -> None:
        begun.set()
        assert go_on.wait(timeout=30)
        with transaction(given.writer) as session:
            note(session, clock(), "long")

    def short(session: Session, at: datetime) -> None:
        note(session, at, "short")

    jobs: list[AnyJob] = [
        LongJob("slow", timedelta(milliseconds=20), slow),
        ShortJob("count", timedelta(milliseconds=20), short),
    ]
    worker = Worker(database(kitchen), kitchen.clock, jobs, lease_s=60)
    worker.start()
    assert begun.wait(timeout=30)
    for _ in range(3):  # the long job does not keep the short one waiting
        before = len(counted(kitchen))
        kitchen.clock.forward(seconds=1)
        for _ in range(500):
            if len(counted(kitchen)) > before:
                break
            Event().wait(0.02)
        assert len(counted(kitchen)) > before
    worker.ask_to_stop()
    go_on.set()
    worker.stop()
    assert counted(kitchen).count("long") == 1
    assert job_row(kitchen, "slow").done_at is not None


def test_a_thousand_runs_leave_no_memory_behind(small_kitchen: Kitchen) -> None:
    """Each run listens to an engine of its own: it must go with the run."""
    engines = [
        weakref.ref(leases.fenced(database(small_kitchen), "count", n, lease=LEASE).writer)
        for n in range(1000)
    ]
    gc.collect()
    assert sum(engine() is not None for engine in engines) <= 1
