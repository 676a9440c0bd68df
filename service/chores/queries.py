"""Every select of chores: when each was last done, and what has been used since."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, and_, col, func, or_, select

from service.checks.models import Check
from service.checks.rules import CheckKind, Equipment
from service.chores.models import OverdueChore
from service.chores.rules import (
    CHORES,
    LOOKED_BACK,
    NOT_KNOWN,
    Chore,
    ChoreKind,
    Due,
    Tank,
    after_use,
    by_interval,
    container_due,
    interval_days,
    tank_due,
)
from service.feeding.models import Feed
from service.ledger.models import Movement, Parcel, Transfer
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind


@dataclass(frozen=True)
class Done:
    """When something was done last, and by whom."""

    at: datetime
    by: str


@dataclass(frozen=True)
class Standing:
    """One chore of a place or of equipment, and how things stand with it."""

    kind: ChoreKind
    site: SiteView
    place: Place | None
    last: Done | None
    due: Due

    @property
    def chore(self) -> Chore:
        """What it is."""
        return CHORES[self.kind]

    @property
    def key(self) -> tuple[ChoreKind, int | None]:
        """What tells it from the other chores of its site."""
        return self.kind, self.place.id if self.place else None

    @property
    def words(self) -> str:
        """The chore with what it is done to."""
        return f"{self.chore.says} {self.place.code if self.place else self.chore.equipment}"


_Where = tuple[int | None, Equipment | None]
_DoneBy = Mapping[tuple[_Where, CheckKind], Done]


def standings(session: Session, *, by: Actor, at: datetime) -> list[Standing]:
    """Every chore of the sites that somebody sees, by site, chore and place.

    Seven queries a site; cost: checks of two months, and what was used since the last ones.
    """
    places = sites.places(session, by=by)
    return [
        standing
        for site in sites.sites(session, by=by)
        for standing in of_site(
            session,
            sites.view_of(session, site, at=at),
            [place for place in places if place.site_id == site.id],
            at,
        )
    ]


def of_site(
    session: Session, view: SiteView, places: Sequence[Place], at: datetime
) -> list[Standing]:
    """Every chore of one site with these places, by chore and place. Cost as `standings`."""
    done = _last_done(session, view.id, at)
    found: list[Standing] = []
    for kind, chore in CHORES.items():
        here: list[Place | None] = [p for p in places if PlaceKind(p.kind) in chore.places]
        for place in [None] if chore.equipment else here:
            where = (place.id if place else None, chore.equipment)
            last = max(
                (done[where, check] for check in chore.done_by if (where, check) in done),
                key=lambda each: each.at,
                default=None,
            )
            found.append(Standing(kind, view, place, last, NOT_KNOWN))
    return _judged(session, view, found, at)


def _judged(
    session: Session, view: SiteView, found: Sequence[Standing], at: datetime
) -> list[Standing]:
    tanks = _tanks(session, [s for s in found if s.kind is ChoreKind.TANK_SANITISE])
    fish = _thawed_fish_since(session, [s for s in found if s.kind is ChoreKind.CONTAINER_CHECK])
    first_fed = {
        s.kind: _first_feed(session, view, s.last.at) for s in found if s.chore.equipment and s.last
    }

    def due(standing: Standing) -> Due:
        days = interval_days(standing.kind, view.policy)
        last_at = standing.last.at if standing.last else None
        place_id = standing.key[1] or 0
        if days is not None:
            return by_interval(last_at, days, view.zone, at)
        if standing.kind is ChoreKind.CONTAINER_CHECK:
            return container_due(fish.get(place_id), last_at, view.policy, at)
        if last_at is None:
            return NOT_KNOWN
        if standing.kind is ChoreKind.TANK_SANITISE:
            return tank_due(tanks.get(place_id), view.policy, at)
        return after_use(first_fed[standing.kind], view.policy, at)

    return [Standing(s.kind, s.site, s.place, s.last, due(s)) for s in found]


def _last_done(session: Session, site_id: int, at: datetime) -> _DoneBy:
    """The newest check of each kind of each place and equipment that counts. One query."""
    later = aliased(Check)
    rows = session.execute(
        columns(
            col(Check.place_id),
            col(Check.equipment),
            col(Check.kind),
            col(Check.occurred_at),
            col(Check.by),
        )
        .outerjoin(later, col(later.replaces_id) == col(Check.id))
        .where(
            col(Check.site_id) == site_id,
            col(Check.kind).in_((CheckKind.CLEANED, CheckKind.SANITISED, CheckKind.CONTAINER)),
            col(Check.occurred_at) > at - LOOKED_BACK,
            col(Check.occurred_at) <= at,
            # A tub that was too warm was measured; a dishwasher that was too cold did nothing.
            or_(col(Check.passed).is_not(False), col(Check.kind) == CheckKind.CONTAINER),
            col(later.id).is_(None),
        )
        .order_by(col(Check.occurred_at), col(Check.id))
    )
    return {
        (
            (place_id, Equipment(equipment) if equipment else None),
            CheckKind(kind),
        ): Done(occurred_at, by)
        for place_id, equipment, kind, occurred_at, by in rows
    }


def _tanks(session: Session, found: Sequence[Standing]) -> Mapping[int, Tank]:
    """What tanks were used for since they were last sanitised. One query; cost: that use."""
    since = [
        and_(col(Parcel.place_id) == s.key[1], col(Parcel.opened_at) > s.last.at)
        for s in found
        if s.last
    ]
    if not since:
        return {}
    rows = session.execute(
        columns(
            col(Parcel.place_id),
            func.min(col(Parcel.opened_at)),
            func.max(col(Parcel.grams)),
            func.max(col(Movement.occurred_at)),
        )
        .outerjoin(Transfer, col(Transfer.from_parcel_id) == col(Parcel.id))
        .outerjoin(Movement, col(Movement.id) == col(Transfer.movement_id))
        .where(or_(*since))
        .group_by(col(Parcel.place_id))
    )
    return {
        place_id: Tank(first, None if most_left else left_at)
        for place_id, first, most_left, left_at in rows
    }


def _thawed_fish_since(session: Session, found: Sequence[Standing]) -> Mapping[int, datetime]:
    """Since when fish of a thaw batch has stood in each place that has some now. One query."""
    rows = session.execute(
        columns(col(Parcel.place_id), func.min(col(Parcel.opened_at)))
        .where(
            col(Parcel.place_id).in_([s.key[1] for s in found]),
            col(Parcel.thaw_batch_id).is_not(None),
            col(Parcel.grams) > 0,
        )
        .group_by(col(Parcel.place_id))
    )
    return {row[0]: row[1] for row in rows}


def _first_feed(session: Session, view: SiteView, after: datetime) -> datetime | None:
    """The first feed of a site after an instant. One query; cost: the feeds since then."""
    return session.exec(
        select(func.min(col(Feed.occurred_at))).where(
            col(Feed.site_id) == view.id,
            col(Feed.day) >= view.day_of(after),
            col(Feed.occurred_at) > after,
        )
    ).one()


def overdue(session: Session, site_ids: Collection[int]) -> Sequence[OverdueChore]:
    """What people were told of and is not done. One query."""
    statement = select(OverdueChore).where(
        col(OverdueChore.site_id).in_(site_ids), col(OverdueChore.ended_at).is_(None)
    )
    return session.exec(statement).all()
