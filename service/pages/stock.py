"""Lots: what there is, in the order it is used, and where it came from and went."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Annotated
from urllib.parse import quote

from fastapi import Query, Response

from service.barcodes.rules.own import OwnKind
from service.catalogue.rules import species_facts
from service.errors import Invalid, NotFound
from service.labels.actions import reading
from service.labels.schemas import LabelTexts
from service.lots import queries as lots
from service.lots.models import Lot
from service.pages.frame import WHO_SEES_REASONS
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.stock_on_hand import LotLine, OnHand
from service.security.guard import MayLook
from service.traceability import actions as traceability

router = page_router("/stock")

A_PAGE = 40
PAGES = {
    OwnKind.LOT: "/stock",
    OwnKind.THAW_BATCH: "/thaw/batches",
    OwnKind.BUCKET: "/thaw/buckets",
}
SCANNED = Query(max_length=200)


@dataclass(frozen=True)
class Kind:
    """Lots of one species, those to be used first at the top."""

    species: str
    name: str
    lines: Sequence[LotLine]


@dataclass(frozen=True)
class StockShown:
    """What there is: by species, filtered, a page of it."""

    kinds: Sequence[Kind]
    species: str | None
    place: str | None
    every_species: Sequence[tuple[str, str]]
    every_place: Sequence[tuple[str, str]]
    lots: int
    grams: int
    ranges: bool
    before: str | None
    after: str | None
    not_found: str | None = None
    scanned: str = ""


@router.get("")
def stock(
    screen: OnScreen,
    by: MayLook,
    species: Annotated[str, Query(max_length=40)] = "",
    place: Annotated[str, Query(max_length=40)] = "",
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> Response:
    """What there is, in the order in which it is used."""
    return screen.show("stock.html", stock_shown(screen, species, place, page))


@router.get("/find")
def find(screen: OnScreen, by: MayLook, code: Annotated[str, SCANNED] = "") -> Response:
    """A label that was scanned or typed: the lot, or the lots of a supplier's code."""
    said = code.strip()
    way = _way_to(screen, said) if said else "/stock"
    if way is not None:
        return go_to(way)
    shown = stock_shown(screen, "", "", 1, not_found=said)
    return screen.show("stock.html", shown, status=404)


def _way_to(screen: Screen, said: str) -> str | None:
    """Where a scanned code leads; None: nowhere."""
    for way in (_by_lot, _by_label, _by_supplier_lot):
        found = way(screen, said)
        if found is not None:
            return found
    return None


def _by_lot(screen: Screen, said: str) -> str | None:
    try:
        return f"/stock/{lots.lot_by_code(screen.session, said, by=screen.by).code}"
    except NotFound:
        return None


def _by_label(screen: Screen, said: str) -> str | None:
    try:
        label = reading.read_texts(
            screen.session, LabelTexts(text=said), at=screen.at, by=screen.by
        )
    except Invalid:
        return None
    if label.ours is not None and label.ours.known and label.ours.kind in PAGES:
        return f"{PAGES[label.ours.kind]}/{label.ours.code}"
    return _by_supplier_lot(screen, label.supplier_lot) if label.supplier_lot else None


def _by_supplier_lot(screen: Screen, said: str) -> str | None:
    try:
        found = traceability.find(screen.session, said, None, by=screen.by)
    except Invalid:
        return None
    if len(found.lots) == 1:
        return f"/stock/{found.lots[0].lot.code}"
    return f"/stock/recall?supplier_lot={quote(said, safe='')}" if found.lots else None


# The list.


def stock_shown(
    screen: Screen, species: str, place: str, page: int, *, not_found: str | None = None
) -> StockShown:
    """A page of what is on hand. Some twenty queries, whatever the stock."""
    held = OnHand.of(screen)
    wanted = [lot for lot in held.in_order if _is_wanted(held, lot, species, place)]
    begin = (page - 1) * A_PAGE
    shown = list(islice(wanted, begin, begin + A_PAGE))
    names = {lot.species_code: species_facts()[lot.species_code].name for lot in held.in_order}
    return StockShown(
        kinds=list(_kinds(held, shown, names)),
        species=species.upper() or None,
        place=place.upper() or None,
        every_species=sorted(names.items(), key=lambda pair: pair[1]),
        every_place=sorted({(p.code, p.name) for p in held.places_with_fish()}),
        lots=len(wanted),
        grams=sum(held.grams(lot, place) for lot in wanted),
        ranges=screen.by.role in WHO_SEES_REASONS,
        before=_page(species, place, page - 1) if page > 1 else None,
        after=_page(species, place, page + 1) if len(wanted) > begin + A_PAGE else None,
        not_found=not_found,
        scanned=not_found or "",
    )


def _page(species: str, place: str, page: int) -> str:
    return f"/stock?species={quote(species)}&place={quote(place)}&page={page}"


def _is_wanted(held: OnHand, lot: Lot, species: str, place: str) -> bool:
    if species and lot.species_code != species.upper():
        return False
    return not place or held.grams(lot, place) > 0


def _kinds(held: OnHand, shown: Sequence[Lot], names: Mapping[str, str]) -> Iterator[Kind]:
    by_species: dict[str, list[Lot]] = defaultdict(list)
    for lot in shown:
        by_species[lot.species_code].append(lot)
    for code, of in by_species.items():
        yield Kind(code, names[code], [held.line(lot) for lot in of])
