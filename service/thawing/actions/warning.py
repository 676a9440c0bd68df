"""Telling people that the clock of a thaw batch runs out, and that it has."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlmodel import Session

from service.ledger import queries as ledger
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security.actor import SERVICE
from service.site import queries as sites
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.models import ThawWarning
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import Warned, warning_due

TITLES = {
    Warned.FIRST: "Thawed fish is to be fed soon",
    Warned.LAST: "The clock of thawed fish is about to run out",
    Warned.ENDED: "The clock of thawed fish has run out: discard it",
}


def warn_of_clocks(session: Session, *, at: datetime) -> int:
    """Tell of each clock once for each warning, and how many were told; one message a site
    and kind.

    A clock that is moved, as when fish is found thawed, is told anew. Cost: about ten queries
    a site, and grows with the fish that is thawing.
    """
    told = 0
    for site in sites.sites(session, by=SERVICE):
        view = sites.view_of(session, site, at=at)
        due = _due(session, view, at)
        for kind, batches in due.items():
            _tell(session, view, kind, batches, at)
            told += len(batches)
    return told


def _due(session: Session, view: SiteView, at: datetime) -> Mapping[Warned, Sequence[BatchView]]:
    thawing = ledger.batches(session, [view.id], open_only=True, limit=None, after_id=0)
    if not thawing:
        return {}
    known = queries.warned_of(session, [batch.id for batch in thawing])
    due: dict[Warned, list[BatchView]] = defaultdict(list)
    for batch in queries.batch_views(session, thawing, view.policy, at=at):
        until = batch.discard_after(view.policy)
        kind = warning_due(until, view.policy, at)
        if kind is not None and (batch.batch.id, kind, until) not in known:
            due[kind].append(batch)
    return due


def _tell(
    session: Session, view: SiteView, kind: Warned, batches: Sequence[BatchView], at: datetime
) -> None:
    lines = []
    for batch in batches:
        until = batch.discard_after(view.policy)
        session.add(
            ThawWarning(thaw_batch_id=batch.batch.id, kind=kind, discard_after=until, told_at=at)
        )
        mass = view.units.mass_out(batch.remaining_g)
        place = batch.place.code if batch.place else "?"
        lines.append(
            f"{batch.batch.code} in {place}: {mass.value:g} {mass.unit} of lot {batch.lot.code}, "
            f"to be fed until {until.astimezone(view.zone):%Y-%m-%d %H:%M}"
        )
    tell(
        session,
        site_id=view.id,
        subject=Subject.THAW,
        number=batches[0].batch.id,
        title=f"{TITLES[kind]} ({len(batches)})",
        body="\n".join(lines),
        urgency=Urgency.TODAY,
        at=at,
    )
