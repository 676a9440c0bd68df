"""Who ate of a bad lot, what was seen of them, and until when they are looked at."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.feeding.rules import Appetite
from service.http.bodies import Code, Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots import queries as lots
from service.quality.queries.listing import units_of
from service.quantities import Units
from service.security.guard import MayDecideWatch, MayLook, MayWatch, guarded_router
from service.site import queries as sites
from service.site.models import Site
from service.watch_list.actions import observing, opening
from service.watch_list.models import Watch, WatchObservation
from service.watch_list.queries.considering import Doubtful, doubtful
from service.watch_list.queries.standing import (
    Listed,
    Standing,
    key_of,
    standings,
    watch_by_id,
    watches,
)
from service.watch_list.queries.standing import observations as observations_of
from service.watch_list.rules.hazards import CAUTIONS, Hazard, Sign, signs_of
from service.watch_list.rules.rounds import Round, RoundState
from service.watch_list.schemas import (
    CauseOut,
    ChangeOut,
    CloseIn,
    DoubtfulOut,
    ObservationIn,
    ObservationOut,
    RoundOut,
    SignOut,
    WatchedOut,
    WatchIn,
    WatchOut,
    WatchSummary,
)

router: APIRouter = guarded_router("/watches", "watch list")


class WatchState(StrEnum):
    """Whether a watch goes on."""

    OPEN = "open"
    CLOSED = "closed"


@router.post("", status_code=201)
def open_watch(order: WatchIn, session: WriteSession, at: Now, by: MayDecideWatch) -> WatchOut:
    """Watch those who ate of a lot, or of one thaw batch of it.

    After a failed laboratory test one opens by itself.
    """
    watch = opening.open_by_hand(session, order, at=at, by=by)
    return _shown(session, watch, at=at)


@router.get("")
def list_watches(
    session: ReadSession,
    at: Now,
    by: MayLook,
    state: Annotated[WatchState | None, Query(description="Left out: all.")] = None,
    lot: Code | None = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[WatchSummary]:
    """Watches, newest first: whom they are about, what is due, what was seen."""
    known = {site.id or 0: site for site in sites.sites(session, by=by)}
    rows = watches(
        session,
        list(known),
        open_=None if state is None else state is WatchState.OPEN,
        lot_id=lots.lot_by_code(session, lot, by=by).id if lot else None,
        limit=limit + 1,
        before_id=int(decode_cursor(cursor, int)[0]) if cursor is not None else None,
    )
    more = encode_cursor(rows[limit - 1].id or 0) if len(rows) > limit else None
    found = standings(session, rows[:limit], at=at) if rows else []
    return Page(next=more, items=[_summary(each, known[each.watch.site_id]) for each in found])


@router.get("/to-consider")
def list_doubtful(
    session: ReadSession,
    at: Now,
    by: MayLook,
    days: Annotated[float, Query(ge=1, le=31, description="Eaten of since so many days.")] = 7,
) -> Page[DoubtfulOut]:
    """Lots eaten of lately that are held, recalled, condemned, rejected or were fed against a
    clock, and that no open watch is kept for: whether one is needed is the vet's to decide.
    """
    known = {site.id or 0: site for site in sites.sites(session, by=by)}
    found = doubtful(session, list(known), at - timedelta(days=days))
    return Page(items=[_doubtful_out(each, known[each.site_id]) for each in found])


def _doubtful_out(each: Doubtful, site: Site) -> DoubtfulOut:
    return DoubtfulOut(
        site=site.code,
        lot=each.lot,
        eaten=units_of(site.mass_unit).mass_out(each.eaten_g),
        first_fed_at=each.first_at,
        last_fed_at=each.last_at,
        because=list(each.because),
    )


@router.get("/{watch}")
def get_watch(watch: Number, session: ReadSession, at: Now, by: MayLook) -> WatchOut:
    """One watch: everybody who ate of it, which looks were taken and are due, what to look for.

    As CSV: one row for each who ate of it.
    """
    return _shown(session, watch_by_id(session, watch, by=by), at=at)


@router.post("/{watch}/observations", status_code=201)
def observe(
    watch: Number, look: ObservationIn, session: WriteSession, at: Now, by: MayWatch
) -> ObservationOut:
    """What was seen of one animal, or that nothing was; a sign is told to the vet at once."""
    stored, code = observing.observe(session, watch, look, at=at, by=by)
    return _look_out(stored, {key_of(stored): code})


@router.get("/{watch}/observations")
def list_observations(
    watch: Number,
    session: ReadSession,
    by: MayLook,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[ObservationOut]:
    """Every look of a watch, the last recorded first."""
    found = watch_by_id(session, watch, by=by)
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows, codes = observations_of(session, found.id or 0, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1].id or 0) if len(rows) > limit else None
    return Page(next=more, items=[_look_out(row, codes) for row in rows[:limit]])


@router.post("/{watch}/close")
def close_watch(
    watch: Number, order: CloseIn, session: WriteSession, at: Now, by: MayDecideWatch
) -> WatchOut:
    """A vet or manager ends a watch, with a reason."""
    return _shown(session, observing.close(session, watch, order, at=at, by=by), at=at)


def _shown(session: Session, watch: Watch, *, at: datetime) -> WatchOut:
    (standing,) = standings(session, [watch], at=at)
    site = session.get_one(Site, watch.site_id)
    units = units_of(site.mass_unit)
    return WatchOut(
        **_summary(standing, site).model_dump(),
        cautions=list(CAUTIONS),
        causes=[
            CauseOut(
                assay=cause.assay_id,
                withdrawn=cause.assay_id in standing.withdrawn,
                hazards=[Hazard(each) for each in cause.hazards],
                because=cause.because,
                added_at=cause.added_at,
                by=cause.by,
            )
            for cause in standing.causes
        ],
        changes=[
            ChangeOut(kind=row.kind, because=row.because, at=row.at, by=row.by)
            for row in standing.changes
        ],
        look_for=[SignOut(**each.__dict__) for each in signs_of(standing.hazards)],
        items=[_watched_out(each, units, at) for each in standing.listed],
    )


def _summary(standing: Standing, site: Site) -> WatchSummary:
    watch, watched = standing.watch, standing.watched
    is_open = watch.closed_at is None
    due = [each.next_due_at for each in watched if is_open and each.next_due_at]
    return WatchSummary(
        id=watch.id or 0,
        site=site.code,
        lot=standing.lot,
        thaw_batch=standing.thaw_batch,
        state=WatchState.OPEN if is_open else WatchState.CLOSED,
        hazards=standing.hazards,
        because="; ".join(cause.because for cause in standing.causes),
        note_only=not watched,
        opened_at=watch.opened_at,
        by=watch.by,
        hours=watch.hours,
        round_h=watch.round_h,
        watched=len(watched),
        only_listed=len(standing.listed) - len(watched),
        until=standing.until,
        left_hours=_left(standing.until, standing.at),
        next_due_at=min(due, default=None),
        overdue=sum(len(each.overdue) for each in watched) if is_open else 0,
        noticed=[each.eater.code for each in standing.listed if each.noticed],
        closing_proposed_at=watch.closing_proposed_at,
        closed_at=watch.closed_at,
        closed_by=watch.closed_by,
        closed_because=watch.closed_because,
    )


def _left(until: datetime | None, at: datetime) -> float | None:
    return None if until is None else max(0.0, round((until - at).total_seconds() / 3600, 2))


def _watched_out(each: Listed, units: Units, at: datetime) -> WatchedOut:
    eater, eaten = each.eater, each.eaten
    states = [round_.state for round_ in each.rounds]
    return WatchedOut(
        animal=eater.code if eater.animal_id else None,
        group=eater.code if eater.group_id else None,
        name=eater.name,
        present_unnamed=eater.unnamed,
        feeds=eaten.feeds if eaten else 0,
        eaten=units.mass_out(eaten.eaten_g if eaten else 0),
        estimated=units.mass_out(eaten.estimated_g if eaten else 0),
        may_have_eaten=eaten is not None and eaten.estimated_g == eaten.eaten_g,
        first_fed_at=eaten.fed.first_at if eaten else None,
        last_fed_at=eaten.fed.last_at if eaten else None,
        watched=each.watched,
        until=each.until,
        left_hours=_left(each.until, at),
        next_due_at=each.next_due_at,
        overdue=len(each.overdue),
        done=states.count(RoundState.DONE),
        missed=states.count(RoundState.MISSED),
        signs=[Sign(sign) for sign in each.signs],
        noticed=each.noticed,
        rounds=[_round_out(round_, each.looks) for round_ in each.rounds],
    )


def _round_out(round_: Round, looks: tuple[WatchObservation, ...]) -> RoundOut:
    look = None if round_.look is None else looks[round_.look]
    return RoundOut(
        due_at=round_.due_at,
        state=round_.state,
        at=look.occurred_at if look else None,
        by=look.by if look else None,
        signs=[Sign(sign) for sign in look.signs] if look else [],
        other=look.other if look else None,
        appetite=_appetite(look) if look else None,
    )


def _appetite(look: WatchObservation) -> Appetite | None:
    return Appetite(look.appetite) if look.appetite else None


def _look_out(look: WatchObservation, codes: Mapping[str, str]) -> ObservationOut:
    code = codes[key_of(look)]
    return ObservationOut(
        id=look.id or 0,
        watch=look.watch_id,
        animal=code if look.animal_id else None,
        group=code if look.group_id else None,
        signs=[Sign(sign) for sign in look.signs],
        other=look.other,
        appetite=_appetite(look),
        occurred_at=look.occurred_at,
        recorded_at=look.recorded_at,
        by=look.by,
    )
