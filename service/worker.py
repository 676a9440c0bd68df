"""Background work: the minute watch, and forgetting old idempotency keys.

Run by `fishhouse worker`, any number of them, and inside `fishhouse serve` on
one machine. Killable at any point: each job is one transaction.
"""

import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.excursions.actions.watching import watch
from service.jobs import leases
from service.ledger.actions.reserving import release_expired
from service.security.transactions import forget_old_keys, transaction

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=5)


def run_watch(session: Session, at: datetime) -> None:
    """Open and end excursions; let reservations go whose time is over."""
    opened = watch(session, at=at)
    released = release_expired(session, at=at)
    if opened or released:
        log.info("watch: %d excursions opened, %d reservations released", opened, released)


def run_housekeeping(session: Session, at: datetime) -> None:
    """Forget idempotency keys that are older than a month."""
    forget_old_keys(session, at=at)


def run_due_jobs(database: Database, clock: Clock, every: timedelta) -> None:
    """Do what is due and nobody else is doing. A job that fails is tried again when due."""
    jobs: tuple[tuple[str, timedelta, Callable[[Session, datetime], None]], ...] = (
        ("watch", every, run_watch),
        ("housekeeping", timedelta(hours=24), run_housekeeping),
    )
    for name, interval, work in jobs:
        try:
            _run(database, clock, name, interval, work)
        except Exception:  # whatever it is: a watch that has stopped looking warns nobody
            log.exception("job %s failed; it is tried again", name)


def _run(
    database: Database,
    clock: Clock,
    name: str,
    interval: timedelta,
    work: Callable[[Session, datetime], None],
) -> None:
    with transaction(database.writer) as session:
        fence = leases.take(session, name, at=clock(), every=interval, lease=LEASE)
    if fence is None:
        return
    with transaction(database.writer) as session:
        work(session, clock())
        leases.finish(session, name, fence, at=clock())


class Worker:
    """A thread that looks for due jobs until it is told to stop."""

    def __init__(self, database: Database, clock: Clock, every_s: float) -> None:
        self._database, self._clock, self._every_s = database, clock, every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.run, name="worker", daemon=True)

    def start(self) -> None:
        """Begin looking, in a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Stop after the job at hand, and wait for it."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=30)

    def run(self) -> None:
        """Look for due jobs until told to stop."""
        every = timedelta(seconds=self._every_s)
        while not self._stop.wait(min(self._every_s, 5.0)):
            run_due_jobs(self._database, self._clock, every * 0.9)
