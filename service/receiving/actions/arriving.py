"""Receiving a delivery: every lot is stored, whatever is found; a blocking finding holds it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.catalogue.models import Product, Supplier
from service.catalogue.rules import Form
from service.decisions import Decision, Finding
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.ledger.actions import stock
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import AgeBasis, supplier_lot_key, wrong_days
from service.quantities import MassIn
from service.receiving.models import Delivery, DeliveryDocument, Receipt
from service.receiving.rules import Papers, receiving_findings
from service.receiving.schemas import DeliveryIn, DocumentIn, LotIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView

FURTHEST_ZONE = timedelta(hours=14)  # ahead of UTC: no calendar shows a later day


@dataclass(frozen=True)
class Received:
    """A lot with what was found when it arrived."""

    lot: Lot
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Named:
    """The things that one catch of a line of a delivery names, and what the papers say."""

    line: LotIn
    product: Product
    place: Place
    field: str
    grams: int
    cartons: int | None
    papers: Papers


def receive(
    session: Session, delivery: DeliveryIn, *, at: datetime, by: Actor, opening: bool = False
) -> tuple[Delivery, list[Received]]:
    """Store a delivery with its lots, their findings and their grams.

    opening: the fish was here before the books were.
    Raises Invalid naming the line for impossible dates or masses, NotFound for
    unknown codes, Conflict for places of several sites.
    """
    _check_what_needs_no_site(delivery, at)
    supplier = catalogue.supplier_by_code(session, delivery.supplier, field="supplier")
    named = [
        each
        for i, line in enumerate(delivery.lots)
        for each in _named(session, line, f"lots.{i}", delivery.documents, by)
    ]
    view = sites.view(session, _only_site(named), at=at)
    arrived_at = _arrival(delivery, view, at)
    for each in named:
        _check_dates(each.line, view.day_of(arrived_at), each.field)
    view = sites.view(session, view.id, at=arrived_at)
    catalogue.lock_species(session, {each.product.species_code for each in named})
    vehicle = delivery.vehicle_temperature
    stored = Delivery(
        site_id=view.id,
        supplier_id=supplier.id or 0,
        arrived_at=arrived_at,
        recorded_at=at,
        by=by.name,
        vehicle_c=vehicle.c if vehicle else None,
        order_number=delivery.order_number,
        opening=opening,
    )
    session.add(stored)
    session.flush()
    session.add_all(
        DeliveryDocument(delivery_id=stored.id or 0, **document.model_dump())
        for document in delivery.documents
    )
    received = [_receive_lot(session, stored, each, view, at=at, by=by) for each in named]
    _note(session, stored, supplier, received, at=at, by=by)
    return stored, received


def _named(
    session: Session, line: LotIn, field: str, documents: Sequence[DocumentIn], by: Actor
) -> list[_Named]:
    """What a line names: once, or for each catch of a mixed pallet."""
    product = catalogue.product_by_code(session, line.product, field=f"{field}.product")
    place = sites.place_by_code(session, line.place, by=by, field=f"{field}.place")
    each_catch = line.of_each_catch()
    fields = (
        [field]
        if line.catches is None
        else [f"{field}.catches.{j}" for j in range(len(each_catch))]
    )
    amounts = [
        amount_of(product, each.mass, each.cartons, f"{at}.cartons")
        for each, at in zip(each_catch, fields, strict=True)
    ]
    papers = Papers(
        _compared(line, sum(grams for grams, _ in amounts), each_catch),
        tuple((d.kind, d.number, d.valid_until) for d in documents if d.valid_until is not None),
    )
    return [
        _Named(each, product, place, at, *amount, papers)
        for each, at, amount in zip(each_catch, fields, amounts, strict=True)
    ]


def _compared(
    line: LotIn, grams: int, each_catch: Sequence[LotIn]
) -> tuple[tuple[str, float, float], ...]:
    """(what, papers, came) of a line: the papers do not know its catches."""
    compared = []
    cartons = [each.cartons for each in each_catch if each.cartons is not None]
    if line.papers_cartons is not None and len(cartons) == len(each_catch):
        compared.append(("cartons", float(line.papers_cartons), float(sum(cartons))))
    if line.papers_mass is not None:
        compared.append(("kg", line.papers_mass.grams / 1000, grams / 1000))
    return tuple(compared)


def _only_site(named: list[_Named]) -> int:
    found = {each.place.site_id for each in named}
    if len(found) != 1:
        raise Conflict("one delivery goes to one site", kind="another-site")
    return found.pop()


def _check_what_needs_no_site(delivery: DeliveryIn, at: datetime) -> None:
    """What is impossible in any zone is told before anything is looked up."""
    refuse_future(delivery.arrival, now=at, field="arrived_at")
    latest = ((delivery.arrival or at).astimezone(UTC) + FURTHEST_ZONE).date()
    for number, line in enumerate(delivery.lots):
        for each in line.of_each_catch():
            _check_dates(each, latest, f"lots.{number}")
            if each.mass is None and each.cartons is None:
                raise Invalid.at(f"lots.{number}.mass", "give a mass, or cartons")


def _arrival(delivery: DeliveryIn, view: SiteView, at: datetime) -> datetime:
    try:
        return instant_of(delivery.arrival, now=at, skew=view.policy.skew)
    except Invalid as error:
        raise Invalid.at("arrived_at", "lies in the future") from error


def _check_dates(line: LotIn, arrived_on: date, field: str) -> None:
    for name, why in wrong_days(arrived_on, line.caught_from, line.caught_to, line.frozen_on):
        raise Invalid.at(f"{field}.{name}", why)


def amount_of(
    product: Product, mass: MassIn | None, cartons: int | None, field: str
) -> tuple[int, int | None]:
    """Grams of what came, and cartons where the ledger counts them: blocks.

    Raises Invalid at `field` for more than 1 000 t, and more cartons than grams.
    """
    grams = mass.grams if mass else (cartons or 0) * product.carton_g
    if grams > 10**9:
        raise Invalid.at(field, "is more than 1000 t")
    if product.form != Form.BLOCK:
        return grams, None
    cartons = cartons or max(1, round(grams / product.carton_g))
    if cartons > grams:
        raise Invalid.at(field, "more cartons than grams")
    return grams, cartons


def _receive_lot(
    session: Session,
    delivery: Delivery,
    named: _Named,
    view: SiteView,
    *,
    at: datetime,
    by: Actor,
) -> Received:
    line, product = named.line, named.product
    day = view.day_of(delivery.arrived_at)
    lot = Lot(
        site_id=view.id,
        product_id=product.id or 0,
        species_code=product.species_code,
        code=lot_actions.next_code(session, f"{product.species_code}{day:%y%m%d}", 2),
        part=product.part,
        size_grade=product.size_grade,
        form=product.form,
        supplier_lot=line.supplier_lot,
        supplier_lot_key=supplier_lot_key(line.supplier_lot),
        delivery_id=delivery.id or 0,
        received_as=line.received_as,
        age_basis=line.age_basis or AgeBasis.CAUGHT,
        caught_from=line.caught_from,
        caught_to=line.caught_to or line.caught_from,
        frozen_on=line.frozen_on,
        age_from=line.caught_from or line.frozen_on,
        best_before=line.best_before,
        received_on=day,
        arrived_at=delivery.arrived_at,
        grams=named.grams,
        cartons=named.cartons,
    )
    session.add(lot)
    session.flush()
    findings = receiving_findings(
        lots.facts_of(lot, held=False),
        received_as=line.received_as,
        cores=line.core_temperatures,
        best_before=line.best_before,
        policy=view.policy,
        on=day,
        age_basis=line.age_basis,
        caught_to=line.caught_to,
        papers=named.papers,
    )
    session.add(
        Receipt(
            lot_id=lot.id or 0,
            cores_c=[t.c for t in line.core_temperatures],
            findings=[f.model_dump(mode="json") for f in findings],
            policy_version=view.policy_version,
        )
    )
    stock.receive(session, lot, named.place, occurred_at=delivery.arrived_at, at=at, by=by)
    for found in Decision(tuple(findings)).blocking():
        lot_actions.place_hold(session, lot, f"{found.rule}: {found.because}", at=at, by=by)
    return Received(lot, tuple(findings))


def _note(
    session: Session,
    delivery: Delivery,
    supplier: Supplier,
    received: list[Received],
    *,
    at: datetime,
    by: Actor,
) -> None:
    audit.note(
        session,
        by,
        "delivery received",
        delivery.id,
        at=at,
        site_id=delivery.site_id,
        after=delivery,
        detail={
            "supplier": supplier.code,
            "lots": [r.lot.code for r in received],
            "g": sum(r.lot.grams for r in received),
        },
    )
