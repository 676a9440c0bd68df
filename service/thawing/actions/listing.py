"""The pull list of a day: what leaves the freezers for all its requests, in order."""

from collections.abc import Iterator
from datetime import date, datetime

from sqlmodel import Session

from service.catalogue.rules import species_facts
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.actions.sharing import Standing, standings
from service.thawing.schemas import PlannedPull, PullLine


def pull_list(session: Session, view: SiteView, day: date, *, now: datetime) -> list[PullLine]:
    """Every pull for the requests whose first feed is on a day, by last minute and freezer.

    Four queries; cost grows with the pulls of that day and the requests after it.
    """
    found = queries.requests_between(session, view.id, view.start_of(day), view.end_of(day))
    mine = [each for each in found if view.day_of(each.first_feed_at) == day]
    lines = [line for each in standings(session, mine) for line in _lines(each, view, now)]
    return sorted(lines, key=lambda line: (line.pull_not_after, line.from_place, line.lot))


def to_pull(session: Session, view: SiteView, *, now: datetime) -> list[PullLine]:
    """What is still to be pulled for all requests whose last feed is to come, by last minute.

    Three queries; cost grows with those requests.
    """
    live = queries.live_requests(session, view.id, now=now)
    lines = [line for each in standings(session, live) for line in _lines(each, view, now)]
    left = [line for line in lines if not line.done]
    return sorted(left, key=lambda line: (line.pull_not_after, line.from_place, line.lot))


def _lines(each: Standing, view: SiteView, now: datetime) -> Iterator[PullLine]:
    names = species_facts()
    for pull in each.plan.pulls:
        left_g = each.left_g(pull)
        yield PullLine(
            thaw_request=each.request.id or 0,
            pull=pull.number,
            pull_not_before=pull.pull_not_before,
            pull_not_after=pull.pull_not_after,
            late=bool(left_g) and pull.pull_not_after < now,
            from_place=pull.from_place,
            scan=pull.lot,
            lot=pull.lot,
            species=pull.species,
            name=names[pull.species].name,
            form=pull.form,
            mass=pull.mass,
            cartons=pull.cartons,
            pulled=view.units.mass_out(each.pulled_g(pull.number)),
            done=not left_g,
            to_place=pull.to_place,
            then=_then(pull, view),
            thawed_expected=pull.thawed_expected,
            discard_after=pull.discard_after,
        )


def _then(pull: PlannedPull, view: SiteView) -> str | None:
    """What follows the first stage, in words."""
    if len(pull.stages) < 2:
        return None
    first, *rest = pull.stages
    at = first.ends_at.astimezone(view.zone)
    return f"taken apart about {at:%Y-%m-%d %H:%M}, then {', '.join(s.place for s in rest)}"
