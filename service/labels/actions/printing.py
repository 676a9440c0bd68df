"""What stands on the labels of lots and thaw batches, as things stand now."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.catalogue.rules import species_facts
from service.labels import queries
from service.labels.rules.printing import LabelText, batch_text, lot_text
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import AgeBasis, LotFacts
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.thawing import queries as thawing
from service.thawing.queries import BatchView


def lot_labels(
    session: Session, codes: Sequence[str], *, at: datetime, by: Actor, field: str = "lot"
) -> list[LabelText]:
    """A label of each lot, with its hold if it has one. Two queries, and two for each site.

    Raises NotFound for a code that nobody knows, NotAllowed at somebody else's site.
    """
    found = queries.lots_by_code(session, codes, by=by, field=field)
    facts = lots.facts(session, found)
    views = _views(session, {lot.site_id for lot in found}, at)
    return [_lot_text(lot, facts[lot.id or 0], views[lot.site_id], at) for lot in found]


def batch_labels(
    session: Session, codes: Sequence[str], *, at: datetime, by: Actor, field: str = "thaw_batch"
) -> list[LabelText]:
    """A label of each thaw batch with its clock. About nine queries for each site; raises alike."""
    found = queries.batches_by_code(session, codes, by=by, field=field)
    texts: dict[int, LabelText] = {}
    for site_id, view in _views(session, {batch.site_id for batch in found}, at).items():
        here = [batch for batch in found if batch.site_id == site_id]
        texts |= _batch_texts(session, here, view, at)
    return [texts[batch.id] for batch in found]


def _views(session: Session, site_ids: set[int], at: datetime) -> dict[int, SiteView]:
    return {site_id: sites.view(session, site_id, at=at) for site_id in sorted(site_ids)}


def _lot_text(lot: Lot, facts: LotFacts, view: SiteView, at: datetime) -> LabelText:
    return lot_text(
        facts,
        view.policy,
        name=_name(facts),
        caught_to=lot.caught_to,
        age_basis=AgeBasis(lot.age_basis),
        supplier_lot=lot.supplier_lot,
        best_before=lot.best_before,
        on=view.day_of(at),
    )


def _batch_texts(
    session: Session, batches: Sequence[Batch], view: SiteView, at: datetime
) -> dict[int, LabelText]:
    shown = thawing.batch_views(session, batches, view.policy, at=at)
    facts = lots.facts(session, [each.lot for each in shown])
    return {each.batch.id: _batch_text(each, facts[each.lot.id or 0], view) for each in shown}


def _batch_text(each: BatchView, lot: LotFacts, view: SiteView) -> LabelText:
    mass = view.units.mass_out(each.pulled_g)
    return batch_text(
        lot,
        code=each.batch.code,
        name=_name(lot),
        mass=f"{mass.value:g} {mass.unit}",
        left_freezer_at=each.facts.left_freezer_at.astimezone(view.zone),
        discard_after=each.discard_after(view.policy).astimezone(view.zone),
        estimated=each.facts.refrigerated and each.facts.thawed_at is None,
    )


def _name(lot: LotFacts) -> str:
    return species_facts()[lot.species].name
