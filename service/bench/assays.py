"""Ten thousand rows of laboratory results from a table: read, checked, stored."""

import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from io import BytesIO
from statistics import median

from sqlmodel import Session, col, select

from service.assays.actions.importing import import_assays
from service.bench.figures import Figure
from service.bench.place import opened
from service.lots.models import Lot
from service.security.actor import SERVICE
from service.security.transactions import transaction

ROWS = 10_000
ROUNDS = 3
TARGET_S = 5.0
_HEADER = ("lot", "sampled_on", "laboratory", "sample_id", "analyte", "amount", "unit")
# Ten results of each sample; figures near those of herring, so that none is asked back.
_RESULTS = (
    ("WATER", "72", "g/100g"),
    ("PROCNT", "18", "g/100g"),
    ("FAT", "9.1", "g/100g"),
    ("ASH", "1.5", "g/100g"),
    ("VITE", "16", "IU/kg"),
    ("THIA", "<0.2", "mg/kg"),
    ("SE", "360", "ug/kg"),
    ("peroxide_value", "2.5", ""),
    ("tvb_n", "18", ""),
    ("mercury_total", "0.04", ""),
)


def measure(address: str, kind: str, at: datetime) -> Iterator[Figure]:
    """The median of a few tables, CSV and XLSX; each is a table of its own."""
    with opened(address) as database:
        with Session(database.snapshot) as session:
            lots = list(session.exec(select(Lot.code).order_by(col(Lot.id))))
        for form, written in (("CSV", as_csv), ("XLSX", as_workbook)):
            taken = []
            for number in range(ROUNDS):
                body = written(rows(lots, at, f"{form}{number}"))
                started = time.perf_counter()
                with transaction(database.writer) as session:
                    answer = import_assays(session, body, dry_run=False, at=at, by=SERVICE)
                taken.append(time.perf_counter() - started)
                if answer.rows != ROWS or answer.assays != ROWS // len(_RESULTS):
                    raise RuntimeError(f"{answer.rows} of {ROWS} rows were stored")
            yield Figure(
                name=f"{ROWS} assay rows from {form}",
                database=kind,
                value=round(median(taken), 2),
                unit="s",
                target=TARGET_S,
                less_is_better=True,
                detail={"rows_per_s": round(ROWS / median(taken))},
            )


def rows(lots: list[str], at: datetime, table: str) -> list[tuple[str, ...]]:
    """The rows of one table: a thousand samples of all lots in turn."""
    day = str((at - timedelta(days=1)).date())
    return [
        (lots[sample % len(lots)], day, "Bench laboratory", f"{table}-{sample}", *result)
        for sample in range(ROWS // len(_RESULTS))
        for result in _RESULTS
    ]


def as_csv(table: list[tuple[str, ...]]) -> bytes:
    """The table as comma separated text."""
    return "\n".join(",".join(cells) for cells in [_HEADER, *table]).encode()


def as_workbook(table: list[tuple[str, ...]]) -> bytes:
    """The table as a workbook."""
    from openpyxl import Workbook  # noqa: PLC0415 - heavy, and only for this figure

    book = Workbook()
    sheet = book.active
    for cells in [_HEADER, *table]:
        sheet.append(cells)
    written = BytesIO()
    book.save(written)
    return written.getvalue()
