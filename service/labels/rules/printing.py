"""What stands on our own labels: a code to scan and to read, and until when to use it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from service.lots.rules import AgeBasis, LotFacts
from service.site.rules import Policy

ON_HOLD = "ON HOLD – do not use"
REJECTED = "REJECTED – do not use"
TOO_OLD = "PAST ITS AGE LIMIT – do not use"
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
A4_MM = (210.0, 297.0)
SHEET_MARGIN_MM = 8.0  # office printers leave about 5 mm white


class Picture(StrEnum):
    """How a label is drawn."""

    PDF = "pdf"
    PNG = "png"
    SVG = "svg"

    @property
    def media_type(self) -> str:
        """As HTTP calls it."""
        return _MEDIA_TYPES[self]


_MEDIA_TYPES = {
    Picture.PDF: "application/pdf",
    Picture.PNG: "image/png",
    Picture.SVG: "image/svg+xml",
}


def chosen_picture(accept: str) -> Picture:
    """What an Accept header names first of what can be drawn; else a PDF, which prints anywhere.

    >>> chosen_picture("text/html, image/svg+xml;q=0.9, */*"), chosen_picture("*/*")
    (<Picture.SVG: 'svg'>, <Picture.PDF: 'pdf'>)
    """
    kinds = {picture.media_type: picture for picture in Picture}
    asked = (part.split(";", maxsplit=1)[0].strip().lower() for part in accept.split(","))
    return next((kinds[kind] for kind in asked if kind in kinds), Picture.PDF)


@dataclass(frozen=True)
class Last:
    """Until when fish may be used: the line that matters most."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True)
class LabelText:
    """All words of one label. warning: a state in which the fish may not be used."""

    kind: str
    code: str
    name: str
    rows: tuple[tuple[str, str], ...]
    last: Last
    warning: str | None = None


@dataclass(frozen=True)
class Paper:
    """A page, how its labels are arranged, and how large each place is."""

    page_width_mm: float
    page_height_mm: float
    margin_mm: float
    columns: int
    rows: int

    @classmethod
    def of_one(cls, width_mm: float, height_mm: float) -> "Paper":
        """The paper of a label printer: one label, to its edges."""
        return cls(width_mm, height_mm, margin_mm=0.0, columns=1, rows=1)

    @property
    def cell_width_mm(self) -> float:
        """Width of the place of one label."""
        return (self.page_width_mm - 2 * self.margin_mm) / self.columns

    @property
    def cell_height_mm(self) -> float:
        """Height of the place of one label, less a hair, so that rows never run over."""
        return (self.page_height_mm - 2 * self.margin_mm) / self.rows - 0.01


def sheet(columns: int, rows: int) -> Paper:
    """An A4 sheet of so many labels."""
    return Paper(*A4_MM, margin_mm=SHEET_MARGIN_MM, columns=columns, rows=rows)


def lot_text(
    lot: LotFacts,
    policy: Policy,
    *,
    name: str,
    caught_to: date | None,
    age_basis: AgeBasis,
    supplier_lot: str | None,
    best_before: date | None,
    on: date,
) -> LabelText:
    """The words of a lot's label. Its last day is the last that its age limit allows."""
    rows = [(_basis(age_basis), _days(lot.caught_from, caught_to))]
    if lot.frozen_on is not None and age_basis is not AgeBasis.FROZEN:
        rows.append(("Frozen", str(lot.frozen_on)))
    if supplier_lot is not None:
        rows.append(("Supplier lot", supplier_lot))
    if best_before is not None:
        rows.append(("Best before", str(best_before)))
    last = last_day(lot, policy)
    return LabelText(
        kind="Lot",
        code=lot.code,
        name=f"{name} ({lot.species})",
        rows=tuple(rows),
        last=Last("Use by", "not known: ask first", "no catch date and no freeze date")
        if last is None
        else Last("Use by", str(last), f"age limit of {lot.fat_group.replace('_', ' ')} fish"),
        warning=_warning(lot, last, on),
    )


def last_day(lot: LotFacts, policy: Policy) -> date | None:
    """The last day on which a lot is not past its age limit; None where no day is known."""
    if lot.age_from is None:
        return None
    return lot.age_from + timedelta(days=int(policy.age_limit_days(lot.fat_group)))


def batch_text(
    lot: LotFacts,
    *,
    code: str,
    name: str,
    mass: str,
    left_freezer_at: datetime,
    discard_after: datetime,
    estimated: bool,
) -> LabelText:
    """The words of a thaw batch's label; both instants in the site's zone."""
    note = "estimated: when it will have thawed is not known yet" if estimated else ""
    return LabelText(
        kind="Thaw batch",
        code=code,
        name=f"{name} ({lot.species})",
        rows=(("Lot", lot.code), ("Pulled", f"{mass}, {_instant(left_freezer_at)}")),
        last=Last("Discard after", _instant(discard_after), note),
        warning=_hold(lot),
    )


def _warning(lot: LotFacts, last: date | None, on: date) -> str | None:
    if last is not None and last < on:
        return _hold(lot) or TOO_OLD
    return _hold(lot)


def _hold(lot: LotFacts) -> str | None:
    if lot.rejected:
        return REJECTED
    return ON_HOLD if lot.held else None


def _basis(basis: AgeBasis) -> str:
    return "Caught" if basis is AgeBasis.FROZEN else basis.value.capitalize()


def _days(first: date | None, last: date | None) -> str:
    if first is None:
        return "not known"
    return str(first) if last in (None, first) else f"{first} to {last}"


def _instant(at: datetime) -> str:
    return f"{_WEEKDAYS[at.weekday()]} {at:%Y-%m-%d %H:%M}"


def symbol_svg(modules: Sequence[Sequence[bool]]) -> str:
    """A square code as SVG, one path: rows of dark modules joined, so that no gap shows.

    modules: True is dark; with the quiet zone around it.

    >>> symbol_svg([[True, True, False]]).count("h2")
    1
    """
    path = "".join(
        f"M{start} {y}h{length}v1h-{length}z"
        for y, row in enumerate(modules)
        for start, length in _runs(row)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {len(modules[0])} {len(modules)}" '
        f'shape-rendering="crispEdges"><path d="{path}"/></svg>'
    )


def _runs(row: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Where dark modules begin, and how many follow."""
    start = None
    for x, dark in enumerate([*row, False]):
        if dark and start is None:
            start = x
        elif not dark and start is not None:
            yield start, x - start
            start = None


def job(texts: Sequence[LabelText], symbols: Mapping[str, str], paper: Paper) -> dict[str, Any]:
    """Labels as `data/labels.typ` takes them."""
    drawn = [asdict(text) | {"symbol": symbols[text.code]} for text in texts]
    fits = paper.columns * paper.rows
    return {
        "title": ", ".join(dict.fromkeys(text.code for text in texts))[:200],
        "page_width_mm": paper.page_width_mm,
        "page_height_mm": paper.page_height_mm,
        "margin_mm": paper.margin_mm,
        "columns": paper.columns,
        "cell_width_mm": paper.cell_width_mm,
        "cell_height_mm": paper.cell_height_mm,
        "pages": [drawn[i : i + fits] for i in range(0, len(drawn), fits)],
    }
