"""What if: an animal's day of supplements beside the day as it would be. Nothing is stored."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fastapi import Response

from service.animals import queries as animals
from service.catalogue.queries import supplement_products
from service.catalogue.rules import species_facts
from service.http.sessions import Now
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, page_router
from service.pages.supplements_shown import (
    PieceShown,
    figure,
    fish_name,
    nutrient_name,
    pieces_shown,
    unit,
    unmet_of,
)
from service.security.guard import MayLook
from service.what_if.actions.asking import what_if
from service.what_if.schemas import CAUTION, DayOut, Difference, WhatIfIn, WhatIfOut

router = page_router("/supplements")


@dataclass(frozen=True)
class LineShown:
    """A nutrient as it stands and as it would be, in words."""

    name: str
    unit: str
    add: tuple[str, str]
    given: tuple[str, str]
    at_most: tuple[str, str]
    limit: tuple[str, str]


@dataclass(frozen=True)
class DayShown:
    """A day's fish, pieces and what stays short."""

    food: Sequence[tuple[str, int, str | None]]
    pieces: Sequence[PieceShown]
    unmet: Sequence[str]
    changes: Sequence[str]
    findings: Sequence[str]


@dataclass(frozen=True)
class Answer:
    """Both days and what is different."""

    now: DayShown
    then: DayShown
    words: Sequence[str]
    lines: Sequence[LineShown]


@dataclass(frozen=True)
class WhatIfPage:
    """What the page shows: the form, and the answer once something was asked."""

    code: str
    name: str
    day: date
    species: Sequence[tuple[str, str]]
    products: Sequence[tuple[str, str]]
    answer: Answer | None
    left_out: Sequence[str]
    caution: str


@router.get("/{animal}/what-if")
def form_page(animal: str, screen: OnScreen, by: MayLook) -> Response:
    """What is to be otherwise?"""
    return _page(screen, animal, None)


@router.post("/{animal}/what-if")
def ask(animal: str, form: Form, screen: OnScreen, at: Now, by: MayLook) -> Response:
    """The day as it would be, beside the day as it is."""
    found = animals.animal_by_code(screen.session, animal, by=by)
    order = form.read(WhatIfIn, screen.view.zone, animal=found.code)
    return _page(screen, animal, what_if(screen.session, order, at=at, by=by))


def _page(screen: Screen, code: str, given: WhatIfOut | None) -> Response:
    found = animals.animal_by_code(screen.session, code, by=screen.by)
    screen = screen.at_site(found.site_id)
    return screen.show(
        "supplements_what_if.html",
        WhatIfPage(
            code=found.code,
            name=found.name,
            day=given.day if given else screen.view.day_of(screen.at),
            species=sorted(
                ((key, facts.name) for key, facts in species_facts().items()),
                key=lambda pair: pair[1].casefold(),
            ),
            products=[(each.code, each.name) for each in supplement_products(screen.session)],
            answer=_answer(given),
            left_out=[each.why for each in given.left_out] if given else (),
            caution=CAUTION,
        ),
    )


def _answer(given: WhatIfOut | None) -> Answer | None:
    if given is None or not given.items:
        return None
    item = given.items[0]
    return Answer(
        now=_day(item.now),
        then=_day(item.then),
        words=item.difference.words,
        lines=_lines(item.difference),
    )


def _day(day: DayOut) -> DayShown:
    return DayShown(
        food=[(fish_name(fish.species), fish.mass.g, fish.lot) for fish in day.food],
        pieces=pieces_shown(day.supplements),
        unmet=unmet_of(day.unmet),
        changes=day.changes,
        findings=[each.because for each in day.findings],
    )


def _lines(difference: Difference) -> list[LineShown]:
    return [
        LineShown(
            name=nutrient_name(each.nutrient),
            unit=unit(each.unit),
            add=_pair(each.add_now, each.add_then),
            given=_pair(each.given_now, each.given_then),
            at_most=_pair(each.at_most_now, each.at_most_then),
            limit=_pair(each.limit_now, each.limit_then),
        )
        for each in difference.lines
    ]


def _pair(now: float | None, then: float | None) -> tuple[str, str]:
    return _figure(now), _figure(then)


def _figure(value: float | None) -> str:
    return "–" if value is None else figure(value)
