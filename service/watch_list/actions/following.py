"""What the worker does: opens watches, tells what is overdue or new, closes what is over."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.notifications.rules import Urgency
from service.security.actor import SERVICE
from service.watch_list.actions.observing import end
from service.watch_list.actions.opening import open_for
from service.watch_list.actions.telling import because_of, note_change, tell_of, times
from service.watch_list.queries.failing import BadAssay, unwatched
from service.watch_list.queries.standing import REMEMBERED, Standing, followed, standings
from service.watch_list.rules.rounds import RoundState


@dataclass(frozen=True)
class Found:
    """Results without a watch, and watches of which there is something to tell."""

    bad: tuple[BadAssay, ...]
    watches: tuple[int, ...]

    def __bool__(self) -> bool:
        return bool(self.bad or self.watches)


def find_watches(session: Session, at: datetime) -> Found:
    """What is to be opened, told or closed; writes nothing.

    At most thirteen queries; cost grows with the feeds of the lots that are watched.
    """
    rows = followed(session, at)
    wanted = [s for s in standings(session, rows, at=at) if _calls(s)] if rows else []
    return Found(tuple(unwatched(session, at - REMEMBERED)), tuple(s.watch.id or 0 for s in wanted))


def follow_watches(session: Session, found: Found, at: datetime) -> int:
    """Do what `find_watches` found, on what it has become meanwhile. Returns how many were opened.

    Each thing is told once.
    """
    opened = [open_for(session, bad, at=at) for bad in found.bad]
    rows = followed(session, at, found.watches) if found.watches else ()
    for standing in standings(session, rows, at=at) if rows else ():
        _follow(session, standing, at)
    return sum(watch is not None for watch in opened)


def _calls(standing: Standing) -> bool:
    """Whether there is something to tell or to close."""
    if _current(standing) != standing.watch.known:
        return True
    if standing.watch.closed_at is not None:
        return False
    return bool(_overdue(standing)) or _to_propose(standing) or standing.is_over


def _follow(session: Session, standing: Standing, at: datetime) -> None:
    watch = standing.watch
    news = list(_news(standing))
    if news:
        _tell_news(session, standing, news, at)
    watch.known = _current(standing)
    session.add(watch)
    if watch.closed_at is not None:
        return
    overdue = _overdue(standing)
    if overdue:
        _tell_overdue(session, standing, overdue, at)
    if _to_propose(standing):
        _propose(session, standing, at)
    if standing.is_over:
        _end(session, standing, at)


def _current(standing: Standing) -> dict[str, str]:
    """Who is known to have eaten of it, and when last, as it is kept."""
    return {
        each.eater.key: each.eaten.fed.last_at.isoformat()
        for each in standing.listed
        if each.eaten is not None
    }


def _news(standing: Standing) -> Iterator[str]:
    """What feeds that were recorded or taken back since have changed, in words."""
    known: Mapping[str, str] = standing.watch.known
    for each in standing.listed:
        before = known.get(each.eater.key)
        if each.eaten is None:
            if before is not None:
                yield f"{each.eater.code} is not known to have eaten of it any more"
            continue
        last = each.eaten.fed.last_at
        said = f"{last:%Y-%m-%d %H:%M} UTC"
        if before is None:
            yield f"{each.eater.code} ate of it too, at last {said}"
        elif last > datetime.fromisoformat(before):
            yield f"{each.eater.code} ate of it again, at last {said}"
        elif last < datetime.fromisoformat(before):
            yield f"{each.eater.code} ate of it at last {said}, earlier than was known"
    gone = set(known) - {each.eater.key for each in standing.listed}
    if gone:
        yield f"{times(len(gone), 'other')} that nobody looked at: no feed of it stands any more"


def _tell_news(session: Session, standing: Standing, news: Sequence[str], at: datetime) -> None:
    watch = standing.watch
    because = "; ".join(news)
    end_at = standing.until
    until = f" The last look is due {end_at:%Y-%m-%d %H:%M} UTC." if end_at else ""
    closed = watch.closed_at is not None
    lines = [
        f"{because[0].upper()}{because[1:]}.{until}",
        f"It is kept for: {because_of(standing)}.",
    ]
    if closed:
        lines.append("To do: it was closed before this was known; the vet decides on a new watch.")
    tell_of(
        session,
        standing,
        f"Watch {watch.id}: what was fed of {standing.lot} is known better",
        lines,
        urgency=Urgency.NOW,
        at=at,
    )
    note_change(session, standing, "extended" if not closed else "late_record", because, at=at)


def _overdue(standing: Standing) -> list[tuple[str, datetime]]:
    """Looks that are overdue and of which nobody was told."""
    told = standing.watch.overdue_told_at
    return [
        (each.eater.code, round_.due_at)
        for each in standing.watched
        for round_ in each.overdue
        if told is None or round_.due_at > told
    ]


def _tell_overdue(
    session: Session, standing: Standing, overdue: Sequence[tuple[str, datetime]], at: datetime
) -> None:
    watch = standing.watch
    watch.overdue_told_at = max(due for _, due in overdue)
    session.add(watch)
    names = ", ".join(code for code, _ in overdue[:20])
    more = f" and {len(overdue) - 20} more" if len(overdue) > 20 else ""
    seen = any(each.noticed for each in standing.watched)
    tell_of(
        session,
        standing,
        f"Watch {watch.id}: {times(len(overdue), 'look')} overdue",
        [
            f"Due since {min(due for _, due in overdue):%Y-%m-%d %H:%M} UTC: {names}{more}.",
            f"They ate of {standing.lot}: {because_of(standing)}.",
            "To do: look at them now and record it, also that nothing was seen.",
        ],
        urgency=Urgency.NOW if seen else Urgency.TODAY,
        at=at,
    )


def _to_propose(standing: Standing) -> bool:
    return standing.is_unfounded and standing.watch.closing_proposed_at is None


def _propose(session: Session, standing: Standing, at: datetime) -> None:
    watch = standing.watch
    watch.closing_proposed_at = at
    session.add(watch)
    because = "every result that it was opened for has been withdrawn"
    tell_of(
        session,
        standing,
        f"Watch {watch.id} on {standing.lot} may be closed",
        [
            f"{because[0].upper()}{because[1:]}: {because_of(standing)}.",
            "To do: the vet closes it with a reason, or lets it go on; it does not end by this.",
        ],
        urgency=Urgency.TODAY,
        at=at,
    )
    note_change(session, standing, "closing_proposed", because, at=at)


def _end(session: Session, standing: Standing, at: datetime) -> None:
    watch = standing.watch
    missed = sum(
        round_.state is RoundState.MISSED for each in standing.watched for round_ in each.rounds
    )
    seen = [each.eater.code for each in standing.watched if each.noticed]
    because = (
        f"{watch.hours:g} h after the last feed are over and everybody here was looked at; "
        f"{times(missed, 'look')} missed; "
        + (f"signs were seen of {', '.join(seen)}, none at last" if seen else "no sign was seen")
    )
    end(session, watch, because, at, at=at, by=SERVICE)
    tell_of(
        session,
        standing,
        f"Watch {watch.id} on {standing.lot} is over",
        [f"{because[0].upper()}{because[1:]}."],
        urgency=Urgency.TODAY,
        at=at,
        ends=True,
    )
