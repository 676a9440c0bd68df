"""Telling of batches that expire and products that run out: once, until it is over."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import floor

from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.site import queries as sites
from service.supplement_stock import queries
from service.supplement_stock.models import SupplementConcern
from service.supplement_stock.queries import OnHand
from service.supplement_stock.rules import (
    Concern,
    ConcernKind,
    State,
    runs_out,
    state_of,
)

Found = Mapping[int, Sequence[Concern]]


def find(session: Session, at: datetime) -> Found:
    """What is to be told of each site's supplements; writes nothing. Five queries a site."""
    found = {}
    for site_id in sites.sites_seen(session, by=SERVICE):
        view = sites.view(session, site_id, at=at)
        today = view.day_of(at)
        concerns: list[Concern] = []
        for stock in queries.on_hand(session, view, at=at):
            for batch in stock.batches:
                state = state_of(batch, today, view.policy)
                if state in (State.EXPIRED, State.EXPIRES_SOON):
                    verb = "expired" if state is State.EXPIRED else "expires"
                    concerns.append(
                        Concern(
                            ConcernKind(state),
                            stock.product_id,
                            f"{stock.name} ({stock.product}), batch {batch.code}, {verb} on "
                            f"{batch.expires_on}: {batch.left:g} {stock.counted_in} left",
                            batch.id,
                        )
                    )
            if stock.used_per_day and runs_out(stock.days_left, view.policy):
                concerns.append(_runs_out(stock))
        found[site_id] = concerns
    return found


def _runs_out(stock: OnHand) -> Concern:
    return Concern(
        ConcernKind.RUNS_OUT,
        stock.product_id,
        f"{stock.name} ({stock.product}) lasts for {floor(stock.days_left)} days: "
        f"{stock.usable:g} {stock.counted_in} can be used, {stock.used_per_day:.3g} a day are",
    )


def tell_new(session: Session, found: Found, at: datetime) -> int:
    """Tell what is new of `find`, and end what is over. Returns how many are new."""
    told = queries.open_concerns(session, sorted(found))
    new = 0
    for site_id, concerns in found.items():
        wanted = {concern.key: concern for concern in concerns}
        open_ = {
            (row.kind, row.product_id, row.batch_id): row for row in told if row.site_id == site_id
        }
        for key, row in open_.items():
            if key not in wanted:
                row.ended_at = at
                session.add(row)
        fresh = [concern for key, concern in wanted.items() if key not in open_]
        if fresh:
            _tell(session, site_id, fresh, at)
        new += len(fresh)
    return new


def _tell(session: Session, site_id: int, fresh: Sequence[Concern], at: datetime) -> None:
    """One message of all that a look has found."""
    for concern in fresh:
        session.add(
            SupplementConcern(
                site_id=site_id,
                product_id=concern.product_id,
                batch_id=concern.batch_id,
                kind=concern.kind,
                because=concern.because,
                told_at=at,
            )
        )
    more = f", and {len(fresh) - 1} more" if len(fresh) > 1 else ""
    tell(
        session,
        site_id=site_id,
        subject=Subject.SUPPLEMENT,
        number=0,
        title=f"{fresh[0].because}{more}",
        body="\n".join(f"{concern.because}." for concern in fresh),
        urgency=Urgency.TODAY,
        at=at,
    )
    audit.note(
        session,
        SERVICE,
        "supplements expire or run out",
        "supplement stock",
        at=at,
        site_id=site_id,
        detail={"concerns": [concern.because for concern in fresh]},
    )
