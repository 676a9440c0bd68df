"""Which lots on hand and which products want a laboratory."""

from datetime import datetime

from sqlmodel import Session

from service.assays import queries
from service.assays.rules.due import Wanted, lot_wants, residues_wanted
from service.assays.schemas import DueOut
from service.catalogue import queries as catalogue
from service.catalogue.models import Product
from service.catalogue.rules import species_facts
from service.lots.models import Lot
from service.quantities import MassOut
from service.security.actor import Actor
from service.site import queries as sites


def due(session: Session, *, at: datetime, by: Actor) -> list[DueOut]:
    """Everything due at the sites that somebody sees, oldest first.

    Residues count for a supplier's product, whichever of its lots was sampled. Cost:
    six queries and one a site, over the lots on hand; not over what was used up.
    """
    views = {s.id or 0: sites.view_of(session, s, at=at) for s in sites.sites(session, by=by)}
    here = queries.on_hand(session, list(views))
    assayed = queries.sampled(session, [lot.id or 0 for lot, _ in here])
    products = catalogue.products_by_id(session, [lot.product_id for lot, _ in here])
    residues = queries.newest_residues(session, products)
    shown: list[DueOut] = []
    of_product: dict[tuple[int, int], list[tuple[Lot, int]]] = {}
    for lot, grams in here:
        view, product = views[lot.site_id], products[lot.product_id]
        of_product.setdefault((lot.site_id, lot.product_id), []).append((lot, grams))
        facts = species_facts()[lot.species_code]
        today = view.day_of(at)
        for wanted in lot_wants(facts, lot.received_on, assayed.get(lot.id or 0, []), today):
            shown.append(_out(wanted, lot.code, product, view.units.mass_out(grams)))
    for (site_id, product_id), lots in of_product.items():
        view = views[site_id]
        first = min(lot.received_on for lot, _ in lots)
        wants = residues_wanted(residues.get(product_id, {}), first, view.day_of(at))
        if wants is not None:
            mass = view.units.mass_out(sum(grams for _, grams in lots))
            shown.append(_out(wants, None, products[product_id], mass))
    return sorted(shown, key=lambda d: (d.since, d.lot or "", d.product, d.why))


def _out(wanted: Wanted, lot: str | None, product: Product, on_hand: MassOut) -> DueOut:
    return DueOut(
        why=wanted.why,
        since=wanted.since,
        lot=lot,
        product=product.code,
        species=product.species_code,
        on_hand=on_hand,
        missing=list(wanted.missing),
        source=wanted.source,
    )
