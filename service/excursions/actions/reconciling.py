"""Bringing what is stored of a probe's excursions in line with what its readings show now."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import floor

import numpy as np
from sqlmodel import Session

from service.excursions.actions.judging import Judged
from service.excursions.actions.linking import link
from service.excursions.actions.meeting import meet, meet_newcomers
from service.excursions.actions.states import keep, revise
from service.excursions.actions.telling import News, tell_of
from service.excursions.models import Excursion, PassedDefrost
from service.excursions.queries import watching as queries
from service.excursions.queries.watching import Book
from service.excursions.rules import ExcursionKind, ExcursionState
from service.excursions.rules.detecting import Found
from service.excursions.rules.hanging import Hung
from service.probes import queries as probes
from service.probes.models import Probe
from service.science.excursion_shape import STEEP_K_PER_H, Cause, cause_of, shape_of
from service.security import audit
from service.security.actor import SERVICE
from service.temperatures import queries as temperatures

BEFORE_S, LOOKED_AT_S, AFTER_S = 6 * 3600, 86400, 600  # of readings for a guess at the cause


@dataclass
class _Pass:
    """One probe in one pass: what is known, and what has become of it."""

    probe: Probe
    pieces: list[Hung]
    book: Book
    judged: Judged
    at: datetime
    news: list[tuple[Excursion, News]] = field(default_factory=list)
    changed: dict[int, Excursion] = field(default_factory=dict)
    opened: int = 0


def reconcile(
    session: Session,
    probe: Probe,
    pieces: list[Hung],
    book: Book,
    judged: Judged,
    *,
    at: datetime,
) -> int:
    """Open, continue, end, revise, merge and withdraw. Returns how many were opened.

    An excursion that was decided is never changed: what came to light is one that follows
    it. Cost grows with the excursions that go on or that something was found about.
    """
    now = _Pass(probe, pieces, book, judged, at)
    finds = sorted(judged.finds.excursions.values(), key=lambda found: found.from_s)
    since_s = min([judged.from_s, *(found.from_s for found in finds)])
    rows = list(queries.standing_since(session, probe.id or 0, temperatures.instant(since_s)))
    for found in finds:
        same = [row for row in rows if _is_same(row, found)]
        rows = [row for row in rows if row not in same]
        _match(session, now, found, same)
    for row in rows:
        if row.state != ExcursionState.DECIDED and _is_no_more(row, judged):
            _withdraw(session, now, row, _why_not(session, now, row))
    _keep_passed(session, now)
    _link(session, now)
    for row, news in now.news:
        if _is_news(session, now, row, news):
            tell_of(session, row, news, book, probe.code, at=at)
    return now.opened


def _is_news(session: Session, now: _Pass, row: Excursion, news: News) -> bool:
    """Whether people are told: once for an event, however many probes saw it; it is over when
    all its parts are; a part that is warmer by a step is told of too."""
    if news is News.WITHDRAWN:
        return row.merged_into_id is None
    if row.merged_into_id is None:
        return news is not News.ENDED or row.state == ExcursionState.ENDED
    whole = session.get_one(Excursion, row.merged_into_id)
    if news is News.OPENED:
        step = now.book.policy(row.place_id, int(now.at.timestamp())).excursion_worse
        peaks = (row.peak_c, whole.peak_c)
        return None not in peaks and (row.peak_c or 0.0) - (whole.peak_c or 0.0) >= step
    return news is News.WORSE or (news is News.ENDED and whole.state == ExcursionState.ENDED)


def _is_same(row: Excursion, found: Found) -> bool:
    """Whether a stored excursion and one that was found are about the same time."""
    if (row.kind, row.place_id) != (found.kind, found.place_id):
        return False
    begun = int(row.from_at.timestamp())
    ended = np.inf if row.ended_at is None else row.ended_at.timestamp()
    over = np.inf if found.ended_s is None else found.ended_s
    return begun == found.from_s or (begun < over and ended > found.from_s)


def _is_no_more(row: Excursion, judged: Judged) -> bool:
    if row.ended_at is None:
        return True
    return judged.afresh and row.ended_at.timestamp() > judged.from_s


def _match(session: Session, now: _Pass, found: Found, same: list[Excursion]) -> None:
    """One that was found, and what is stored about that time."""
    decided = [row for row in same if row.state == ExcursionState.DECIDED]
    live = [row for row in same if row.state != ExcursionState.DECIDED]
    if live:
        _update(session, now, live[0], found)
        for row in live[1:]:
            row.merged_into_id = live[0].id
            _withdraw(session, now, row, f"one with excursion {live[0].id}")
    elif not decided:
        _open(session, now, found, None)
    elif all(_is_worse(found, row) for row in decided):
        _open(session, now, found, decided[-1])


def _is_worse(found: Found, decided: Excursion) -> bool:
    """Whether more is known now than what was decided on."""
    ended = None if decided.ended_at is None else int(decided.ended_at.timestamp())
    longer = ended is not None and (found.ended_s is None or found.ended_s > ended)
    earlier = found.from_s < int(decided.from_at.timestamp())
    warmer = found.peak_c is not None and found.peak_c > (decided.peak_c or -273.0) + 0.005
    return longer or earlier or warmer


def _open(session: Session, now: _Pass, found: Found, follows: Excursion | None) -> None:
    row = Excursion(
        place_id=found.place_id,
        probe_id=now.probe.id or 0,
        kind=found.kind,
        state=ExcursionState.OPEN if found.ended_s is None else ExcursionState.ENDED,
        from_at=temperatures.instant(found.from_s),
        ended_at=None if found.ended_s is None else temperatures.instant(found.ended_s),
        limit_c=found.limit_c,
        peak_c=found.peak_c,
        opened_at=now.at,
        follows_id=None if follows is None else follows.id,
    )
    row.reason = "opened" if follows is None else f"came to light after {follows.id} was decided"
    _describe(session, now, row, found)
    keep(session, row, row.reason, at=now.at, by=SERVICE)
    _note(session, now, row, "excursion opened")
    meet(session, row, at=now.at)
    now.opened += 1
    now.news.append((row, News.OPENED))


def _update(session: Session, now: _Pass, row: Excursion, found: Found) -> None:
    """A stored excursion as it is known now; a revision unless it only went on."""
    was = (row.from_at, row.ended_at, row.peak_c)
    before, peak_before = row.ended_at, row.peak_c
    row.from_at = temperatures.instant(found.from_s)
    row.ended_at = None if found.ended_s is None else temperatures.instant(found.ended_s)
    row.peak_c, row.limit_c = found.peak_c, found.limit_c
    if was == (row.from_at, row.ended_at, row.peak_c):
        if row.ended_at is None:
            meet_newcomers(session, row, at=now.at)
        elif now.judged.afresh:
            _describe(session, now, row, found)
            session.add(row)
        return
    worse = _stepped(now, row, peak_before)
    if before is None and row.ended_at is None and not now.judged.afresh:
        session.add(row)
        if worse:
            _describe(session, now, row, found)
            now.news.append((row, News.WORSE))
        meet_newcomers(session, row, at=now.at)
        return
    row.state = ExcursionState.OPEN if row.ended_at is None else ExcursionState.ENDED
    row.reason = _why_revised(now, before)
    _describe(session, now, row, found)
    revise(session, row, row.reason, at=now.at, by=SERVICE)
    _note(session, now, row, f"excursion revised: {row.reason}")
    meet(session, row, at=now.at)
    if before is None and row.ended_at is not None:
        now.news.append((row, News.ENDED))
    elif before is not None and row.ended_at is None:
        now.news.append((row, News.AGAIN))
    elif worse:
        now.news.append((row, News.WORSE))


def _stepped(now: _Pass, row: Excursion, before: float | None) -> bool:
    """Whether the peak has passed another step above the limit."""
    if row.peak_c is None or row.limit_c is None or before is None:
        return False
    step = now.book.policy(row.place_id, int(now.at.timestamp())).excursion_worse
    return floor((row.peak_c - row.limit_c) / step) > floor((before - row.limit_c) / step)


def _why_revised(now: _Pass, before: datetime | None) -> str:
    if now.judged.afresh:
        return "late readings or a correction of the probe"
    if before is None:
        left = now.judged.memory is not None and now.judged.memory.left_s is not None
        return "the probe was taken down or broke" if left else "ended"
    return "again, shortly after it had ended"


def _withdraw(session: Session, now: _Pass, row: Excursion, reason: str) -> None:
    """It is not: the row stays, and says why."""
    row.state, row.reason = ExcursionState.WITHDRAWN, reason
    revise(session, row, reason, at=now.at, by=SERVICE)
    _note(session, now, row, f"excursion withdrawn: {reason}")
    now.news.append((row, News.WITHDRAWN))


def _why_not(session: Session, now: _Pass, row: Excursion) -> str:
    begun = int(row.from_at.timestamp())
    over = np.inf if row.ended_at is None else row.ended_at.timestamp()
    for fault in probes.faults(session, [row.probe_id], live=True):
        if fault.from_s <= over and (fault.until_s is None or fault.until_s > begun):
            return f"the probe was declared faulty: {fault.reason}"
    there = [piece for piece in now.pieces if piece.place_id == row.place_id]
    if not any(piece.holds(begun) for piece in there):
        return "the probe hung elsewhere then"
    if row.kind == ExcursionKind.SILENT:
        return "later readings fill the gap"
    return "later readings or a correction of the probe show that it was not"


def _note(session: Session, now: _Pass, row: Excursion, what: str) -> None:
    now.changed[row.id or 0] = row
    site_id = now.book.places[row.place_id].site_id
    detail = {"excursion": row.id or 0, "revision": row.revision}
    audit.note(
        session,
        SERVICE,
        what,
        now.probe.code,
        at=now.at,
        site_id=site_id,
        after=row,
        detail=dict(detail),
    )


def _describe(session: Session, now: _Pass, row: Excursion, found: Found) -> None:
    """What it looks like, with the numbers that led to it. Two queries."""
    if found.kind is ExcursionKind.SILENT:
        return
    limits = now.book.limits(found.place_id, found.from_s)
    last_s = found.from_s + LOOKED_AT_S
    last_s = last_s if found.ended_s is None else min(last_s, found.ended_s)
    at_s, temperature_c = temperatures.raw(
        session, row.probe_id, found.from_s - BEFORE_S, last_s + AFTER_S + 1
    )
    ended = found.ended_s if found.ended_s is not None and found.ended_s <= last_s else None
    shape = shape_of(at_s, temperature_c, found.from_s, ended, regular=found.regular)
    row.cause = cause_of(shape)
    if found.kind is ExcursionKind.RISING:
        fast = shape is not None and shape.steepest_k_per_h >= STEEP_K_PER_H
        row.cause = Cause.UNKNOWN if fast else Cause.COMPRESSOR
    row.criteria = {
        "limit_c": limits.limit_c,
        "at_once_c": limits.at_once_c,
        "grace_min": limits.grace_s / 60,
        "spikes_in_two_days": found.spikes,
        **({} if shape is None else vars(shape)),
    }


def _keep_passed(session: Session, now: _Pass) -> None:
    """Keep the defrosts that were passed over, in place of those known before."""
    if now.judged.afresh:
        for row in queries.passed_since(session, now.probe.id or 0, now.judged.from_s):
            session.delete(row)
        session.flush()
    for passed in now.judged.finds.passed:
        session.add(
            PassedDefrost(
                probe_id=now.probe.id or 0,
                from_s=passed.from_s,
                until_s=passed.until_s,
                place_id=passed.place_id,
                peak_c=passed.peak_c,
            )
        )
    session.flush()


def _link(session: Session, now: _Pass) -> None:
    for place_id in {row.place_id for row in now.changed.values()}:
        since = min(row.from_at for row in now.changed.values() if row.place_id == place_id)
        limits = now.book.limits(place_id, int(since.timestamp()))
        near = timedelta(seconds=limits.merge_s)
        link(session, place_id, since, near, set(now.changed), at=now.at)
