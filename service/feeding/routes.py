"""Feeds, and what an animal ate."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Annotated

from fastapi import APIRouter, Query

from service.animals import queries as animals
from service.errors import Invalid
from service.feeding import actions, queries
from service.feeding.queries import Eaten
from service.feeding.rules import Appetite
from service.feeding.schemas import (
    FeedIn,
    FeedItemOut,
    FeedOut,
    IntakeDay,
    IntakeOut,
    LotEaten,
    SpeciesEaten,
)
from service.http.bodies import Day
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import Units
from service.security.guard import MayFeed, MayLook, guarded_router
from service.site import queries as sites

feeds: APIRouter = guarded_router("/feeds", "feeding")
intake: APIRouter = guarded_router("/animals", "feeding")
routers = (feeds, intake)

MOST_DAYS = 400


@feeds.post("", status_code=201)
def feed(order: FeedIn, session: WriteSession, at: Now, by: MayFeed) -> FeedOut:
    """One animal was fed: offered, eaten, left, by thaw batch."""
    fed = actions.feed(session, order, at=at, by=by)
    units = sites.view(session, fed.site_id, at=at).units
    return FeedOut(
        id=fed.feed.id or 0,
        animal=order.animal,
        occurred_at=fed.feed.occurred_at,
        appetite=Appetite(fed.feed.appetite),
        movement_id=fed.movement_id,
        items=[
            FeedItemOut(
                thaw_batch=batch.batch.code,
                lot=batch.lot.code,
                species=batch.lot.species_code,
                offered=units.mass_out(item.offered_g),
                eaten=units.mass_out(item.eaten_g),
                left=units.mass_out(item.left_g),
            )
            for item, batch in actions.items_of(fed)
        ],
        breaches=list(fed.breaches),
        findings=list(fed.findings),
    )


@intake.get("/{animal}/intake")
def get_intake(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: Annotated[Day | None, Query(alias="from")] = None,
    to_day: Annotated[Day | None, Query(alias="to")] = None,
) -> IntakeOut:
    """What an animal ate, day by day, both days included. One query of its feeds."""
    found = animals.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    last = to_day or view.day_of(at)
    first = from_day or last - timedelta(days=29)
    if last < first:
        raise Invalid.at("to", "lies before from")
    if (last - first).days >= MOST_DAYS:
        raise Invalid.at("from", f"at most {MOST_DAYS} days at once")
    eaten = queries.eaten_by(session, found.id or 0, view.start_of(first), view.end_of(last))
    days: dict[date, list[Eaten]] = {}
    for item in eaten:
        days.setdefault(view.day_of(item.occurred_at), []).append(item)
    return IntakeOut(
        animal=found.code,
        from_day=first,
        to_day=last,
        days=[_day(day, items, view.units) for day, items in days.items()],
        total=view.units.mass_out(sum(i.eaten_g for i in eaten)),
        species=_by_species(eaten, view.units),
        lots=_by_lot(eaten, view.units),
    )


def _day(day: date, items: Sequence[Eaten], units: Units) -> IntakeDay:
    return IntakeDay(
        day=day,
        feeds=len({i.feed_id for i in items}),
        offered=units.mass_out(sum(i.offered_g for i in items)),
        eaten=units.mass_out(sum(i.eaten_g for i in items)),
        left=units.mass_out(sum(i.left_g for i in items)),
        species=_by_species(items, units),
        lots=_by_lot(items, units),
    )


def _by_species(items: Sequence[Eaten], units: Units) -> list[SpeciesEaten]:
    totals: dict[str, int] = {}
    for item in items:
        totals[item.species] = totals.get(item.species, 0) + item.eaten_g
    return [SpeciesEaten(species=s, eaten=units.mass_out(g)) for s, g in totals.items()]


def _by_lot(items: Sequence[Eaten], units: Units) -> list[LotEaten]:
    return [
        LotEaten(lot=lot, species=species, eaten=units.mass_out(grams))
        for (_, lot, species), grams in queries.grams_by_lot(items).items()
    ]
