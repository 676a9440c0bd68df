"""Telling what is overdue: once, until it is done."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlmodel import Session

from service.chores import queries
from service.chores.models import OverdueChore
from service.chores.queries import Standing
from service.chores.rules import TOLD, ChoreState
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.site import queries as sites


def find_overdue(session: Session, at: datetime) -> dict[int, list[Standing]]:
    """What is overdue at each site, or was never recorded; writes nothing."""
    found: dict[int, list[Standing]] = {i: [] for i in sites.sites_seen(session, by=SERVICE)}
    for standing in queries.standings(session, by=SERVICE, at=at):
        if standing.due.state in TOLD:
            found[standing.site.id].append(standing)
    return found


def tell_overdue(session: Session, found: Mapping[int, Sequence[Standing]], at: datetime) -> int:
    """Keep and tell what is new of what was found, and end what has been done. Returns how many."""
    open_ = {
        (row.site_id, row.chore, row.place_id): row
        for row in queries.overdue(session, sorted(found))
    }
    wanted = {
        (site_id, str(kind), place_id): standing
        for site_id, mine in found.items()
        for standing in mine
        for kind, place_id in [standing.key]
    }
    for key, row in open_.items():
        if key not in wanted:
            row.ended_at = at
            session.add(row)
    new = [standing for key, standing in wanted.items() if key not in open_]
    for site_id in sorted(found):
        mine = [standing for standing in new if standing.site.id == site_id]
        if mine:
            _tell(session, site_id, mine, at)
    return len(new)


def _tell(session: Session, site_id: int, new: Sequence[Standing], at: datetime) -> None:
    """One message of all that a look has found."""
    for standing in new:
        kind, place_id = standing.key
        session.add(
            OverdueChore(
                site_id=site_id,
                chore=kind,
                place_id=place_id,
                state=standing.due.state,
                told_at=at,
            )
        )
    count = len(new)
    tell(
        session,
        site_id=site_id,
        subject=Subject.CHECK,
        number=0,
        title=f"{count} chore{'s are' if count > 1 else ' is'} overdue: {new[0].words}"
        + (" and others" if count > 1 else ""),
        body="\n".join(_line(standing) for standing in new),
        urgency=Urgency.TODAY,
        at=at,
    )
    audit.note(
        session,
        SERVICE,
        "chores overdue",
        new[0].site.code,
        at=at,
        site_id=site_id,
        detail={"chores": [standing.words for standing in new]},
    )


def _line(standing: Standing) -> str:
    words = standing.words[0].upper() + standing.words[1:]
    if standing.due.state is ChoreState.NOT_KNOWN:
        return f"{words}: nobody has recorded it in the last two months ({standing.chore.source})."
    last = standing.last
    on = f"last {last.at.astimezone(standing.site.zone):%Y-%m-%d %H:%M}" if last else "not done yet"
    return f"{words}: {on} ({standing.chore.source})."
