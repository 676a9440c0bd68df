"""Recording one assay, and withdrawing one."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, insert, select
from sqlmodel import Session, col

from service.assays import queries
from service.assays.models import Assay, AssayTest, AssayValue, AssayWithdrawal
from service.assays.rules.judging import UNLIKELY_TIMES, Measured, is_unlikely, judge, verdict_of
from service.assays.rules.limits import units
from service.assays.rules.readings import unit_factor
from service.assays.schemas import AssayIn, AssayValueIn, SafetyTestIn, WithdrawalIn
from service.catalogue.rules import (
    Basis,
    default_content,
    in_service_unit,
    nutrients,
    species_facts,
)
from service.decisions import Decision, Finding
from service.errors import Conflict, FieldError, Invalid
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.lots.models import Lot
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites

Usual = Mapping[tuple[str, str], float]
_UNLIKELY_ADVICE = 'Check number and unit; if both are right, send it with "confirm": true.'


@dataclass(frozen=True)
class Amount:
    """One nutrient as fed in the service's unit; and its detection limit where it was below one."""

    as_fed: float
    limit_as_fed: float | None


@dataclass(frozen=True)
class Prepared:
    """An assay that can be stored: what is in it as fed, and what its tests say."""

    new: AssayIn
    lot: Lot
    amounts: tuple[Amount, ...]
    findings: tuple[Finding, ...]
    verdicts: tuple[str | None, ...]

    @property
    def blocking(self) -> tuple[Finding, ...]:
        """What holds the lot."""
        return Decision(self.findings).blocking()


def record_assay(session: Session, code: str, new: AssayIn, *, at: datetime, by: Actor) -> Assay:
    """A laboratory's results; a test out of a limit that holds puts the lot on hold.

    Raises Invalid for a sample to come or a unit that does not fit, Conflict
    `unlikely-amount` for a content a thousand times the usual or a thousandth of it.
    """
    lot = lots.lot_by_code(session, code, by=by)
    today = sites.view(session, lot.site_id, at=at).day_of(at)
    sites.happened_at(session, lot.site_id, new.occurred_at, now=at)
    usual = {} if new.confirm else queries.usual_contents(session, [lot.species_code])
    prepared, wrong = prepare(new, lot, today)
    if wrong or prepared is None:
        raise Invalid("; ".join(f"{w.field}: {w.message}" for w in wrong), errors=wrong)
    unlikely = list(unlikely_amounts(prepared, usual))
    if unlikely:
        raise Conflict(
            "; ".join(f"{u.field}: {u.message}" for u in unlikely),
            kind="unlikely-amount",
            advice=_UNLIKELY_ADVICE,
            errors=unlikely,
        )
    (number,) = store(session, [prepared], at=at, by=by)
    place_holds(session, prepared, at=at, by=by)
    audit.note(session, by, "assay recorded", lot.code, at=at, site_id=lot.site_id, after=new)
    return session.get_one(Assay, number)


def prepare(new: AssayIn, lot: Lot, today: date) -> tuple[Prepared | None, list[FieldError]]:
    """An assay worked out, or every reason why it cannot be stored. No query."""
    wrong = list(_wrong_days(new, lot, today))
    water = _water_share(lot.species_code, new)
    amounts: list[Amount] = []
    for index, value in enumerate(new.values):
        try:
            amounts.append(_as_fed(value, water, f"values.{index}"))
        except Invalid as error:
            wrong += error.errors
    measured: list[Measured] = []
    for index, test in enumerate(new.tests):
        try:
            measured.append(_measured(test))
        except ValueError as error:
            wrong.append(FieldError(f"tests.{index}.unit", f"{test.test} {error}"))
    if wrong:
        return None, wrong
    species = species_facts()[lot.species_code]
    found = [judge([test], species) for test in measured]
    return (
        Prepared(
            new,
            lot,
            tuple(amounts),
            tuple(f for findings in found for f in findings),
            tuple(verdict_of(findings) for findings in found),
        ),
        [],
    )


def _wrong_days(new: AssayIn, lot: Lot, today: date) -> Iterator[FieldError]:
    if new.sampled_on > today:
        yield FieldError("sampled_on", "lies in the future")
    if lot.age_from is not None and new.sampled_on < lot.age_from:
        yield FieldError("sampled_on", f"lies before the fish was caught ({lot.age_from})")
    if new.reported_on is not None:
        if new.reported_on > today:
            yield FieldError("reported_on", "lies in the future")
        if new.reported_on < new.sampled_on:
            yield FieldError("reported_on", "lies before the sample was taken")


def _water_share(species: str, new: AssayIn) -> float:
    reported = [
        v.reading.counted for v in new.values if v.nutrient == "WATER" and v.basis is Basis.AS_FED
    ]
    return (reported[0] if reported else default_content(species)["WATER"]) / 100


def _as_fed(value: AssayValueIn, water: float, field: str) -> Amount:
    reading = value.reading
    try:
        amount = in_service_unit(value.nutrient, reading.amount, value.unit)
    except ValueError as error:
        raise Invalid.at(f"{field}.unit", str(error)) from error
    if value.basis is Basis.DRY_MATTER:
        if value.nutrient == "WATER":
            raise Invalid.at(f"{field}.basis", "water has no dry-matter basis")
        amount *= 1 - water
    if nutrients()[value.nutrient].unit == "g/100g" and amount > 100:
        raise Invalid.at(f"{field}.amount", "is more than 100 g in 100 g")
    amount = float(f"{amount:.12g}")  # 1.8 mg/100 g is 18, not 18.000000000000004
    return Amount(amount / 2, amount) if reading.below else Amount(amount, None)


def _measured(test: SafetyTestIn) -> Measured:
    factor = unit_factor(test.unit, units()[test.test]) if test.unit else 1.0
    return Measured(test.test, tuple(r.scaled(factor) for r in test.values), test.pooled)


def unlikely_amounts(prepared: Prepared, usual: Usual) -> Iterator[FieldError]:
    """The contents that look like a slip of a unit: far from what is usual in this fish.

    Less than a detection limit is judged by that limit, and never too little.
    """
    for index, (value, amount) in enumerate(
        zip(prepared.new.values, prepared.amounts, strict=True)
    ):
        normal = usual.get((prepared.lot.species_code, value.nutrient))
        said = amount.as_fed if amount.limit_as_fed is None else amount.limit_as_fed
        small = amount.limit_as_fed is not None and normal is not None and said < normal
        if is_unlikely(said, normal) and not small:
            unit = nutrients()[value.nutrient].unit
            yield FieldError(
                f"values.{index}.amount",
                f"{value.nutrient} of {said:.4g} {unit} is {UNLIKELY_TIMES:g} times or more away "
                f"from the usual {normal:.4g}",
            )


def store(session: Session, prepared: Sequence[Prepared], *, at: datetime, by: Actor) -> list[int]:
    """Store assays with their results; their ids. A few statements, however many they are."""
    ids = _insert(session, [_row(each, at=at, by=by) for each in prepared])
    values = [
        _value_row(assay_id, value, amount)
        for assay_id, each in zip(ids, prepared, strict=True)
        for value, amount in zip(each.new.values, each.amounts, strict=True)
    ]
    tests = [
        _test_row(assay_id, test, verdict)
        for assay_id, each in zip(ids, prepared, strict=True)
        for test, verdict in zip(each.new.tests, each.verdicts, strict=True)
    ]
    if values:
        session.execute(insert(AssayValue), values)
    if tests:
        session.execute(insert(AssayTest), tests)
    return ids


def _insert(session: Session, rows: list[dict[str, object]]) -> list[int]:
    """Many assays at once; their ids in the same order.

    SQLite gives ids back for one row at a time only. There this transaction is the only
    one that writes, and ids follow one another.
    """
    if session.get_bind().dialect.name == "sqlite":
        session.execute(insert(Assay), rows)
        last = session.execute(select(func.max(col(Assay.id)))).scalar_one()
        return list(range(last - len(rows) + 1, last + 1))
    given = insert(Assay).returning(col(Assay.id), sort_by_parameter_order=True)
    return [int(number or 0) for number in session.execute(given, rows).scalars()]


def _row(prepared: Prepared, *, at: datetime, by: Actor) -> dict[str, object]:
    new = prepared.new
    return {
        "lot_id": prepared.lot.id or 0,
        "sampled_on": new.sampled_on,
        "laboratory": new.laboratory,
        "portion": new.portion.value,
        "method": new.method,
        "sample_id": new.sample_id,
        "reported_on": new.reported_on,
        "findings": [f.model_dump(mode="json") for f in prepared.findings] or None,
        "recorded_at": at,
        "by": by.name,
    }


def _value_row(assay_id: int, value: AssayValueIn, amount: Amount) -> dict[str, object]:
    reading, spread = value.reading, value.spread
    return {
        "assay_id": assay_id,
        "nutrient": value.nutrient,
        "reported": reading.amount,
        "unit": value.unit,
        "basis": value.basis.value,
        "as_fed": amount.as_fed,
        "reported_text": str(reading) if reading.below else None,
        "limit_as_fed": amount.limit_as_fed,
        "replicates": spread.replicates if spread else None,
        "cv": spread.cv if spread else None,
    }


def _test_row(assay_id: int, test: SafetyTestIn, verdict: str | None) -> dict[str, object]:
    return {
        "assay_id": assay_id,
        "test": test.test,
        "unit": test.unit or units()[test.test],
        "reported": [str(reading) for reading in test.values],
        "pooled": test.pooled,
        "verdict": verdict,
    }


def place_holds(session: Session, prepared: Prepared, *, at: datetime, by: Actor) -> None:
    """Nobody may use a lot that a laboratory has found out of limits, until it is released."""
    for found in prepared.blocking:
        reason = f"{found.rule}: {found.because}"
        lot_actions.place_hold(session, prepared.lot, reason, at=at, by=by)


def withdraw(
    session: Session, number: int, withdrawal: WithdrawalIn, *, at: datetime, by: Actor
) -> tuple[Assay, Lot]:
    """An assay does not count any more. A hold that it placed stays until it is released.

    Raises NotFound, and Conflict if it was withdrawn before.
    """
    assay, lot = queries.assay_by_id(session, number, by=by)
    withdrawn_at = sites.happened_at(session, lot.site_id, withdrawal.occurred_at, now=at)
    before = session.get(AssayWithdrawal, number)
    if before is not None:
        raise Conflict(f"this assay was withdrawn by {before.by}", kind="already-withdrawn")
    row = AssayWithdrawal(
        assay_id=number, reason=withdrawal.reason, withdrawn_at=withdrawn_at, by=by.name
    )
    session.add(row)
    session.flush()
    audit.note(
        session,
        by,
        "assay withdrawn",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=row,
        detail={"assay": number, "reason": withdrawal.reason},
    )
    return assay, lot
