"""Taking a running kitchen over: what lies in its freezers comes into the books by the table.

Each row becomes a lot, judged like a delivery; one delivery for each supplier and day,
flagged as opening. All of it or nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from itertools import groupby

from pydantic import TypeAdapter, ValidationError
from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.catalogue.models import Product, Supplier
from service.decisions import Decision
from service.errors import FieldError, Invalid
from service.http.bodies import Day
from service.http.uploads import rows_at_fault, table_of
from service.lots.rules import LotStatus, wrong_days
from service.opening import queries
from service.opening.rules import KEPT_AS, Same
from service.opening.schemas import OpeningLot, OpeningOut, OpeningTotal
from service.receiving.actions.arriving import Received, receive
from service.receiving.schemas import DeliveryIn, LotIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.spreadsheets import RowProblem, SheetRow

COLUMNS: tuple[tuple[str, str], ...] = (
    ("place", "Code of the freezer, refrigerator or ice where it lies."),
    ("product", "Code of the product."),
    ("supplier", "Code of the supplier; empty: the product's."),
    ("supplier_lot", "The supplier's lot code."),
    ("caught_from", "First day of the catch, YYYY-MM-DD; empty: not known, and the lot is held."),
    ("caught_to", "Last day of the catch; empty: the same day."),
    ("frozen_on", "Day it was frozen."),
    ("received_on", "Day it arrived; empty: today, and its past is counted as not measured."),
    ("best_before", "Label date."),
    ("mass", "A number, or with its unit like 25 lb; empty: cartons × carton mass."),
    ("unit", "kg, g, lb or oz; empty where mass says it."),
    ("cartons", "How many cartons."),
    ("note", "Anything else; kept in the audit trail."),
)
REQUIRED = ("place", "product")
MOST_ROWS = 5_000  # each is received like a delivery's lot, with everything that is checked then
_OF_THE_LOT = (
    "product",
    "place",
    "supplier_lot",
    "caught_from",
    "caught_to",
    "frozen_on",
    "best_before",
)
Progress = Callable[[str, int, int], None]
_DAY: TypeAdapter[date] = TypeAdapter(Day)


def _silent(_stage: str, _done: int, _of: int) -> None:
    """Nobody watches."""


@dataclass(frozen=True)
class _Known:
    """Everything that rows can name, loaded once."""

    products: dict[str, tuple[Product, Supplier]]
    suppliers: dict[str, Supplier]
    places: dict[str, Place]
    views: dict[int, SiteView]
    at: datetime

    def today(self, place: Place) -> date:
        """The civil day at a place."""
        return self.views[place.site_id].day_of(self.at)


@dataclass(frozen=True)
class _Row:
    """A row that can be received."""

    number: int
    line: LotIn
    supplier: str
    place: Place
    product: Product
    received_on: date
    note: str | None

    @property
    def delivery(self) -> tuple[int, date, str]:
        """The delivery that it is part of."""
        return (self.place.site_id, self.received_on, self.supplier)

    @property
    def same(self) -> Same:
        """By what it would be the same fish as another row."""
        grams = self.line.mass.grams if self.line.mass else 0
        return Same(
            self.product.id or 0,
            self.place.id or 0,
            self.line.supplier_lot,
            self.line.caught_from,
            self.line.frozen_on,
            self.received_on,
            grams or (self.line.cartons or 0) * self.product.carton_g,
        )


def import_opening(
    session: Session,
    body: bytes,
    *,
    dry_run: bool,
    at: datetime,
    by: Actor,
    progress: Progress = _silent,
) -> OpeningOut:
    """Store a table of stock, or say every row that is wrong and store nothing.

    A dry run receives everything, says what was found, and takes it back. Raises Invalid
    with rows and columns. Cost: some fifteen statements a row.
    """
    progress("reading", 0, 1)
    rows = table_of(body, columns=[name for name, _ in COLUMNS], required=REQUIRED)
    if len(rows) > MOST_ROWS:
        raise Invalid.at("body", f"has more than {MOST_ROWS} rows: send it in parts")
    known = _known(session, at, by)
    good, wrong = _checked(rows, known)
    wrong += _twice(session, good)
    progress("reading", 1, 1)
    if wrong:
        raise rows_at_fault(wrong)
    if dry_run:
        with session.begin_nested() as attempt:
            found = _receive(session, good, known, at=at, by=by, progress=progress)
            answer = _out(good, found, known, dry_run=True)
            attempt.rollback()
        audit.forget_pending(session)
        return answer
    found = _receive(session, good, known, at=at, by=by, progress=progress)
    _note(session, good, found, body, at=at, by=by)
    return _out(good, found, known, dry_run=False)


def _known(session: Session, at: datetime, by: Actor) -> _Known:
    found = sites.sites(session, by=by)
    return _Known(
        products={product.code: (product, s) for product, s in catalogue.products(session)},
        suppliers={supplier.code: supplier for supplier in catalogue.suppliers(session)},
        places={place.code: place for place in sites.places(session, by=by)},
        views={site.id or 0: sites.view_of(session, site, at=at) for site in found},
        at=at,
    )


def _checked(rows: Sequence[SheetRow], known: _Known) -> tuple[list[_Row], list[RowProblem]]:
    good: list[_Row] = []
    wrong: list[RowProblem] = []
    for row in rows:
        checked = _row(row, known)
        if isinstance(checked, _Row):
            good.append(checked)
        else:
            wrong += [RowProblem(row.number, e.field, e.message) for e in checked]
    return good, wrong


def _row(row: SheetRow, known: _Known) -> _Row | list[FieldError]:
    wrong: list[FieldError] = []
    place = known.places.get((row.text("place") or "").upper())
    product, own = known.products.get((row.text("product") or "").upper(), (None, None))
    said = (row.text("supplier") or (own.code if own else "")).upper()
    if place is None:
        wrong.append(FieldError("place", f"no place is called {row.text('place')!r}"))
    elif PlaceKind(place.kind) not in KEPT_AS:
        wrong.append(FieldError("place", f"{place.code} is a {place.kind}: what thaws is pulled"))
    if product is None:
        wrong.append(FieldError("product", f"no product is called {row.text('product')!r}"))
    if said and said not in known.suppliers:
        wrong.append(FieldError("supplier", f"no supplier is called {said!r}"))
    elif own is not None and said != own.code:
        wrong.append(FieldError("supplier", f"this product is sold by {own.code}"))
    line, received_on, at_fault = _line(row)
    wrong += at_fault
    if line is None:
        return wrong
    if place is not None:
        today = known.today(place)
        if received_on is not None and received_on > today:
            wrong.append(FieldError("received_on", "lies in the future"))
        days = wrong_days(received_on or today, line.caught_from, line.caught_to, line.frozen_on)
        wrong += [FieldError(column, why) for column, why in days]
    if wrong or place is None or product is None:
        return wrong
    kept = line.model_copy(update={"received_as": KEPT_AS[PlaceKind(place.kind)]})
    return _Row(
        row.number, kept, said, place, product, received_on or known.today(place), row.text("note")
    )


def _line(row: SheetRow) -> tuple[LotIn | None, date | None, list[FieldError]]:
    """The line of a delivery in a row, the day that it arrived, and what is wrong."""
    said: dict[str, object] = {name: row.text(name) for name in _OF_THE_LOT}
    wrong: list[FieldError] = []
    for name in ("cartons", "mass"):
        try:
            figure = row.figure(name)
            said[name] = _mass(figure, row.text("unit")) if name == "mass" else figure
        except ValueError as error:
            wrong.append(FieldError(name, str(error)))
    if not wrong and said["mass"] is None and said["cartons"] is None:
        wrong.append(FieldError("mass", "give a mass, or cartons"))
    line = received_on = None
    try:
        line = LotIn.model_validate({k: v for k, v in said.items() if v is not None})
    except ValidationError as error:
        wrong += _fields(error)
    try:
        received = row.text("received_on")
        received_on = None if received is None else _DAY.validate_python(received)
    except ValidationError as error:
        wrong += [FieldError("received_on", e.message) for e in _fields(error)]
    return line, received_on, wrong


def _fields(error: ValidationError) -> list[FieldError]:
    return [
        FieldError(
            str(e["loc"][0]) if e["loc"] else "product",
            str(e["msg"]).removeprefix("Value error, "),
        )
        for e in error.errors(include_url=False, include_context=False)
    ]


def _mass(said: object, unit: str | None) -> str | None:
    if said is None:
        return None
    if unit is None and not str(said)[-1:].isalpha():
        raise ValueError("has no unit: write kg, g, lb or oz")
    return f"{said} {unit}" if unit else str(said)


def _twice(session: Session, rows: Sequence[_Row]) -> list[RowProblem]:
    """Rows that are the same fish as another row, or as what was opened before."""
    before = queries.opened_before(session, [row.place.id or 0 for row in rows])
    seen: dict[Same, int] = {}
    wrong = []
    for row in rows:
        if row.same in before:
            reason = f"stands in the books as lot {before[row.same]} from an opening balance"
            wrong.append(RowProblem(row.number, "product", reason))
        elif row.same in seen:
            reason = f"is the same as row {seen[row.same]}: add the two up, or tell them apart"
            wrong.append(RowProblem(row.number, "product", reason))
        seen.setdefault(row.same, row.number)
    return wrong


def _receive(
    session: Session,
    rows: Sequence[_Row],
    known: _Known,
    *,
    at: datetime,
    by: Actor,
    progress: Progress,
) -> dict[int, Received]:
    """A delivery for each supplier and day, oldest first; what each row became by its number."""
    catalogue.lock_species(session, {row.product.species_code for row in rows})
    found: dict[int, Received] = {}
    ordered = sorted(rows, key=lambda row: (row.received_on, row.delivery))
    for (site_id, received_on, supplier), some in groupby(ordered, key=lambda row: row.delivery):
        mine = list(some)
        delivery = DeliveryIn.model_construct(
            occurred_at=None,
            supplier=supplier,
            arrived_at=_noon(known.views[site_id], received_on, at),
            vehicle_temperature=None,
            order_number=None,
            documents=[],
            lots=[row.line for row in mine],
        )
        _, received = receive(session, delivery, at=at, by=by, opening=True)
        found |= {row.number: each for row, each in zip(mine, received, strict=True)}
        progress("storing", len(found), len(rows))
    return found


def _noon(view: SiteView, day: date, at: datetime) -> datetime:
    """Noon of the day that it arrived, or now on the day itself: the hour is not known."""
    noon = datetime.combine(day, time(12), view.zone).astimezone(UTC)
    return min(noon, at)


def _note(
    session: Session,
    rows: Sequence[_Row],
    found: dict[int, Received],
    body: bytes,
    *,
    at: datetime,
    by: Actor,
) -> None:
    for site_id in sorted({row.place.site_id for row in rows}):
        mine = [row for row in rows if row.place.site_id == site_id]
        audit.note(
            session,
            by,
            "opening balance",
            f"{len(mine)} lots",
            at=at,
            site_id=site_id,
            after=body.hex(),
            detail={
                "g": sum(found[row.number].lot.grams for row in mine),
                "notes": {found[r.number].lot.code: r.note for r in mine if r.note is not None},
            },
        )


def _out(
    rows: Sequence[_Row], found: dict[int, Received], known: _Known, *, dry_run: bool
) -> OpeningOut:
    lots = []
    grams: dict[tuple[str, str, int], list[tuple[int, bool]]] = {}
    for row in rows:
        each = found[row.number]
        decision = Decision(each.findings)
        held = bool(decision.blocking())
        species, units = row.product.species_code, known.views[row.place.site_id].units
        lots.append(
            OpeningLot(
                row=row.number,
                lot=None if dry_run else each.lot.code,
                place=row.place.code,
                species=species,
                mass=units.mass_out(each.lot.grams),
                cartons=each.lot.cartons,
                status=LotStatus.HELD if held else LotStatus.ACCEPTED,
                findings=list(decision.noteworthy()),
            )
        )
        key = (row.place.code, species, row.place.site_id)
        grams.setdefault(key, []).append((each.lot.grams, held))
    return OpeningOut(
        dry_run=dry_run,
        rows=len(rows),
        deliveries=len({row.delivery for row in rows}),
        totals=[
            OpeningTotal(
                place=place,
                species=species,
                lots=len(parts),
                held=sum(held for _, held in parts),
                mass=known.views[site_id].units.mass_out(sum(g for g, _ in parts)),
            )
            for (place, species, site_id), parts in sorted(grams.items())
        ],
        lots=lots,
    )
