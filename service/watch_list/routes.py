"""Who ate of a bad lot, what was seen of them, and until when they are looked at."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query

from service.http.bodies import Code, Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots import queries as lots
from service.quality.queries.listing import units_of
from service.security.guard import MayDecideWatch, MayLook, MayWatch, guarded_router
from service.site import queries as sites
from service.site.models import Site
from service.watch_list.actions import observing, opening
from service.watch_list.queries.considering import Doubtful, doubtful
from service.watch_list.queries.shown import WatchState, look_out, summary, watch_out
from service.watch_list.queries.standing import (
    key_of,
    standings,
    watch_by_id,
    watches,
)
from service.watch_list.queries.standing import observations as observations_of
from service.watch_list.schemas import (
    CloseIn,
    DoubtfulOut,
    ObservationIn,
    ObservationOut,
    WatchIn,
    WatchOut,
    WatchSummary,
)

router: APIRouter = guarded_router("/watches", "watch list")


@router.post("", status_code=201)
def open_watch(order: WatchIn, session: WriteSession, at: Now, by: MayDecideWatch) -> WatchOut:
    """Watch those who ate of a lot, or of one thaw batch of it.

    After a failed laboratory test one opens by itself.
    """
    watch = opening.open_by_hand(session, order, at=at, by=by)
    return watch_out(session, watch, at=at)


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
    return Page(next=more, items=[summary(each, known[each.watch.site_id]) for each in found])


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
    return watch_out(session, watch_by_id(session, watch, by=by), at=at)


@router.post("/{watch}/observations", status_code=201)
def observe(
    watch: Number, look: ObservationIn, session: WriteSession, at: Now, by: MayWatch
) -> ObservationOut:
    """What was seen of one animal, or that nothing was; a sign is told to the vet at once."""
    stored, code = observing.observe(session, watch, look, at=at, by=by)
    return look_out(stored, {key_of(stored): code})


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
    return Page(next=more, items=[look_out(row, codes) for row in rows[:limit]])


@router.post("/{watch}/close")
def close_watch(
    watch: Number, order: CloseIn, session: WriteSession, at: Now, by: MayDecideWatch
) -> WatchOut:
    """A vet or manager ends a watch, with a reason."""
    return watch_out(session, observing.close(session, watch, order, at=at, by=by), at=at)
