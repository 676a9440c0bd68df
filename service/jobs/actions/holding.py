"""Keeping a lease while something is being done."""

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from service.clock import Clock
from service.database import Database
from service.jobs.actions import leases
from service.security.transactions import transaction

log = logging.getLogger(__name__)


@contextmanager
def renewed(
    database: Database, clock: Clock, name: str, fence: int, lease: timedelta
) -> Iterator[threading.Event]:
    """The lease is renewed meanwhile, from another thread, as long as this process runs.

    Yields what is set when it is no longer ours.
    """
    over, lost = threading.Event(), threading.Event()

    def renew() -> None:
        while not lost.is_set() and not over.wait(lease.total_seconds() / 3):
            try:
                with transaction(database.writer) as session:
                    if not leases.renew(session, name, fence, at=clock(), lease=lease):
                        lost.set()
            except Exception as error:  # tried again in a third of a lease
                log.warning("the lease of %s was not renewed: %s", name, error)

    thread = threading.Thread(target=renew, name=f"lease of {name}", daemon=True)
    thread.start()
    try:
        yield lost
    finally:
        over.set()
