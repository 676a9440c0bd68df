"""The watch: excursions by warmth, by slope and by silence. Run every minute, by any process.

Each probe remembers until when it has been watched (`Probe.watched_until_s`) and what it
needs to go on from there (`ProbeWatch`), so a run costs the readings that are new. Whoever
changes what was measured before that mark sets it back: the watch then judges again from
there and brings what is stored in line.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from service.excursions.actions.judging import judge, remember
from service.excursions.actions.reconciling import reconcile
from service.excursions.queries import watching as queries
from service.probes import queries as probe_queries
from service.probes.models import Probe
from service.probes.rules import ProbeKind

WATCHED = (ProbeKind.AIR, ProbeKind.WATER)  # what the limits of places are about


@dataclass(frozen=True)
class Watched:
    """What a part of the watch did. last_id: go on after this probe; None: all are done."""

    opened: int
    last_id: int | None


def watch(session: Session, *, at: datetime) -> int:
    """Judge what every probe has read since the last watch. Returns how many were opened."""
    opened, after_id = 0, 0
    while True:
        part = watch_some(session, at=at, after_id=after_id, most=100)
        opened += part.opened
        if part.last_id is None:
            return opened
        after_id = part.last_id


def watch_some(session: Session, *, at: datetime, after_id: int, most: int) -> Watched:
    """The same for the next few probes by number, for a transaction of its own.

    Their rows are locked, in order, until commit: readings of other probes are stored
    meanwhile. Nine queries, and one or more for each probe.
    """
    locked = _lock(session, after_id, most)
    ids = [probe.id or 0 for probe in locked]
    if not ids:
        return Watched(0, None)
    book, hung = queries.book(session), queries.hung(session, ids)
    watches, going_on = queries.watches(session, ids), queries.probes_with_open(session, ids)
    offsets = probe_queries.offsets(session, ids)
    until_s, opened = int(at.timestamp()) + 1, 0
    for probe, probe_id in zip(locked, ids, strict=True):
        watched, pieces = watches.get(probe_id), hung[probe_id]
        judged = judge(
            session, probe, pieces, book, watched, offsets.get(probe_id), until_s=until_s
        )
        finds = judged.finds
        if judged.afresh or finds.excursions or finds.passed or probe_id in going_on:
            opened += reconcile(session, probe, pieces, book, judged, at=at)
        remember(session, probe, watched, judged)
    session.flush()
    return Watched(opened, ids[-1] if len(ids) == most else None)


def _lock(session: Session, after_id: int, most: int) -> Sequence[Probe]:
    statement = (
        select(Probe)
        .where(col(Probe.kind).in_(WATCHED), col(Probe.id) > after_id)
        .order_by(col(Probe.id))
        .limit(most)
        .with_for_update(of=Probe, key_share=True)
        .execution_options(populate_existing=True)
    )
    return session.exec(statement).all()
