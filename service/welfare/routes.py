"""What is noticed about animals, and fish needed against fish used."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query

from service.animals import queries as animals
from service.errors import Invalid
from service.http.bodies import Code, Cursor, Day, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites
from service.site.rules import RULE_BY_ID
from service.welfare.models import WelfareConcern
from service.welfare.queries import looking, using
from service.welfare.rules import RULE_OF, ConcernKind, Reason, what_to_do
from service.welfare.schemas import FishUseOut, WelfareConcernOut

welfare: APIRouter = guarded_router("/welfare", "welfare")
fish_use: APIRouter = guarded_router("/fish-use", "welfare")
routers = (welfare, fish_use)

LONGEST = timedelta(days=31)


@welfare.get("")
def list_concerns(
    session: ReadSession,
    at: Now,
    by: MayLook,
    animal: Code | None = None,
    ended: Annotated[bool, Query(description="Show what is over, too.")] = False,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[WelfareConcernOut]:
    """What is noticed about animals and groups, newest first: off food, below a weight floor,
    eating little for days, mass that does not go with intake, unequal shares.
    """
    rows = looking.concerns(
        session,
        sites.sites_seen(session, by=by),
        animal_id=animals.animal_by_code(session, animal, by=by).id if animal else None,
        over=ended,
        limit=limit + 1,
        before_id=int(decode_cursor(cursor, int)[0]) if cursor is not None else None,
    )
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(next=more, items=[_out(*row) for row in rows[:limit]])


def _out(row: WelfareConcern, animal: str | None, group: str | None) -> WelfareConcernOut:
    kind, reason = ConcernKind(row.kind), Reason(row.reason) if row.reason else None
    return WelfareConcernOut(
        id=row.id or 0,
        animal=animal,
        group=group,
        kind=kind,
        reason=reason,
        since=row.since,
        because=row.because,
        numbers=row.numbers,
        to_do=what_to_do(kind, reason),
        rule=RULE_OF[kind],
        source=RULE_BY_ID[RULE_OF[kind]].source,
        told_at=row.told_at,
        ended_at=row.ended_at,
    )


@fish_use.get("")
def get_fish_use(
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: Annotated[
        Day | None, Query(alias="from", description="Left out: a week before `to`.")
    ] = None,
    to_day: Annotated[Day | None, Query(alias="to", description="Left out: yesterday.")] = None,
    site: Code | None = None,
) -> FishUseOut:
    """Fish that diets asked for, that was pulled, and what became of it, by day and species.

    Fish is often pulled the day before it is fed: compare the totals. Cost: one need and the
    thaw batches of each day; 31 days at most.
    """
    found = sites.site_or_only(session, site, by=by)
    view = sites.view_of(session, found, at=at)
    last = to_day or view.day_of(at) - timedelta(days=1)
    first = from_day or last - timedelta(days=6)
    if not timedelta(0) <= last - first < LONGEST:
        raise Invalid.at("to", f"must not be before from, nor {LONGEST.days} days or more after it")
    return using.fish_use(session, view, first, last)
