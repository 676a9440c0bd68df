"""A worker as a process of its own, whose jobs leave something to count.

    python -m tests.jobs.counting_worker ADDRESS FOLDER LEASE_S KIND

KIND short: in one transaction it notes the job's fence and, while FOLDER/pause exists,
stands still before it commits. KIND long: two transactions, and the pause between them.
What it is at is said by files in FOLDER.
"""

import os
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

from sqlmodel import Session

from service.clock import Clock, system_clock
from service.database import Database, open_database
from service.security import audit
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.worker import Job, LongJob, ShortJob, Worker


def main(address: str, folder: Path, lease_s: float, kind: str) -> None:
    """Work until killed."""
    every = timedelta(seconds=0.2)

    def stand_still() -> None:
        (folder / f"paused-{os.getpid()}").touch()
        while (folder / "pause").exists():
            time.sleep(0.01)

    def short(session: Session, at: datetime) -> None:
        note(session, at, "short")
        session.connection()  # the transaction has begun, and holds what it has locked
        audit.write_pending(session)
        stand_still()

    def long(database: Database, clock: Clock) -> None:
        for half in ("first", "second"):
            with transaction(database.writer) as session:
                note(session, clock(), half)
            stand_still()

    jobs: dict[str, Job] = {
        "short": ShortJob("count", every, short),
        "long": LongJob("count", every, long),
    }
    Worker(open_database(address), system_clock, [jobs[kind]], lease_s=lease_s).run()


def note(session: Session, at: datetime, what: str) -> None:
    """An effect that can be counted, and who left it."""
    audit.note(session, SERVICE, "counted", f"{os.getpid()} {what}", at=at)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), float(sys.argv[3]), sys.argv[4])
