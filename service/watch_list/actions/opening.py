"""Opening a watch: for what a laboratory found, or by hand."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlmodel import Session

from service.catalogue.queries import lock_species
from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.notifications.rules import Urgency
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.site import queries as sites
from service.site.rules import Policy
from service.watch_list.actions.telling import because_of, tell_of, times
from service.watch_list.models import Watch, WatchCause, WatchChange
from service.watch_list.queries.eating import Eaten, eaten_of, in_all
from service.watch_list.queries.failing import BadAssay
from service.watch_list.queries.standing import Standing, open_watches_of, standings
from service.watch_list.rules.hazards import Hazard, Span, hazard_of_test, hazards, span_of
from service.watch_list.schemas import WatchIn


def open_by_hand(session: Session, order: WatchIn, *, at: datetime, by: Actor) -> Watch:
    """Watch those who ate of a lot, or of one thaw batch of it.

    Raises NotFound, Invalid for a thaw batch of another lot, Conflict `nobody-ate` and
    `already-watched`.
    """
    refuse_future(order.occurred_at, now=at)
    lot = lots.lot_by_code(session, order.lot, by=by)
    opened_at = sites.happened_at(session, lot.site_id, order.occurred_at, now=at)
    lock_species(session, [lot.species_code])
    batch_id = _batch_of(session, order, lot.id or 0, by)
    for known in open_watches_of(session, lot.id or 0):
        if known.thaw_batch_id == batch_id and order.hazard in _hazards_of(session, known, at):
            raise Conflict(
                f"watch {known.id} is open for that",
                kind="already-watched",
                advice="Record what is seen there, or close it first.",
            )
    eaten = in_all(eaten_of(session, [lot.id or 0])[lot.id or 0], batch_id)
    if not eaten:
        raise Conflict(
            f"nobody is known to have eaten of {order.thaw_batch or lot.code}",
            kind="nobody-ate",
            advice="Record what was fed, also late, then open the watch.",
        )
    policy = sites.view(session, lot.site_id, at=opened_at).policy
    span = span_of([order.hazard], policy)
    watch = _store(
        session,
        site_id=lot.site_id,
        lot_id=lot.id or 0,
        thaw_batch_id=batch_id,
        span=span if order.hours is None else Span(order.hours, span.round_h),
        policy=policy,
        eaten=eaten.values(),
        opened_at=opened_at,
        at=at,
        by=by,
    )
    _add_cause(session, watch, [order.hazard], order.reason, None, at=opened_at, by=by)
    _tell_opened(session, watch, at=at, by=by)
    return watch


def _batch_of(session: Session, order: WatchIn, lot_id: int, by: Actor) -> int | None:
    if order.thaw_batch is None:
        return None
    batch = ledger.batch_by_code(session, order.thaw_batch, by=by, field="thaw_batch")
    if batch.lot_id != lot_id:
        raise Invalid.at("thaw_batch", f"{batch.code} is of another lot")
    return batch.id


def _hazards_of(session: Session, watch: Watch, at: datetime) -> list[Hazard]:
    (standing,) = standings(session, [watch], at=at)
    return standing.hazards


def open_for(session: Session, bad: BadAssay, *, at: datetime) -> Watch | None:
    """Watch those who ate of a lot that a laboratory found out of limits.

    Where a watch of the lot is open and looks as often, the result joins it. None where
    nobody ate of the lot by now: then it is asked again.
    """
    eaten = in_all(eaten_of(session, [bad.lot_id])[bad.lot_id])
    if not eaten:
        return None
    feared = list(dict.fromkeys(hazard_of_test(test) for test in bad.tests))
    policy = sites.view(session, bad.site_id, at=at).policy
    span = span_of(feared, policy)
    because = (
        f"assay {bad.id} of {bad.lot}, sampled {bad.sampled_on}, {bad.laboratory}: "
        + ", ".join(test.replace("_", " ") for test in bad.tests)
        + " out of limits"
    )
    watch = next((w for w in open_watches_of(session, bad.lot_id) if _joins(w, span)), None)
    if watch is None:
        watch = _store(
            session,
            site_id=bad.site_id,
            lot_id=bad.lot_id,
            thaw_batch_id=None,
            span=span,
            policy=policy,
            eaten=eaten.values(),
            opened_at=at,
            at=at,
            by=SERVICE,
        )
    else:
        _lengthen(session, watch, span, because, at)
    _add_cause(session, watch, feared, because, bad.id, at=at, by=SERVICE)
    _tell_opened(session, watch, at=at, by=SERVICE)
    return watch


def _joins(watch: Watch, span: Span) -> bool:
    """One grid for all that is feared, unless it would be looked at too seldom for that."""
    often = watch.hours == 0 or span.hours == 0 or watch.round_h <= span.round_h
    return watch.thaw_batch_id is None and often


def _lengthen(session: Session, watch: Watch, span: Span, because: str, at: datetime) -> None:
    if watch.hours == 0:
        watch.from_at, watch.round_h = at, span.round_h
    watch.hours = max(watch.hours, span.hours)
    watch.closing_proposed_at = None
    session.add(watch)
    session.add(
        WatchChange(
            watch_id=watch.id or 0, kind="cause_added", because=because, at=at, by=SERVICE.name
        )
    )


def _store(
    session: Session,
    *,
    site_id: int,
    lot_id: int,
    thaw_batch_id: int | None,
    span: Span,
    policy: Policy,
    eaten: Iterable[Eaten],
    opened_at: datetime,
    at: datetime,
    by: Actor,
) -> Watch:
    watch = Watch(
        site_id=site_id,
        lot_id=lot_id,
        thaw_batch_id=thaw_batch_id,
        hours=span.hours,
        round_h=span.round_h,
        look_back_days=policy.watch_look_back_days,
        opened_at=opened_at,
        from_at=opened_at,
        recorded_at=at,
        by=by.name,
        known={row.eater.key: row.fed.last_at.isoformat() for row in eaten},
    )
    session.add(watch)
    session.flush()
    return watch


def _add_cause(
    session: Session,
    watch: Watch,
    feared: Sequence[Hazard],
    because: str,
    assay_id: int | None,
    *,
    at: datetime,
    by: Actor,
) -> None:
    session.add(
        WatchCause(
            watch_id=watch.id or 0,
            assay_id=assay_id,
            hazards=list(feared),
            because=because,
            added_at=at,
            by=by.name,
        )
    )
    session.flush()


def _tell_opened(session: Session, watch: Watch, *, at: datetime, by: Actor) -> None:
    (standing,) = standings(session, [watch], at=at)
    acute = bool(standing.watched)
    whom = ", ".join(each.eater.code for each in standing.watched[:20])
    more = len(standing.watched) - 20
    title = f"Watch {watch.id}: {times(len(standing.watched), 'animal')} ate of {standing.lot}"
    if not acute:
        title = f"Watch {watch.id}: note for the vet on {standing.lot}"
    feared = ", ".join(hazards()[hazard].says for hazard in standing.hazards)
    tell_of(
        session,
        standing,
        title,
        [
            f"{because_of(standing)}.",
            f"Feared: {feared}.",
            _whom(standing, whom, more),
            "To do: look at each now and every "
            f"{watch.round_h:g} h until {watch.hours:g} h after its last feed; call the attending "
            "veterinarian at the first sign."
            if acute
            else "To do: the attending veterinarian decides what follows, and closes the watch.",
        ],
        urgency=Urgency.NOW if acute else Urgency.TODAY,
        at=at,
    )
    audit.note(
        session,
        by,
        "watch opened",
        watch.id,
        at=at,
        site_id=watch.site_id,
        after=watch,
        detail={"lot": standing.lot, "watched": len(standing.watched)},
    )


def _whom(standing: Standing, whom: str, more: int) -> str:
    listed = len(standing.listed) - len(standing.watched)
    rest = f"; {times(listed, 'other')} ate of it and {'is' if listed == 1 else 'are'} not watched"
    said = f"Whom: {whom}{f' and {more} more' if more > 0 else ''}" if whom else "Whom: nobody"
    return said + (rest if listed else "") + "."
