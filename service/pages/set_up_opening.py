"""Settings: fish that is there already when the books begin."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import Response

from service.catalogue import queries as catalogue
from service.errors import Invalid
from service.http.sessions import Now, WriteSession
from service.opening import actions
from service.opening.actions import COLUMNS
from service.opening.schemas import OpeningOut
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.security.guard import MaySetUp
from service.site import queries as sites

router = page_router("/settings/opening")
LINES = 8  # to type; more goes through a table
TYPED = ("place", "product", "supplier_lot", "caught_from", "cartons", "mass")


@dataclass(frozen=True)
class OpeningAsked:
    """What a line may name."""

    places: Sequence[tuple[str, str]]
    products: Sequence[tuple[str, str]]
    lines: int


@dataclass(frozen=True)
class OpeningChecked:
    """What the lines would become."""

    opening: OpeningOut


@router.get("")
def ask(screen: OnScreen, by: MaySetUp) -> Response:
    """What lies where?"""
    here = sites.places_of(screen.session, screen.view.id)
    page = OpeningAsked(
        places=[(place.code, place.name) for place in here],
        products=[
            (product.code, product.code) for product, _ in catalogue.products(screen.session)
        ],
        lines=LINES,
    )
    return screen.show("settings_opening.html", page)


@router.post("/check")
def check(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp) -> Response:
    """Judge every line and store none."""
    body = _body(form, screen)
    opening = actions.import_opening(session, body, dry_run=True, at=at, by=by)
    return screen.show("settings_opening_checked.html", OpeningChecked(opening))


@router.post("")
def enter(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp) -> Response:
    """Every line becomes a lot in the books, judged like a delivery; or none of them does."""
    body = _body(form, screen)
    opening = actions.import_opening(session, body, dry_run=False, at=at, by=by)
    held = sum(total.held for total in opening.totals)
    said = screen.write.say(
        "%(lots)s lots are in the books, %(held)s of them on hold.", lots=opening.rows, held=held
    )
    return go_to("/stock", said=said)


def _body(form: Entered, screen: Screen) -> bytes:
    """The table: the file that was sent, else the lines that were typed. Raises Invalid."""
    sent = form.files.get("table")
    if sent is not None and sent.size:
        return sent.file.read()
    written = io.StringIO()
    table = csv.DictWriter(written, [name for name, _ in COLUMNS], restval="")
    table.writeheader()
    lines = form.nested(screen.view.zone).get("lines", [])
    rows = [line for line in lines if isinstance(line, dict) and line.keys() - {"place"}]
    if not rows:
        raise Invalid.at("lines", "enter a line, or choose a table")
    for row in rows:
        unknown = row.keys() - set(TYPED)
        if unknown:
            raise Invalid.at(f"lines.{min(unknown)}", "this field is not known here")
        table.writerow(row | ({"unit": screen.view.units.mass} if "mass" in row else {}))
    return written.getvalue().encode()
