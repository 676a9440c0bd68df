"""Times in which a place was too warm for too long, rising fast, or silent."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.excursions import queries
from service.excursions.models import Excursion
from service.excursions.queries.shown import Filter, Shown, shown, shown_by_id
from service.excursions.rules import ExcursionKind, ExcursionState
from service.excursions.rules.words import CAUTION
from service.excursions.schemas import AffectedOut, ExcursionDetail, ExcursionOut, RevisionOut
from service.http.bodies import (
    Cursor,
    Limit,
    Moment,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import ReadSession
from service.lots import queries as lots
from service.science.excursion_shape import Cause
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites

excursions: APIRouter = guarded_router("/excursions", "temperatures")
routers = (excursions,)


@excursions.get("")
def list_excursions(
    session: ReadSession,
    by: MayLook,
    place: Annotated[str | None, Query(max_length=40)] = None,
    state: ExcursionState | None = None,
    kind: ExcursionKind | None = None,
    from_at: Annotated[Moment | None, Query(alias="from")] = None,
    to_at: Annotated[Moment | None, Query(alias="to")] = None,
    merged: Annotated[bool, Query(description="Also those that another stands for.")] = False,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[ExcursionOut]:
    """Times in which a place was too warm for too long, rising fast, or silent; newest first.

    Those that another stands for are left out unless asked for, and those withdrawn unless
    their state is named. Begin, end and peak are those of an event with all its parts.
    """
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    place_id = None
    if place is not None:
        place_id = sites.place_by_code(session, place, by=by, field="place").id
    asked = Filter(place_id, state, kind, from_at, to_at, merged)
    rows = shown(session, sites.sites_seen(session, by=by), asked, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(next=more, items=_outs(session, rows[:limit]))


@excursions.get("/{number}")
def show_excursion(number: Number, session: ReadSession, by: MayLook) -> ExcursionDetail:
    """One excursion: how it was known when, its parts, and the fish that it met."""
    excursion = queries.excursion_by_id(session, number, by=by)
    (row,) = shown_by_id(session, [number])
    merged = [e.id or 0 for e in queries.merged_into(session, [number])]
    return ExcursionDetail(
        **_outs(session, [row])[0].model_dump(),
        criteria=excursion.criteria,
        revisions=[
            RevisionOut.model_validate(revision, from_attributes=True)
            for revision in queries.revisions(session, number)
        ],
        merged=[_out(*part) for part in shown_by_id(session, merged)],
        followed_by=queries.followed_by(session, number),
        affected=_affected(session, excursion, excursion.opened_at),
        caution=CAUTION,
    )


def _outs(session: Session, rows: Sequence[Shown]) -> list[ExcursionOut]:
    """Excursions with what their parts add to them. One query."""
    wholes = queries.wholes(session, [e for e, _, _ in rows])
    return [_out(*row).model_copy(update=vars(wholes[row[0].id or 0])) for row in rows]


def _out(e: Excursion, place: str, probe: str) -> ExcursionOut:
    return ExcursionOut(
        id=e.id or 0,
        place=place,
        probe=probe,
        kind=ExcursionKind(e.kind),
        state=ExcursionState(e.state),
        from_at=e.from_at,
        ended_at=e.ended_at,
        limit_c=e.limit_c,
        peak_c=e.peak_c,
        cause=Cause(e.cause),
        reason=e.reason,
        opened_at=e.opened_at,
        revision=e.revision,
        follows=e.follows_id,
        merged_into=e.merged_into_id,
    )


def _affected(session: Session, excursion: Excursion, at: datetime) -> list[AffectedOut]:
    found = queries.affected(session, excursion.id or 0)
    units = sites.view(session, queries.site_of(session, excursion), at=at).units
    of = lots.lots_by_id(session, [fish.lot_id for fish in found])
    places = sites.places_by_id(session, [fish.place_id for fish in found])
    return [
        AffectedOut(
            parcel=fish.parcel_id,
            lot=of[fish.lot_id].code,
            place=places[fish.place_id].code,
            in_place=fish.in_place,
            from_at=fish.from_at,
            until_at=fish.until_at,
            mass=units.mass_out(fish.grams),
            on_hand=units.mass_out(fish.on_hand),
        )
        for fish in found
    ]
