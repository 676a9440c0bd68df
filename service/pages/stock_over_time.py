"""What a lot held of a nutrient, holds, and will hold as it is kept."""

from dataclasses import dataclass
from datetime import UTC, datetime

from fastapi import Response

from service.catalogue.rules import nutrient_tag, nutrients, species_facts
from service.errors import NotFound
from service.lots import queries as lots
from service.lots.models import Lot
from service.pages.chart import Chart, Line, chart
from service.pages.page import OnScreen, Screen, page_router
from service.quality.queries.over_time import OverTime, content_over_time
from service.security.guard import MayLook

router = page_router("/stock")

AHEAD_D = 90


@dataclass(frozen=True)
class OverTimeShown:
    """One nutrient of a lot over time."""

    lot: Lot
    fish: str
    tag: str
    name: str
    drawn: Chart
    digits: int
    source: str
    kept: str
    steps: tuple[str, ...]


@router.get("/{lot}/over-time/{tag}")
def over_time(lot: str, tag: str, screen: OnScreen, by: MayLook) -> Response:
    """A nutrient of a lot over time, with its range, and as it will be in ninety days."""
    found = lots.lot_by_code(screen.session, lot, by=by)
    try:
        known = nutrient_tag(tag)
    except ValueError as error:
        raise NotFound.of("nutrient", tag, "tag") from error
    screen = screen.at_site(found.site_id)
    series = content_over_time(
        screen.session, screen.view, found, known, at=screen.at, storage_c=None, days=AHEAD_D
    )
    held = series.held
    shown = OverTimeShown(
        lot=found,
        fish=species_facts()[found.species_code].name,
        tag=known,
        name=nutrients()[known].name,
        drawn=_drawn(screen, series),
        digits=_digits(float(series.left.high.max())),
        source=held.source,
        kept=", ".join(series.places),
        steps=tuple(held.steps),
    )
    return screen.show("stock_over_time.html", shown)


def _drawn(screen: Screen, series: OverTime) -> Chart:
    at_s = [float(at) for at in series.at_s]
    low, value, high = (part.tolist() for part in series.left.triple)
    now = sum(at <= series.now_s for at in at_s)
    say = screen.write.say
    lines = [
        Line(say("so far"), at_s[:now], value[:now], low[:now], high[:now]),
        Line(
            say("as it is kept now"),
            at_s[now - 1 :],
            value[now - 1 :],
            low[now - 1 :],
            high[now - 1 :],
            dashed=True,
        ),
        Line(
            say("laboratory"),
            list(series.sampled_s),
            [result.amount for result in series.results],
            shape="dots",
        ),
    ]
    return chart(
        datetime.fromtimestamp(min([*at_s, *series.sampled_s]), UTC),
        datetime.fromtimestamp(at_s[-1], UTC),
        [line for line in lines if line.at_s],
        write=screen.write,
        unit=series.held.unit,
        lowest=0.0,
    )


def _digits(highest: float) -> int:
    """Figures worth showing of an amount."""
    return next((digits for digits in range(4) if highest * 10**digits >= 100), 4)
