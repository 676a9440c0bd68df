"""Laboratory results by the table: all of it or nothing.

One row is one figure. Rows that agree on lot, sample and report are one assay; the
samples of a test (nine for histamine) are rows with the same test.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session

from service.assays import queries
from service.assays.actions.recording import (
    Prepared,
    Usual,
    place_holds,
    prepare,
    store,
    unlikely_amounts,
)
from service.assays.rules.limits import units
from service.assays.schemas import AssayIn, ImportedLot, ImportOut
from service.catalogue.rules import nutrient_tag
from service.http.uploads import rows_at_fault, table_of
from service.lots.models import Lot
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.spreadsheets import RowProblem, SheetRow

COLUMNS: tuple[tuple[str, str], ...] = (
    ("lot", "Code of the lot."),
    ("sampled_on", "Day of the sample, YYYY-MM-DD."),
    ("laboratory", "Who analysed it."),
    ("portion", "whole or fillet; empty: whole."),
    ("sample_id", "The laboratory's or your number of the sample."),
    ("method", "How it was analysed."),
    ("reported_on", "Day of the report, YYYY-MM-DD."),
    ("analyte", "INFOODS tag (THIA, VITE, FAT …) or test (histamine, aerobic_plate_count …)."),
    ("amount", "A number, or less than a detection limit like <0.1. One row for each sample."),
    ("unit", "mg/100g, IU/kg, g/100g, mg/kg, CFU/g …; empty for a test: the unit of its limits."),
    ("basis", "as_fed or dry_matter; empty: as_fed."),
    ("replicates", "How many results the amount is the mean of; only with cv_percent."),
    ("cv_percent", "Their coefficient of variation."),
    ("pooled", "Histamine: samples in one composite."),
    ("confirm", "yes: the amount is right, however unusual it is."),
)
REQUIRED = ("lot", "sampled_on", "laboratory", "analyte", "amount")
_OF_THE_SAMPLE = (
    "lot",
    "sampled_on",
    "laboratory",
    "portion",
    "sample_id",
    "method",
    "reported_on",
)
_YES = frozenset({"yes", "true", "1", "x"})
_STAGES = ("reading", "checking", "storing")

Progress = Callable[[str, int, int], None]
"""Told the stage, how much of it is done, and how much there is."""


def _silent(_stage: str, _done: int, _of: int) -> None:
    """Nobody watches."""


@dataclass
class _Group:
    """The rows of one assay, as they become its body, and where each part of it stands."""

    rows: list[SheetRow] = field(default_factory=list)
    values: list[dict[str, Any]] = field(default_factory=list)
    value_rows: list[int] = field(default_factory=list)
    tests: dict[str, dict[str, Any]] = field(default_factory=dict)
    test_rows: dict[str, list[int]] = field(default_factory=dict)
    confirmed: set[int] = field(default_factory=set)

    @property
    def body(self) -> dict[str, Any]:
        """The body that a single assay would have."""
        first = self.rows[0]
        said = {name: first.text(name) for name in _OF_THE_SAMPLE[1:]}
        return {
            **{name: value for name, value in said.items() if value is not None},
            "values": self.values,
            "tests": list(self.tests.values()),
        }

    def problem(self, where: Sequence[object], reason: str) -> RowProblem:
        """What is wrong at a place of the body, by its row and column."""
        parts = [str(part) for part in where]
        if len(parts) > 1 and parts[0] == "values":
            column = parts[2] if len(parts) > 2 else "amount"
            return RowProblem(self.value_rows[int(parts[1])], _column(column), reason)
        if len(parts) > 1 and parts[0] == "tests":
            name = list(self.tests)[int(parts[1])]
            rows = self.test_rows[name]
            index = int(parts[3]) if len(parts) > 3 and parts[2] == "values" else 0
            return RowProblem(rows[index], _column(parts[2] if len(parts) > 2 else ""), reason)
        return RowProblem(self.rows[0].number, parts[0] if parts else "lot", reason)


def _column(field_name: str) -> str:
    return {"nutrient": "analyte", "test": "analyte", "values": "amount", "": "amount"}.get(
        field_name, field_name
    )


def import_assays(
    session: Session,
    body: bytes,
    *,
    dry_run: bool,
    at: datetime,
    by: Actor,
    progress: Progress = _silent,
) -> ImportOut:
    """Store a table of results, or say every row that is wrong and store nothing.

    Raises Invalid with rows and columns. A dry run checks the same and stores nothing.
    Cost: O(rows); a handful of statements, and two for each lot that is put on hold.
    """
    progress("reading", 0, 1)
    names = [name for name, _ in COLUMNS]
    rows = table_of(body, columns=names, required=REQUIRED)
    progress("reading", 1, 1)
    groups, wrong = _grouped(rows)
    lots = queries.lots_by_code(session, [code for code in _codes(rows) if code])
    today = _todays(session, lots.values(), at, by)
    usual = queries.usual_contents(session, {lot.species_code for lot in lots.values()})
    prepared: list[Prepared] = []
    for number, group in enumerate(groups):
        if number % 200 == 0:
            progress("checking", number, len(groups))
        lot, problem = _lot_of(group, lots, by)
        if lot is None:
            wrong.append(problem)
            continue
        each, problems = _prepared(group, lot, today[lot.site_id], usual)
        wrong += problems
        prepared += [each] if each is not None else []
    progress("checking", len(groups), len(groups))
    if wrong:
        raise rows_at_fault(wrong)
    if not dry_run:
        _store(session, prepared, body, at=at, by=by, progress=progress)
    return _out(rows, prepared, dry_run=dry_run)


def _codes(rows: Sequence[SheetRow]) -> Iterator[str]:
    yield from ((row.text("lot") or "").upper() for row in rows)


def _todays(session: Session, lots: Any, at: datetime, by: Actor) -> dict[int, Any]:
    """The civil day at each site. Two queries a site."""
    return {
        site_id: sites.view(session, site_id, at=at).day_of(at)
        for site_id in {lot.site_id for lot in lots}
        if by.sees(site_id)
    }


def _lot_of(
    group: _Group, lots: dict[str, Lot], by: Actor
) -> tuple[Lot, RowProblem] | tuple[Lot | None, RowProblem]:
    row = group.rows[0]
    code = row.text("lot") or ""
    problem = RowProblem(row.number, "lot", f"no lot is called {code!r}" if code else "is missing")
    lot = lots.get(code.upper())
    if lot is not None and not by.sees(lot.site_id):
        return None, RowProblem(row.number, "lot", "belongs to a site that you have no access to")
    return lot, problem


def _grouped(rows: Sequence[SheetRow]) -> tuple[list[_Group], list[RowProblem]]:
    """Rows that are one assay, in the order of the table; and what is wrong in a row itself."""
    groups: dict[tuple[str, ...], _Group] = {}
    wrong: list[RowProblem] = []
    for row in rows:
        key = tuple((row.text(name) or "").upper() for name in _OF_THE_SAMPLE)
        group = groups.setdefault(key, _Group())
        group.rows.append(row)
        wrong += _add(group, row)
    return list(groups.values()), wrong


def _add(group: _Group, row: SheetRow) -> Iterator[RowProblem]:
    """One row into its assay's body."""
    said = row.text("analyte") or ""
    figures: dict[str, str | None] = {}
    for column in ("amount", "replicates", "cv_percent", "pooled"):
        try:
            figures[column] = row.figure(column)
        except ValueError as error:
            yield RowProblem(row.number, column, str(error))
            return
    if figures["amount"] is None:
        yield RowProblem(row.number, "amount", "is missing")
        return
    if (row.text("confirm") or "").lower() in _YES:
        group.confirmed.add(row.number)
    name = "_".join(said.lower().replace("-", " ").split())
    if name in units():
        yield from _add_test(group, row, name, figures)
        return
    try:
        tag = nutrient_tag(said)
    except ValueError:
        yield RowProblem(row.number, "analyte", f"no nutrient or test is called {said!r}")
        return
    if any(value["nutrient"] == tag for value in group.values):
        at = group.value_rows[[v["nutrient"] for v in group.values].index(tag)]
        yield RowProblem(row.number, "analyte", f"{tag} of this sample stands in row {at} already")
        return
    value = {
        "nutrient": tag,
        "amount": figures["amount"],
        "unit": row.text("unit") or "",
        "basis": row.text("basis"),
        "replicates": figures["replicates"],
        "cv_percent": figures["cv_percent"],
    }
    group.values.append({k: v for k, v in value.items() if v is not None})
    group.value_rows.append(row.number)


def _add_test(
    group: _Group, row: SheetRow, name: str, figures: dict[str, str | None]
) -> Iterator[RowProblem]:
    for column in ("basis", "replicates", "cv_percent"):
        if row.text(column) not in (None, "as_fed"):
            yield RowProblem(row.number, column, "belongs to nutrients, not to tests")
            return
    own = {"unit": row.text("unit"), "pooled": figures["pooled"]}
    test = group.tests.setdefault(
        name, {"test": name, "values": [], **{k: v for k, v in own.items() if v is not None}}
    )
    for column, said in own.items():
        if test.get(column) != said:
            first = group.test_rows[name][0]
            yield RowProblem(
                row.number, column, f"is not as in row {first}: one {column} for all of a test"
            )
            return
    test["values"].append(figures["amount"])
    group.test_rows.setdefault(name, []).append(row.number)


def _prepared(
    group: _Group, lot: Lot, today: Any, usual: Usual
) -> tuple[Prepared | None, list[RowProblem]]:
    if not group.values and not group.tests:
        return None, []  # its rows have been named before
    try:
        new = AssayIn.model_validate(group.body)
    except ValidationError as error:
        return None, [
            group.problem(e["loc"], str(e["msg"]).removeprefix("Value error, "))
            for e in error.errors(include_url=False, include_context=False)
        ]
    prepared, wrong = prepare(new, lot, today)
    if prepared is None:
        return None, [group.problem(w.field.split("."), w.message) for w in wrong]
    doubts = [
        group.problem(u.field.split("."), u.message) for u in unlikely_amounts(prepared, usual)
    ]
    return prepared, [
        RowProblem(d.row, d.column, f"{d.reason}: write yes in confirm if it is right")
        for d in doubts
        if d.row not in group.confirmed
    ]


def _store(
    session: Session,
    prepared: Sequence[Prepared],
    body: bytes,
    *,
    at: datetime,
    by: Actor,
    progress: Progress,
) -> None:
    progress("storing", 0, 2)
    store(session, prepared, at=at, by=by)
    progress("storing", 1, 2)
    for each in prepared:
        place_holds(session, each, at=at, by=by)
    for site_id in sorted({each.lot.site_id for each in prepared}):
        mine = [each for each in prepared if each.lot.site_id == site_id]
        audit.note(
            session,
            by,
            "assays imported",
            f"{len(mine)} assays",
            at=at,
            site_id=site_id,
            after=body.hex(),
            detail={"assays": len(mine), "values": sum(len(each.amounts) for each in mine)},
        )
    progress("storing", 2, 2)


def _out(rows: Sequence[SheetRow], prepared: Sequence[Prepared], *, dry_run: bool) -> ImportOut:
    return ImportOut(
        dry_run=dry_run,
        rows=len(rows),
        assays=len(prepared),
        values=sum(len(each.new.values) for each in prepared),
        tests=sum(len(each.new.tests) for each in prepared),
        held=[
            ImportedLot(lot=each.lot.code, findings=list(each.blocking))
            for each in prepared
            if each.blocking
        ],
    )
