"""What lots still hold of each nutrient, many lots at once."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from service.ledger.models import Parcel
from service.lots.models import Lot
from service.quality.queries.exposure import Exposures
from service.quality.queries.quality import LotQuality, tests_of
from service.quality.rules import Held, usual_contents
from service.site import queries as sites
from service.site.queries import SiteView


def contents_of(
    session: Session,
    view: SiteView,
    lots: Sequence[Lot],
    *,
    at: datetime,
    thawed_in_water: Mapping[int, bool] | None = None,
) -> dict[int, dict[str, Held]]:
    """What lots of one site hold as they would be used next, by lot id and INFOODS tag.

    Of each lot what is still frozen counts, else all on hand; the low bound is that of the
    parcel that lost most, the high bound of the one that lost least. A nutrient that nobody
    knows is missing. thawed_in_water : by lot id, how it is going to be thawed; left out:
    whether it was.

    Eight queries where no readings are new, a few more otherwise, whatever the lots; and as
    for `LotQuality` for each lot of unreadable cartons. Ten lots: 25 ms.
    """
    ids = [lot.id for lot in lots if lot.id is not None]
    if not ids:
        return {}
    pasts = _pasts(session, view, lots, at)
    tested = tests_of(session, ids, on=view.day_of(at))
    exposures = next(iter(pasts.values())).exposures
    exposures.prepare(
        stay for lot_id, past in pasts.items() for stay in past.stays(past.frozen(), tested[lot_id])
    )
    planned = thawed_in_water or {}
    return {
        lot_id: past.contents(past.frozen(), tested[lot_id], thawed_in_water=planned.get(lot_id))
        for lot_id, past in pasts.items()
    }


def _pasts(
    session: Session, view: SiteView, lots: Sequence[Lot], at: datetime
) -> dict[int, LotQuality]:
    """Lots with all their parcels and one memory of exposures. Two queries."""
    parcels: dict[int, list[Parcel]] = {lot.id: [] for lot in lots if lot.id is not None}
    statement = select(Parcel).where(col(Parcel.lot_id).in_(parcels)).order_by(col(Parcel.id))
    for parcel in session.exec(statement):
        parcels[parcel.lot_id].append(parcel)
    places = sites.places_by_id(session, [p.place_id for of in parcels.values() for p in of])
    exposures = Exposures(session, view, places)
    return {
        lot.id: LotQuality(session, lot, view, at, parcels=parcels[lot.id], exposures=exposures)
        for lot in lots
        if lot.id is not None
    }


def usual_contents_of(view: SiteView, species: Iterable[str]) -> dict[str, dict[str, Held]]:
    """What fish of these species holds of which no lot is there, by species and tag.

    The species default, its age unknown: of unknown days of storage. No query.
    """
    may_credit = view.policy.credit_thiamine_and_vitamin_e
    return {code: usual_contents(code, may_credit=may_credit) for code in set(species)}
