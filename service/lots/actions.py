"""What is decided about a lot: holds, releases, rejection; and its assays."""

from datetime import datetime

from sqlalchemy import select as select_columns
from sqlmodel import Session, SQLModel, col, select

from service.catalogue.queries import lock_species
from service.catalogue.rules import Basis, default_content, in_service_unit, nutrients
from service.database import insert_ignoring
from service.errors import Conflict, Invalid, NotFound
from service.lots import queries
from service.lots.models import Assay, AssayValue, CodeCounter, Hold, Lot
from service.lots.rules import numbered_code
from service.lots.schemas import AssayIn, AssayValueIn, HoldIn, RejectionIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def next_code(session: Session, prefix: str, letters: int) -> str:
    """The next code with a prefix; its counter stays locked until commit.

    Raises Conflict when the letters of a day are used up.
    """
    table = SQLModel.metadata.tables["code_counter"]
    session.execute(
        insert_ignoring(session.get_bind().dialect.name, table), {"prefix": prefix, "given": 0}
    )
    statement = select_columns(CodeCounter).where(col(CodeCounter.prefix) == prefix)
    counter = session.execute(statement.with_for_update()).scalar_one()
    try:
        code = numbered_code(prefix, counter.given, letters)
    except ValueError as error:
        raise Conflict(str(error)) from error
    counter.given += 1
    session.add(counter)
    session.flush()
    return code


def place_hold(
    session: Session,
    lot: Lot,
    reason: str,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> Hold:
    """Nobody may use this lot until the hold is released."""
    placed_at = sites.happened_at(session, lot.site_id, said, now=at)
    lock_species(session, [lot.species_code])
    assert lot.id is not None
    hold = Hold(lot_id=lot.id, reason=reason, placed_at=placed_at, placed_by=by.name)
    session.add(hold)
    session.flush()
    audit.note(session, by, "lot held", lot.code, at=at, site_id=lot.site_id, after=hold)
    return hold


def release_hold(
    session: Session, hold_id: int, release: HoldIn, *, at: datetime, by: Actor
) -> Hold:
    """End a hold. Raises NotFound, and Conflict if it was released before."""
    hold = session.exec(select(Hold).where(col(Hold.id) == hold_id).with_for_update()).one_or_none()
    if hold is None:
        raise NotFound.of("hold", hold_id, "hold")
    lot = session.get_one(Lot, hold.lot_id)
    by.ensure_site(lot.site_id)
    released_at = sites.happened_at(session, lot.site_id, release.occurred_at, now=at)
    lock_species(session, [lot.species_code])
    if hold.released_at is not None:
        raise Conflict(f"this hold was released by {hold.released_by}", kind="already-released")
    hold.released_at, hold.released_by = released_at, by.name
    hold.release_reason = release.reason
    session.add(hold)
    session.flush()
    audit.note(
        session,
        by,
        "hold released",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=hold,
        detail={"reason": release.reason},
    )
    return hold


def reject(session: Session, code: str, rejection: RejectionIn, *, at: datetime, by: Actor) -> Lot:
    """A person decides that a lot is not taken in. Raises Conflict if it was before."""
    lot = queries.lot_by_code(session, code, by=by)
    rejected_at = sites.happened_at(session, lot.site_id, rejection.occurred_at, now=at)
    lock_species(session, [lot.species_code])
    session.refresh(lot)
    if lot.rejected_at is not None:
        raise Conflict(f"lot {lot.code} was rejected by {lot.rejected_by}", kind="already-rejected")
    lot.rejected_at, lot.rejected_by = rejected_at, by.name
    lot.rejected_because = rejection.reason
    session.add(lot)
    session.flush()
    audit.note(
        session,
        by,
        "lot rejected",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=lot,
        detail={"reason": rejection.reason},
    )
    return lot


def record_assay(session: Session, code: str, new: AssayIn, *, at: datetime, by: Actor) -> Assay:
    """A laboratory's results. Raises Invalid for a sample to come or a unit that does not fit."""
    lot = queries.lot_by_code(session, code, by=by)
    view = sites.view(session, lot.site_id, at=at)
    sites.happened_at(session, lot.site_id, new.occurred_at, now=at)
    if new.sampled_on > view.day_of(at):
        raise Invalid.at("sampled_on", "lies in the future")
    if new.sampled_on < (lot.age_from or new.sampled_on):
        raise Invalid.at("sampled_on", f"lies before the fish was caught ({lot.age_from})")
    assert lot.id is not None
    assay = Assay(
        lot_id=lot.id,
        sampled_on=new.sampled_on,
        laboratory=new.laboratory,
        portion=new.portion,
        recorded_at=at,
        by=by.name,
    )
    session.add(assay)
    session.flush()
    assert assay.id is not None
    water = _water_share(lot.species_code, new)
    session.add_all(
        AssayValue(
            assay_id=assay.id,
            nutrient=value.nutrient,
            reported=value.amount,
            unit=value.unit,
            basis=value.basis,
            as_fed=_as_fed(value, water, f"values.{number}"),
        )
        for number, value in enumerate(new.values)
    )
    session.flush()
    audit.note(session, by, "assay recorded", lot.code, at=at, site_id=lot.site_id, after=new)
    return assay


def _water_share(species: str, new: AssayIn) -> float:
    reported = [v.amount for v in new.values if v.nutrient == "WATER" and v.basis is Basis.AS_FED]
    return (reported[0] if reported else default_content(species)["WATER"]) / 100


def _as_fed(value: AssayValueIn, water: float, field: str) -> float:
    try:
        amount = in_service_unit(value.nutrient, value.amount, value.unit)
    except ValueError as error:
        raise Invalid.at(f"{field}.unit", str(error)) from error
    if value.basis is Basis.DRY_MATTER:
        if value.nutrient == "WATER":
            raise Invalid.at(f"{field}.basis", "water has no dry-matter basis")
        amount *= 1 - water
    if nutrients()[value.nutrient].unit == "g/100g" and amount > 100:
        raise Invalid.at(f"{field}.amount", "is more than 100 g in 100 g")
    return float(f"{amount:.12g}")  # 1.8 mg/100 g is 18, not 18.000000000000004
