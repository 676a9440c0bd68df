"""Every select of assays."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from sqlalchemy import ColumnElement, func
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.assays.models import Assay, AssayTest, AssayValue, AssayWithdrawal
from service.assays.rules.due import Sampled
from service.assays.rules.judging import has_thiaminase
from service.assays.rules.limits import THIAMINASE
from service.assays.rules.readings import parse_reading
from service.catalogue.rules import default_content
from service.database import rows_where_in
from service.errors import NotFound
from service.ledger.models import Parcel
from service.lots.models import Lot
from service.lots.rules import Portion
from service.security.actor import Actor

FEWEST_FOR_A_MEDIAN = 3
_MOST_FOR_A_MEDIAN = 5_000  # newest results: the work does not grow with the years
_KEYS_AT_ONCE = 10_000  # databases take so many values in one statement
RESIDUE_TESTS = ("mercury_total", "pcb6_ndl", "dioxins_and_dl_pcb")


def assay_by_id(session: Session, number: int, *, by: Actor) -> tuple[Assay, Lot]:
    """An assay and its lot. Raises NotFound, NotAllowed at somebody else's site. One query."""
    statement = (
        select(Assay, Lot)
        .join(Lot, col(Lot.id) == col(Assay.lot_id))
        .where(col(Assay.id) == number)
    )
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("assay", number, "assay")
    by.ensure_site(found[1].site_id)
    return found


def assays_of(
    session: Session, lot_id: int, *, limit: int, before_id: int | None = None
) -> Sequence[Assay]:
    """The newest assays of a lot, withdrawn ones too. One query."""
    statement = (
        select(Assay).where(col(Assay.lot_id) == lot_id).order_by(col(Assay.id).desc()).limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Assay.id) < before_id)
    return session.exec(statement).all()


@dataclass(frozen=True)
class Parts:
    """What belongs to some assays, by their ids."""

    values: dict[int, list[AssayValue]]
    tests: dict[int, list[AssayTest]]
    withdrawals: dict[int, AssayWithdrawal]


def parts_of(session: Session, ids: Sequence[int]) -> Parts:
    """Results and withdrawals of assays. Three queries."""
    keys = {"keys": list(set(ids))}
    values: dict[int, list[AssayValue]] = {}
    for value in session.execute(rows_where_in(AssayValue.assay_id), keys).scalars():
        values.setdefault(value.assay_id, []).append(value)
    tests: dict[int, list[AssayTest]] = {}
    for test in session.execute(rows_where_in(AssayTest.assay_id), keys).scalars():
        tests.setdefault(test.assay_id, []).append(test)
    withdrawn = session.execute(rows_where_in(AssayWithdrawal.assay_id), keys).scalars()
    return Parts(
        {k: sorted(v, key=lambda value: value.nutrient) for k, v in values.items()},
        {k: sorted(v, key=lambda test: test.test) for k, v in tests.items()},
        {w.assay_id: w for w in withdrawn},
    )


def counted_values(
    session: Session, lot_ids: Sequence[int], *, on: date
) -> dict[int, dict[str, list[tuple[Assay, AssayValue]]]]:
    """The counted results of lots sampled by a day, by lot and nutrient. One query."""
    statement = (
        select(Assay, AssayValue)
        .join(AssayValue, col(AssayValue.assay_id) == col(Assay.id))
        .where(*_counted(lot_ids, on))
        .order_by(col(Assay.sampled_on), col(Assay.id))
    )
    found: dict[int, dict[str, list[tuple[Assay, AssayValue]]]] = {}
    for assay, value in session.exec(statement):
        found.setdefault(assay.lot_id, {}).setdefault(value.nutrient, []).append((assay, value))
    return found


def newest_assay_values(
    session: Session, lot_id: int, *, on: date
) -> Mapping[str, tuple[Assay, AssayValue]]:
    """Per nutrient the newest counted result sampled by a day; whole before fillet. One query."""
    return {
        tag: max(values, key=lambda v: (v[0].portion == Portion.WHOLE, v[0].sampled_on, v[0].id))
        for tag, values in counted_values(session, [lot_id], on=on).get(lot_id, {}).items()
    }


def thiaminase_found(
    session: Session, lot_ids: Sequence[int], *, on: date
) -> dict[int, tuple[date, bool]]:
    """Whether lots carry thiaminase by their counted tests: (sampled on, found). One query.

    Once found it stays found, until that assay is withdrawn. A test of fillet that found none
    says nothing: the enzyme is in the gut and the gills.
    """
    statement = (
        select(Assay, AssayTest)
        .join(AssayTest, col(AssayTest.assay_id) == col(Assay.id))
        .where(*_counted(lot_ids, on), col(AssayTest.test) == THIAMINASE)
        .order_by(col(Assay.sampled_on), col(Assay.id))
    )
    found: dict[int, tuple[date, bool]] = {}
    for assay, test in session.exec(statement):
        seen = has_thiaminase([parse_reading(said) for said in test.reported])
        before = found.get(assay.lot_id)
        if seen or (assay.portion == Portion.WHOLE and not (before and before[1])):
            found[assay.lot_id] = (assay.sampled_on, seen)
    return found


def _counted(lot_ids: Sequence[int], on: date) -> tuple[ColumnElement[bool], ...]:
    withdrawn = select(AssayWithdrawal.assay_id).where(
        col(AssayWithdrawal.assay_id) == col(Assay.id)
    )
    return (col(Assay.lot_id).in_(lot_ids), col(Assay.sampled_on) <= on, ~withdrawn.exists())


def usual_contents(session: Session, species: Iterable[str]) -> dict[tuple[str, str], float]:
    """What fish of these species usually holds, by species and tag, in service units.

    The median of earlier counted results where there are three or more, else the
    catalogue's default. One query, over the newest few thousand results.
    """
    codes = set(species)
    usual = {(code, tag): c for code in codes for tag, c in default_content(code).items()}
    statement = (
        select(Lot.species_code, AssayValue.nutrient, AssayValue.as_fed)
        .join(Assay, col(Assay.id) == col(AssayValue.assay_id))
        .join(Lot, col(Lot.id) == col(Assay.lot_id))
        .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
        .where(
            col(Lot.species_code).in_(codes),
            col(AssayWithdrawal.assay_id).is_(None),
            col(AssayValue.limit_as_fed).is_(None),
        )
        .order_by(col(AssayValue.assay_id).desc())
        .limit(_MOST_FOR_A_MEDIAN)
    )
    found: dict[tuple[str, str], list[float]] = {}
    for code, tag, as_fed in session.exec(statement):
        found.setdefault((code, tag), []).append(as_fed)
    known = {k: median(v) for k, v in found.items() if len(v) >= FEWEST_FOR_A_MEDIAN}
    return usual | known


def lots_by_code(session: Session, codes: Iterable[str]) -> dict[str, Lot]:
    """The lots of these codes; one that is missing is not there. One query per 10 000."""
    keys = list(set(codes))
    found: dict[str, Lot] = {}
    for start in range(0, len(keys), _KEYS_AT_ONCE):
        some = {"keys": keys[start : start + _KEYS_AT_ONCE]}
        found |= {lot.code: lot for lot in session.execute(rows_where_in(Lot.code), some).scalars()}
    return found


def on_hand(session: Session, site_ids: Sequence[int]) -> Sequence[tuple[Lot, int]]:
    """The lots of these sites that have fish, and its grams, by code. One query."""
    grams = func.sum(col(Parcel.grams))
    statement = (
        select(Lot, grams)
        .join(Parcel, col(Parcel.lot_id) == col(Lot.id))
        .where(col(Lot.site_id).in_(site_ids), col(Parcel.grams) > 0)
        .group_by(col(Lot.id))
        .order_by(col(Lot.code))
    )
    return [(lot, int(total)) for lot, total in session.exec(statement)]


def sampled(session: Session, lot_ids: Sequence[int]) -> dict[int, list[Sampled]]:
    """What the counted assays of these lots have measured. Two queries."""
    found: dict[int, tuple[int, date, set[str]]] = {}
    for measured in (AssayValue, AssayTest):
        name = col(AssayValue.nutrient) if measured is AssayValue else col(AssayTest.test)
        statement = (
            select_columns(col(Assay.id), col(Assay.lot_id), col(Assay.sampled_on), name)
            .join(measured, col(measured.assay_id) == col(Assay.id))
            .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
            .where(col(Assay.lot_id).in_(lot_ids), col(AssayWithdrawal.assay_id).is_(None))
        )
        for assay_id, lot_id, day, tag in session.execute(statement):
            found.setdefault(assay_id or 0, (lot_id, day, set()))[2].add(tag)
    by_lot: dict[int, list[Sampled]] = {}
    for lot_id, day, names in found.values():
        by_lot.setdefault(lot_id, []).append(Sampled(day, frozenset(names)))
    return by_lot


def newest_residues(session: Session, product_ids: Iterable[int]) -> dict[int, dict[str, date]]:
    """Per product the newest counted sample of each residue, of any lot of it. One query."""
    newest = func.max(col(Assay.sampled_on))
    statement = (
        select(Lot.product_id, AssayTest.test, newest)
        .join(Assay, col(Assay.lot_id) == col(Lot.id))
        .join(AssayTest, col(AssayTest.assay_id) == col(Assay.id))
        .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
        .where(
            col(Lot.product_id).in_(set(product_ids)),
            col(AssayTest.test).in_(RESIDUE_TESTS),
            col(AssayWithdrawal.assay_id).is_(None),
        )
        .group_by(col(Lot.product_id), col(AssayTest.test))
    )
    found: dict[int, dict[str, date]] = {}
    for product_id, test, day in session.exec(statement):
        found.setdefault(product_id, {})[test] = day
    return found
