"""Recall, traces forward and backward, and holds."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.animals import queries as animals
from service.errors import Invalid
from service.http.bodies import (
    Code,
    Cursor,
    Day,
    Limit,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots import queries as lots
from service.lots.models import Hold, Lot
from service.lots.rules import plain_supplier_lot, supplier_lot_readings
from service.lots.schemas import HoldOut
from service.quality.queries.listing import status_of, units_of
from service.quantities import Units
from service.receiving.schemas import SupplierLot
from service.security.actor import Actor
from service.security.guard import MayHold, MayLook, guarded_router
from service.site import queries as sites
from service.site.models import Site
from service.site.queries import SiteView
from service.traceability import actions
from service.traceability.queries import backward, holding, matching, whereabouts
from service.traceability.queries.matching import Found, Matched
from service.traceability.queries.whereabouts import Eater, OnHand, Trace, Traces
from service.traceability.rules import Match, says_elsewhere
from service.traceability.schemas import (
    AnimalLotsOut,
    EaterOut,
    ElsewhereOut,
    FedOut,
    HeldOut,
    LotFedOut,
    LotTrace,
    LotTraceOut,
    MovedOut,
    OnHandOut,
    RecallHoldIn,
    RecallHoldsOut,
    RecallOut,
    TracedBatch,
    WhereaboutsOut,
)

recall: APIRouter = guarded_router("/recall", "traceability")
traced_lots: APIRouter = guarded_router("/lots", "traceability")
traced_animals: APIRouter = guarded_router("/animals", "traceability")
held: APIRouter = guarded_router("/holds", "traceability")
routers = (recall, traced_lots, traced_animals, held)

FromDay = Annotated[Day | None, Query(alias="from", description="Left out: from the first.")]
ToDay = Annotated[Day | None, Query(alias="to", description="Included; left out: to the last.")]


@recall.get("")
def find(
    session: ReadSession,
    at: Now,
    by: MayLook,
    supplier_lot: Annotated[SupplierLot, Query()],
    supplier: Annotated[Code | None, Query()] = None,
) -> RecallOut:
    """Every lot of a supplier lot code at all your sites, where all of it is, and who ate it."""
    found = actions.find(session, supplier_lot, supplier, by=by)
    shown = _shown(session, found.lots, by=by, at=at)
    return RecallOut(
        supplier_lot=supplier_lot,
        supplier=supplier,
        normalised=plain_supplier_lot(supplier_lot),
        read_as=sorted(supplier_lot_readings(supplier_lot)),
        exact=shown.traces(found.of(Match.EXACT)),
        may_be_of=shown.traces(found.of(Match.MAY_BE_OF)),
        look_alikes=shown.traces(found.of(Match.LOOK_ALIKE)),
        elsewhere=_elsewhere(found),
        items=shown.eaters(shown.found.eaters),
    )


@recall.post("/holds", status_code=201)
def hold(order: RecallHoldIn, session: WriteSession, at: Now, by: MayHold) -> RecallHoldsOut:
    """Hold every lot of a supplier lot code, or those named, at once."""
    done = actions.hold(session, order, at=at, by=by)
    return RecallHoldsOut(
        supplier_lot=order.supplier_lot,
        normalised=plain_supplier_lot(order.supplier_lot),
        holds=[_hold_out(placed, each.lot.code) for placed, each in done.holds],
        not_held=done.not_held,
        elsewhere=_elsewhere(done.found),
    )


@traced_lots.get("/{lot}/trace")
def trace(lot: str, session: ReadSession, at: Now, by: MayLook) -> LotTraceOut:
    """Where every gram of a lot is, and who was fed from it."""
    found = matching.named(session, lots.lot_by_code(session, lot, by=by))
    shown = _shown(session, [found], by=by, at=at)
    (traced,) = shown.traces([found])
    return LotTraceOut(**traced.__dict__, items=shown.eaters(shown.found.eaters))


@traced_lots.get("/{lot}/fed")
def fed(
    lot: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: FromDay = None,
    to_day: ToDay = None,
) -> FedOut:
    """Who was fed from a lot, both days included: whom to watch."""
    found = matching.named(session, lots.lot_by_code(session, lot, by=by))
    view = sites.view(session, found.lot.site_id, at=at)
    from_at, to_at = _span(view, from_day, to_day)
    rows = whereabouts.eaters(session, [found.lot_id], from_at, to_at)
    shown = Shown({found.lot_id: found}, _sites(session, by), Traces({}, (), {}))
    return FedOut(
        lot=found.lot.code,
        from_day=from_day,
        to_day=to_day,
        eaten=view.units.mass_out(sum(row.eaten_g for row in rows)),
        items=shown.eaters(rows),
    )


@traced_animals.get("/{animal}/lots")
def lots_of_animal(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: FromDay = None,
    to_day: ToDay = None,
) -> AnimalLotsOut:
    """What an animal was fed, by lot, supplier lot and supplier, both days included."""
    found = animals.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    rows = backward.lots_fed_to(session, found.id or 0, *_span(view, from_day, to_day))
    mass = view.units.mass_out
    return AnimalLotsOut(
        animal=found.code,
        from_day=from_day,
        to_day=to_day,
        eaten=mass(sum(row.eaten_g for row in rows)),
        items=[
            LotFedOut(
                lot=row.lot,
                supplier_lot=row.supplier_lot,
                supplier=row.supplier,
                product=row.product,
                species=row.species,
                feeds=row.feeds,
                offered=mass(row.offered_g),
                eaten=mass(row.eaten_g),
                left=mass(row.left_g),
                estimated=mass(row.estimated_g),
                first_fed_at=row.first_at,
                last_fed_at=row.last_at,
            )
            for row in rows
        ],
    )


@held.get("")
def list_holds(
    session: ReadSession,
    by: MayLook,
    open_: Annotated[
        bool | None, Query(alias="open", description="true: not released; left out: all.")
    ] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[HeldOut]:
    """Holds, oldest first: of which lot, who, why, since when, and how much lies where."""
    after = int(decode_cursor(cursor, int)[0]) if cursor is not None else 0
    known = _sites(session, by)
    rows = holding.holds(session, list(known), open_=open_, limit=limit + 1, after_id=after)
    there = whereabouts.on_hand(session, [lot.id or 0 for _, lot in rows])
    place_ids = {each.place_id for found in there.values() for each in found}
    places = whereabouts.place_codes(session, list(place_ids))
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    items = [_held_out(h, lot, known, there[lot.id or 0], places) for h, lot in rows[:limit]]
    return Page(items=items, next=more)


def _span(
    view: SiteView, first: date | None, last: date | None
) -> tuple[datetime | None, datetime | None]:
    if first is not None and last is not None and last < first:
        raise Invalid.at("to", "lies before from")
    from_at = None if first is None else view.start_of(first)
    return from_at, None if last is None else view.end_of(last)


def _sites(session: Session, by: Actor) -> dict[int, Site]:
    return {site.id: site for site in sites.sites(session, by=by) if site.id is not None}


def _elsewhere(found: Found) -> ElsewhereOut:
    exact, alike = found.exact_sites_elsewhere, found.look_alike_sites_elsewhere
    return ElsewhereOut(
        exact_sites=exact, look_alike_sites=alike, says=says_elsewhere(exact + alike)
    )


def _hold_out(placed: Hold, lot: str) -> HoldOut:
    return HoldOut(lot=lot, **placed.model_dump(exclude={"lot_id"}))


def _on_hand_out(each: OnHand, units: Units, places: Mapping[int, str]) -> OnHandOut:
    mass = units.mass_out(each.grams)
    return OnHandOut(place=places[each.place_id], thaw_batch=each.thaw_batch, mass=mass)


def _held_out(
    placed: Hold,
    lot: Lot,
    known: Mapping[int, Site],
    there: Iterable[OnHand],
    places: Mapping[int, str],
) -> HeldOut:
    site = known[lot.site_id]
    units = units_of(site.mass_unit)
    return HeldOut(
        **_hold_out(placed, lot.code).model_dump(),
        site=site.code,
        species=lot.species_code,
        supplier_lot=lot.supplier_lot,
        mass=units.mass_out(sum(each.grams for each in there)),
        on_hand=[_on_hand_out(each, units, places) for each in there],
    )


def _shown(session: Session, found: Iterable[Matched], *, by: Actor, at: datetime) -> "Shown":
    by_id = {each.lot_id: each for each in found}
    traces = whereabouts.traces(session, list(by_id), at=at)
    return Shown(by_id, _sites(session, by), traces)


@dataclass(frozen=True)
class Shown:
    """Lots with their sites and traces, to be written as the API shows them."""

    lots: Mapping[int, Matched]
    sites: Mapping[int, Site]
    found: Traces

    def traces(self, wanted: Iterable[Matched]) -> list[LotTrace]:
        """These lots, each with where all of it is."""
        return [self._trace(each, self.found.by_lot[each.lot_id]) for each in wanted]

    def eaters(self, rows: Iterable[Eater]) -> list[EaterOut]:
        """Who was fed from them."""
        return [self._eater(row, self.lots[row.lot_id]) for row in rows]

    def _eater(self, row: Eater, of: Matched) -> EaterOut:
        site = self.sites[of.lot.site_id]
        mass = units_of(site.mass_unit).mass_out
        return EaterOut(
            lot=of.lot.code,
            supplier_lot=of.lot.supplier_lot,
            match=of.match,
            site=site.code,
            animal=row.animal,
            name=row.name,
            group=row.group,
            feeds=row.feeds,
            offered=mass(row.offered_g),
            eaten=mass(row.eaten_g),
            left=mass(row.left_g),
            estimated=mass(row.estimated_g),
            first_fed_at=row.first_at,
            last_fed_at=row.last_at,
        )

    def _trace(self, of: Matched, trace: Trace) -> LotTrace:
        lot, site = of.lot, self.sites[of.lot.site_id]
        units, places = units_of(site.mass_unit), self.found.places
        is_held = any(each.released_at is None for each in trace.holds)
        where = asdict(trace.where) | {"unaccounted": trace.where.unaccounted}
        return LotTrace(
            lot=lot.code,
            site=site.code,
            match=of.match,
            supplier=of.supplier,
            supplier_lot=lot.supplier_lot,
            product=of.product,
            species=lot.species_code,
            status=status_of(
                rejected=lot.rejected_at is not None, held=is_held, on_hand=trace.where.on_hand
            ),
            received_on=lot.received_on,
            arrived_at=lot.arrived_at,
            caught_from=lot.caught_from,
            caught_to=lot.caught_to,
            frozen_on=lot.frozen_on,
            best_before=lot.best_before,
            rejected_at=lot.rejected_at,
            mass=units.mass_out(lot.grams),
            where=WhereaboutsOut(**{name: units.mass_out(g) for name, g in where.items()}),
            on_hand=[_on_hand_out(each, units, places) for each in trace.on_hand],
            moves=[
                MovedOut(
                    kind=each.kind,
                    from_place=places[each.from_place_id],
                    to_place=places[each.to_place_id],
                    mass=units.mass_out(each.grams),
                )
                for each in trace.moved
            ],
            thaw_batches=[
                TracedBatch(
                    code=batch.code,
                    state=batch.state,
                    left_freezer_at=batch.left_freezer_at,
                    thawed_at=batch.thawed_at,
                    pulled=units.mass_out(batch.pulled_g),
                    remaining=units.mass_out(batch.remaining_g),
                )
                for batch in trace.batches
            ],
            holds=[_hold_out(each, lot.code) for each in trace.holds],
        )
