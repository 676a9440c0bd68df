"""Records: what a vet or an inspector asks for, on paper and as a table."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Annotated, Literal

from fastapi import Query, Response

from service.animals import queries as animals
from service.fallback import queries as fallback
from service.http.bodies import Day
from service.pages.page import HEADERS, OnScreen, Screen, page_router
from service.pages.records_kinds import Asked, Kind, Offer, offers_for, record_of
from service.pages.records_pdf import Record, paper, table
from service.security.guard import MayLook
from service.site import queries as sites

router = page_router("/records")

MOST_SHEETS = 3
TYPES = {"pdf": "application/pdf", "csv": "text/csv; charset=utf-8"}


@dataclass(frozen=True)
class Sheet:
    """A sheet that is printed for the work of a day, and where."""

    name: str
    href: str


@dataclass(frozen=True)
class RecordsShown:
    """What can be asked for. Places and animals are pairs of code and words."""

    offers: Sequence[Offer]
    places: Sequence[tuple[str, str]]
    animals: Sequence[tuple[str, str]]
    first: date
    last: date
    sheets: Sequence[Sheet]


@router.get("")
def records(screen: OnScreen, by: MayLook) -> Response:
    """Choose a record, and of what."""
    return screen.show("records.html", _shown(screen))


@router.get("/file")
def record(
    screen: OnScreen,
    by: MayLook,
    kind: Annotated[Kind, Query(alias="record")],
    first: Annotated[Day, Query(alias="from")],
    last: Annotated[Day, Query(alias="to")],
    form: Annotated[Literal["pdf", "csv"], Query(alias="as")] = "pdf",
    place: Annotated[str, Query(max_length=60)] = "",
    animal: Annotated[str, Query(max_length=60)] = "",
) -> Response:
    """A record as a PDF or as a table, to keep."""
    made = record_of(screen, Asked(kind, first, last, place.strip(), animal.strip()))
    if form == "csv":
        content = table(made).encode()
    else:
        content = paper(_headed(screen, made, first, last), _made(screen))
    of = f"{screen.view.code}-{kind}-{first}-{last}".lower()
    name = "".join(c if c.isascii() and (c.isalnum() or c == "-") else "-" for c in of)
    headers = {**HEADERS, "Content-Disposition": f'attachment; filename="{name}.{form}"'}
    return Response(content, 200, headers, TYPES[form])


def _shown(screen: Screen) -> RecordsShown:
    view = screen.view
    today = view.day_of(screen.at)
    places = sites.places_of(screen.session, view.id)
    here = animals.animals(screen.session, by=screen.by)
    return RecordsShown(
        offers=offers_for(screen.may),
        places=[(place.code, f"{place.code} · {place.name}") for place in places],
        animals=[(a.code, f"{a.name} ({a.code})") for a in here if a.site_id == view.id],
        first=today,
        last=today,
        sheets=_sheets(screen, today),
    )


def _sheets(screen: Screen, today: date) -> list[Sheet]:
    """The sheets of today that are printed for work, as they stand."""
    say, site = screen.write.say, screen.view.code
    kept = fallback.sheets(
        screen.session, [screen.view.id], day=None, limit=MOST_SHEETS, before=None
    )
    return [
        Sheet(
            say("Supplements for the kitchen"),
            f"/v1/supplement-sheets/kitchen?day={today}&site={site}&format=pdf",
        ),
        Sheet(
            say("Supplements, all figures"),
            f"/v1/supplement-sheets/vet?day={today}&site={site}&format=pdf",
        ),
        *(
            Sheet(
                say("Feed sheet of %(day)s", day=screen.write.day(sheet.day)),
                f"/v1/fallback-sheets/{sheet.code}/paper",
            )
            for sheet, _entered in kept
        ),
    ]


def _headed(screen: Screen, made: Record, first: date, last: date) -> Record:
    days = f"{first}" if first == last else f"{first} to {last}"
    return replace(made, about=[f"{screen.site.name} ({screen.site.code}); {days}", *made.about])


def _made(screen: Screen) -> str:
    at = screen.at.astimezone(screen.view.zone)
    return f"made by {screen.by.name}, {at:%Y-%m-%d %H:%M %Z}, with Fishhouse"
