"""Background work: a table of jobs, and the worker that does those that are due.

Run by `fishhouse worker`, any number of them, and inside `fishhouse serve` on one
machine. Killable at any point: what a job did and that it is done commit together,
and another worker takes over when the lease of one that died has run out. A job that
became due many times while nothing ran is run once.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar

from sqlmodel import Session

from service.assessments.actions.assessing import assess_due
from service.backups.actions.scheduled import back_up_due
from service.chores.actions import find_overdue, tell_overdue
from service.clock import Clock
from service.database import Database
from service.errors import Conflict
from service.excursions.actions.watching import watch_some
from service.excursions.queries import undecided_since
from service.fallback.actions.nightly import make_due as make_sheets
from service.jobs import queries
from service.jobs.actions import leases
from service.jobs.actions.holding import renewed
from service.jobs.rules import TOLD_AFTER
from service.ledger.actions.reserving import release_expired
from service.notifications.actions.sending import send_due
from service.notifications.actions.telling import tell, tell_chain_heads
from service.notifications.rules import Subject, Urgency
from service.security.actor import SERVICE
from service.security.transactions import forget_old_keys, transaction
from service.settings import Settings
from service.site.queries import sites_seen
from service.supplement_stock.actions.telling import find as find_supplements
from service.supplement_stock.actions.telling import tell_new as tell_supplements
from service.supplements.actions.standing import find_lapsing, review_found
from service.temperatures.actions.keeping import keep_history
from service.temperatures.actions.rebuilding import rebuild_outdated
from service.thawing.actions.replanning import anything_due, replan_due
from service.thawing.actions.warning import warn_of_clocks
from service.upkeep.actions.due import find, tell_new
from service.watch_list.actions.following import find_watches, follow_watches
from service.welfare.actions.telling import (
    find_appetites,
    find_intakes,
    tell_appetites,
    tell_intakes,
)

log = logging.getLogger(__name__)
LOOK_EVERY_S = 1.0
STOP_WITHIN_S = 30.0
DAY = timedelta(days=1)
FIVE_MINUTES, QUARTER = timedelta(minutes=5), timedelta(minutes=15)
SEND_EVERY = timedelta(seconds=5)
PROBES_AT_ONCE = 10


@dataclass(frozen=True)
class ShortJob:
    """Work inside one transaction; that it is done commits with what it did: exactly once."""

    name: str
    every: timedelta
    work: Callable[[Session, datetime], object]

    def do(self, database: Database, clock: Clock, fence: int) -> None:
        """Work and finish, in one transaction."""
        with transaction(database.writer) as session:
            self.work(session, clock())
            leases.finish(session, self.name, fence, at=clock())


@dataclass(frozen=True)
class LongJob:
    """Work that opens transactions of its own, for what takes long or asks the network.

    Each of them is checked against the lease; killed between two of them it is run again,
    so each must leave behind what the next run needs to know.
    """

    name: str
    every: timedelta
    work: Callable[[Database, Clock], object]

    def do(self, database: Database, clock: Clock, fence: int) -> None:
        """Work, then finish."""
        self.work(database, clock)
        with transaction(database.writer) as session:
            leases.finish(session, self.name, fence, at=clock())


Job = ShortJob | LongJob


def jobs_of(settings: Settings) -> tuple[Job, ...]:
    """The table of background work. Short ones are done in this order."""
    minute = timedelta(seconds=settings.watch_seconds)
    return (
        LongJob("watch", minute, watch_places),
        LongJob("assessments", minute, assess_due),
        ShortJob("thaw clocks", minute, lambda session, at: warn_of_clocks(session, at=at)),
        LongJob("thaw plans", minute, look_after_plans),
        ShortJob("reservations", minute, lambda session, at: release_expired(session, at=at)),
        LongJob(
            "notifications", SEND_EVERY, lambda database, clock: send_due(database, clock, settings)
        ),
        LongJob("history", DAY, keep_readings),
        LongJob("hours", minute, rebuild_outdated),
        LongJob("probes", DAY, look_after_probes),
        LongJob("chores", QUARTER, look_after_chores),
        LongJob("appetites", QUARTER, look_after_appetites),
        LongJob("intakes", DAY, look_after_intakes),
        LongJob("supplements", DAY, look_after_supplements),
        LongJob("supplement orders", FIVE_MINUTES, look_after_orders),
        LongJob("watch list", minute, look_after_watches),
        ShortJob("audit heads", DAY, tell_chain_heads),
        LongJob(
            "fallback sheets",
            minute,
            lambda database, clock: make_sheets(database, clock, settings.data_dir),
        ),
        LongJob("backups", minute, lambda database, clock: back_up_due(database, settings, clock)),
        ShortJob("housekeeping", DAY, lambda session, at: forget_old_keys(session, at=at)),
    )


def watch_places(database: Database, clock: Clock) -> None:
    """A few probes a transaction: a feed that is recorded meanwhile waits for one of them."""
    after_id: int | None = 0
    while after_id is not None:
        with transaction(database.writer) as session:
            after_id = watch_some(
                session, at=clock(), after_id=after_id, most=PROBES_AT_ONCE
            ).last_id


def look_after_plans(database: Database, clock: Clock) -> None:
    """Looked for beside those who write; planned again only where something is due."""
    with Session(database.snapshot) as session:
        due = anything_due(session, clock())
    if due:
        with transaction(database.writer) as session:
            replan_due(session, clock())


def keep_readings(database: Database, clock: Clock) -> None:
    """Months of readings made ahead and old ones cut, a transaction for each piece."""
    left = True
    while left:
        with transaction(database.writer) as session:
            since = undecided_since(session)
            left = keep_history(session, at=clock(), undecided_since=since)


Found = TypeVar("Found")


def looked_for(
    find: Callable[[Session, datetime], Found],
    tell_of: Callable[[Session, Found, datetime], object],
) -> Callable[[Database, Clock], None]:
    """Work that looks in a still picture beside those who write, and then tells at once."""

    def look(database: Database, clock: Clock) -> None:
        at = clock()
        with Session(database.snapshot) as session:
            found = find(session, at)
        with transaction(database.writer) as session:
            tell_of(session, found, at)

    return look


look_after_probes = looked_for(find, tell_new)  # drift, doubts, calibrations
look_after_chores = looked_for(find_overdue, tell_overdue)
look_after_appetites = looked_for(find_appetites, tell_appetites)
look_after_intakes = looked_for(find_intakes, tell_intakes)
look_after_supplements = looked_for(find_supplements, tell_supplements)


def look_after_watches(database: Database, clock: Clock) -> None:
    """Every minute, so those who write wait only where there is something to write."""
    at = clock()
    with Session(database.snapshot) as session:
        found = find_watches(session, at)
    if found:
        with transaction(database.writer) as session:
            follow_watches(session, found, at)


def look_after_orders(database: Database, clock: Clock) -> None:
    """Looked for beside those who write; they wait only where an order does not hold any more."""
    at = clock()
    with Session(database.snapshot) as session:
        found = find_lapsing(session, at)
    if found:
        with transaction(database.writer) as session:
            review_found(session, found, at)


def run_due_jobs(database: Database, clock: Clock, jobs: Sequence[Job], lease: timedelta) -> None:
    """Do what is due and nobody else is doing, one after the other."""
    _register(database, clock, jobs)
    for job in _due(database, clock, jobs):
        run(database, clock, job, lease)


def _register(database: Database, clock: Clock, jobs: Sequence[Job]) -> None:
    with transaction(database.writer) as session:
        leases.register(session, {job.name: job.every for job in jobs}, at=clock())


def _due(database: Database, clock: Clock, jobs: Sequence[Job]) -> list[Job]:
    with database.reader.connect() as connection:
        names = queries.free_and_due(connection, at=clock())
    return [job for job in jobs if job.name in names]


def run(database: Database, clock: Clock, job: Job, lease: timedelta) -> None:
    """Do one job if it is due and free. One that fails is noted and tried again later."""
    with transaction(database.writer) as session:
        fence = leases.take(session, job.name, at=clock(), lease=lease)
    if fence is None:
        return
    try:
        with renewed(database, clock, job.name, fence, lease):
            job.do(leases.fenced(database, job.name, fence, lease=lease), clock, fence)
    except Exception as error:  # whatever it is: a watch that has stopped looking warns nobody
        if isinstance(error, Conflict) and error.kind == "lease-lost":
            log.warning("job %s: %s; nothing was written", job.name, error.detail)
            return
        log.exception("job %s failed; it is tried again", job.name)
        _note_failure(database, clock, job, fence, error)


def _note_failure(database: Database, clock: Clock, job: Job, fence: int, error: Exception) -> None:
    why = f"{type(error).__name__}: {error}"
    try:
        with transaction(database.writer) as session:
            failures = leases.fail(session, job.name, fence, why, at=clock())
            if failures == TOLD_AFTER:
                _tell(session, job, fence, why, clock())
    except Exception as second:  # the database is away, or another worker has the job
        log.warning("job %s: its failure could not be noted: %s", job.name, second)


def _tell(session: Session, job: Job, fence: int, why: str, at: datetime) -> None:
    """Every site, because every site depends on it."""
    for site_id in sites_seen(session, by=SERVICE):
        tell(
            session,
            site_id=site_id,
            subject=Subject.WORKER,
            number=fence,
            title=f"Background work “{job.name}” fails",
            body=f"It has failed {TOLD_AFTER} times and is tried again. The last time: {why[:300]}",
            urgency=Urgency.NOW,
            at=at,
        )


class Worker:
    """Looks for due jobs until it is told to stop; long ones in threads of their own."""

    def __init__(
        self, database: Database, clock: Clock, jobs: Sequence[Job], *, lease_s: float
    ) -> None:
        self._database, self._clock, self._jobs = database, clock, jobs
        self._lease = timedelta(seconds=lease_s)
        self._look_every_s = min([LOOK_EVERY_S, *(job.every.total_seconds() for job in jobs)])
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.run, name="worker", daemon=True)
        self._long: dict[str, threading.Thread] = {}

    def start(self) -> None:
        """Begin looking, in a thread of its own."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Look no more; what is in hand is finished."""
        self._stop.set()

    def stop(self) -> None:
        """Stop after the jobs at hand, and wait for them."""
        self.ask_to_stop()
        if self._thread.is_alive():
            self._thread.join(STOP_WITHIN_S)

    def run(self) -> None:
        """Look for due jobs until told to stop; then wait for those in hand."""
        known = False
        while not self._stop.wait(self._look_every_s):
            try:
                if not known:
                    _register(self._database, self._clock, self._jobs)
                    known = True
                self._look()
            except Exception as error:  # the database is away: it may come back
                log.warning("the worker cannot look for work: %s", error)
        for thread in self._long.values():
            thread.join(STOP_WITHIN_S)

    def _look(self) -> None:
        for job in _due(self._database, self._clock, self._jobs):
            if self._stop.is_set():
                return
            if isinstance(job, ShortJob):
                run(self._database, self._clock, job, self._lease)
            elif job.name not in self._long or not self._long[job.name].is_alive():
                self._start(job)

    def _start(self, job: LongJob) -> None:
        arguments = (self._database, self._clock, job, self._lease)
        thread = threading.Thread(target=self._run_long, args=arguments, name=job.name, daemon=True)
        self._long[job.name] = thread
        thread.start()

    @staticmethod
    def _run_long(database: Database, clock: Clock, job: LongJob, lease: timedelta) -> None:
        try:
            run(database, clock, job, lease)
        except Exception as error:  # the lease could not be taken: the next look tries again
            log.warning("job %s could not be begun: %s", job.name, error)
