"""Telling what was noticed: once, and once more when it is over."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject
from service.security import audit
from service.security.actor import SERVICE
from service.site import queries as sites
from service.welfare.actions.finding import appetites, intakes
from service.welfare.models import WelfareConcern
from service.welfare.queries import looking
from service.welfare.queries.looking import Eater
from service.welfare.rules import (
    APPETITE,
    DAILY,
    RULE_OF,
    Concern,
    ConcernKind,
    Reason,
    urgency_of,
    what_to_do,
)

Found = Mapping[int, Sequence[Concern]]
_OVER = "It has eaten or was weighed since, or a fast, a stage or a late record explains it."


def find_appetites(session: Session, at: datetime) -> Found:
    """What is to be told of the appetite of all animals, by site; writes nothing."""
    return {
        site_id: appetites(session, sites.view(session, site_id, at=at), at)
        for site_id in sites.sites_seen(session, by=SERVICE)
    }


def find_intakes(session: Session, at: datetime) -> Found:
    """What is to be told of the intake of all animals, by site; writes nothing."""
    return {
        site_id: intakes(session, sites.view(session, site_id, at=at), at)
        for site_id in sites.sites_seen(session, by=SERVICE)
    }


def tell_appetites(session: Session, found: Found, at: datetime) -> int:
    """Tell what is new of `find_appetites`, and what is over. Returns how many are new."""
    return _tell_new(session, found, APPETITE, at)


def tell_intakes(session: Session, found: Found, at: datetime) -> int:
    """Tell what is new of `find_intakes`, and what is over. Returns how many are new."""
    return _tell_new(session, found, DAILY, at)


def _tell_new(session: Session, found: Found, kinds: Collection[ConcernKind], at: datetime) -> int:
    told = [row for row in looking.open_concerns(session, sorted(found)) if row.kind in kinds]
    new = 0
    for site_id, concerns in found.items():
        wanted = {concern.key: concern for concern in concerns}
        open_ = {_key(row): row for row in told if row.site_id == site_id}
        going_on = {key[:3] for key in wanted}
        names = _Names(session, site_id)
        for key, row in open_.items():
            if key not in wanted:
                _end(session, row, names, at, over=key[:3] not in going_on)
        for key, concern in wanted.items():
            if key not in open_:
                _begin(session, site_id, concern, names, at)
                new += 1
    return new


def _key(row: WelfareConcern) -> tuple[int | None, int | None, ConcernKind, Reason | None]:
    reason = Reason(row.reason) if row.reason else None
    return row.animal_id, row.group_id, ConcernKind(row.kind), reason


class _Names:
    """The codes of a site's animals and groups, read when somebody is told of one."""

    def __init__(self, session: Session, site_id: int) -> None:
        self._session, self._site_id = session, site_id
        self._codes: dict[Eater, str] = {}

    def of(self, eater: Eater) -> str:
        """The code of an animal or a group."""
        if eater not in self._codes:
            self._codes = looking.codes(self._session, self._site_id)
        return self._codes[eater]


def _begin(session: Session, site_id: int, concern: Concern, names: _Names, at: datetime) -> None:
    name = names.of((concern.animal_id, concern.group_id))
    session.add(
        WelfareConcern(
            site_id=site_id,
            animal_id=concern.animal_id,
            group_id=concern.group_id,
            kind=concern.kind,
            reason=concern.reason,
            since=concern.since,
            because=concern.because,
            numbers=dict(concern.numbers),
            told_at=at,
        )
    )
    because = concern.because[0].upper() + concern.because[1:]
    lines = [f"{because}."]
    if concern.kind is ConcernKind.OFF_FOOD and concern.reason is Reason.REFUSED:
        lots = looking.lots_refused(session, concern.animal_id, concern.group_id, concern.since)
        lines += [f"Lots it refused: {', '.join(lots)}."] if lots else []
    lines.append(f"To do: {what_to_do(concern.kind, concern.reason)}.")
    _tell(session, site_id, concern, f"{name}: {_words(concern.kind, concern.reason)}", lines, at)
    audit.note(
        session,
        SERVICE,
        "concern noticed",
        name,
        at=at,
        site_id=site_id,
        detail={
            "kind": concern.kind,
            "rule": RULE_OF[concern.kind],
            "reason": concern.reason,
            "because": concern.because,
        },
    )


def _end(session: Session, row: WelfareConcern, names: _Names, at: datetime, *, over: bool) -> None:
    """Ended for another reason of the same kind, it is not over: the new one is told."""
    row.ended_at = at
    session.add(row)
    name = names.of((row.animal_id, row.group_id))
    audit.note(
        session,
        SERVICE,
        "concern over",
        name,
        at=at,
        site_id=row.site_id,
        detail={"concern": row.id, "kind": row.kind},
    )
    if over:
        *_, kind, reason = _key(row)
        title = f"{name}: {_words(kind, reason)} is over"
        concern = Concern(kind, row.since, row.because, row.animal_id, row.group_id, reason)
        _tell(
            session, row.site_id, concern, title, [f"It was: {row.because}.", _OVER], at, ends=True
        )


def _words(kind: ConcernKind, reason: Reason | None) -> str:
    words = kind.replace("_", " ")
    return f"{words} ({reason.replace('_', ' ')})" if reason else words


def _tell(
    session: Session,
    site_id: int,
    concern: Concern,
    title: str,
    lines: Sequence[str],
    at: datetime,
    *,
    ends: bool = False,
) -> None:
    tell(
        session,
        site_id=site_id,
        subject=Subject.ANIMAL,
        number=concern.animal_id or 0,
        title=title,
        body="\n".join(lines),
        urgency=urgency_of(concern.kind, concern.reason),
        at=at,
        ends=ends,
    )
