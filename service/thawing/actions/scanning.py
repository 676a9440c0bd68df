"""Confirming a pull by scanning its carton: the wrong lot is told, with the right one."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.errors import Conflict, Invalid, NotFound
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.lots.models import Lot
from service.quantities import Units
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.rules.scanning import Carton, carton_of
from service.thawing.schemas import PullIn, PullLine


def scanned_lot(session: Session, order: PullIn, origin: Place, *, at: datetime, by: Actor) -> Lot:
    """The lot of the carton that was scanned, if it is one to take.

    To take are the lot that was named, else those that the thaw request reserved of that
    species, else any. Raises Conflict `wrong-lot` with the right ones, `several-lots` where a
    supplier's label fits several, NotFound and Invalid.
    """
    texts = [order.scanned] if isinstance(order.scanned, str) else order.scanned or []
    found = _lots_of(session, texts, origin.site_id, at)
    kept = _to_take(session, order, found, at, by)
    fits = [lot for lot in found if not kept or lot.code in {row["lot"] for row in kept}]
    if not fits:
        codes = " or ".join(dict.fromkeys(row["lot"] for row in kept))
        raise Conflict(
            f"this carton is of {' or '.join(lot.code for lot in found)}: take {codes}",
            kind="wrong-lot",
            advice="Put it back and take the right one, or pull its lot by name for a reason.",
            extra={"scanned": [lot.code for lot in found], "right": list(kept)},
        )
    return fits[0] if len(fits) == 1 else _only_one_here(session, fits, origin, at)


def line_of_carton(
    session: Session, lines: Sequence[PullLine], text: str, view: SiteView, *, at: datetime
) -> PullLine:
    """The first line of a pull list that is not done and that a scanned carton is for.

    Nothing is stored. Raises Conflict `wrong-lot` with what is still to be pulled, NotFound
    and Invalid.
    """
    found = _lots_of(session, [text], view.id, at)
    codes, species = {lot.code for lot in found}, {lot.species_code for lot in found}
    left = [line for line in lines if not line.done]
    for line in left:
        if line.lot in codes:
            return line
    of_its_kind = [line for line in left if line.species in species]
    right = dict.fromkeys(f"{line.lot} from {line.from_place}" for line in of_its_kind)
    to_do = f"take {' or '.join(right)}" if right else "no more of this fish is on the list"
    raise Conflict(
        f"this carton is of {' or '.join(sorted(codes))}: {to_do}",
        kind="wrong-lot",
        advice="Put it back and take the right one, or pull its lot by name for a reason.",
    )


def _lots_of(session: Session, texts: Sequence[str], site_id: int, at: datetime) -> Sequence[Lot]:
    """The lots that a carton may be of. Raises NotFound where there are none, and Invalid."""
    carton = _read(texts, at)
    found = queries.lots_on_label(session, carton, site_id=site_id)
    if not found:
        raise NotFound.of("lot", str(carton), "scanned")
    return found


def _read(texts: Sequence[str], at: datetime) -> Carton:
    try:
        return carton_of(texts, at.date())
    except ValueError as error:
        raise Invalid.at("scanned", str(error)) from error


def _to_take(
    session: Session, order: PullIn, found: Sequence[Lot], at: datetime, by: Actor
) -> Sequence[dict[str, Any]]:
    """Lots to take and where they are; none: any will do."""
    units = sites.view(session, found[0].site_id, at=at).units
    if order.lot is not None:
        named = lots.lot_by_code(session, order.lot, by=by)
        return _on_hand(session, named, units, at) or [{"lot": named.code}]
    if order.thaw_request is None:
        return []
    queries.request_by_id(session, order.thaw_request, by=by, field="thaw_request")
    species = {lot.species_code for lot in found}
    return [
        {"lot": row.lot, "place": row.place, "mass": units.mass_out(row.grams).model_dump()}
        for row in ledger.kept_for(session, order.thaw_request, at=at)
        if row.species_code in species
    ]


def _on_hand(session: Session, lot: Lot, units: Units, at: datetime) -> list[dict[str, Any]]:
    """Where a lot is that does not thaw yet."""
    rows = ledger.stock_rows(
        session,
        site_ids=[lot.site_id],
        now=at,
        species=None,
        place_id=None,
        lot_id=lot.id,
        after_id=0,
        limit=100,
    )
    return [
        {"lot": row.lot, "place": row.place, "mass": units.mass_out(row.grams).model_dump()}
        for row in rows
        if row.thaw_batch is None
    ]


def _only_one_here(session: Session, fits: Sequence[Lot], origin: Place, at: datetime) -> Lot:
    units = sites.view(session, origin.site_id, at=at).units
    stock = {lot.code: _on_hand(session, lot, units, at) for lot in fits}
    here = [lot for lot in fits if any(row["place"] == origin.code for row in stock[lot.code])]
    if len(here) == 1:
        return here[0]
    raise Conflict(
        f"the supplier's label fits {len(here) or len(fits)} lots",
        kind="several-lots",
        advice="Scan our own label, or send the lot.",
        extra={"right": [row for lot in here or fits for row in stock[lot.code]]},
    )
