"""Feeds from buckets: they have happened, and are stored with their breaches."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session

from service.buckets.actions import outcomes
from service.buckets.actions.handling import Done, Handled
from service.buckets.models import BucketEvent
from service.buckets.queries import views as queries
from service.buckets.rules.states import EventKind, cold_findings
from service.buckets.schemas import HowFed, OutcomeIn
from service.decisions import Finding, decide
from service.feeding.actions.naming import Said
from service.feeding.actions.recording import record
from service.feeding.rules import Outcome
from service.feeding.schemas import FeedIn, FeedItemIn
from service.http.bodies import Refusable
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit

FACT = Refusable(already_done=True)


@dataclass(frozen=True)
class Served:
    """What somebody says of a bucket's feed. not_fed: why nothing was offered.

    field: where it was said, before the names of its fields.
    """

    it: Handled
    items: Sequence[FeedItemIn]
    how: HowFed
    became: Sequence[OutcomeIn] = ()
    not_fed: str | None = None
    field: str = ""

    def order(self) -> FeedIn:
        """The feed, as a fact."""
        whose = "animal" if self.it.found.animal else "group"
        said = {
            whose: self.it.found.whose,
            "occurred_at": self.it.occurred_at,
            "already_done": True,
            "kind": self.how.kind or self.it.found.bucket.kind,
            "appetite": self.how.appetite,
            "note": self.not_fed or self.how.note,
            "present": self.how.present,
            "animals": self.how.animals,
            "items": list(self.items),
        }
        if self.not_fed is not None:
            said["outcome"] = Outcome.NOT_OFFERED
        return FeedIn.model_validate(said)


def serve(session: Session, served: Sequence[Served]) -> list[Done]:
    """Record feeds from buckets of one site, and what became of the pieces in them.

    Their buckets are locked and open. Cost: some fifty statements for any number without
    pieces.
    """
    first = served[0].it
    judged = [decide(_cold(each)) for each in served]
    too_warm = [each.it.allowed(d.findings, FACT) for each, d in zip(served, judged, strict=True)]
    said = [Said(each.order(), each.field) for each in served]
    fed = record(session, said, at=first.at, by=first.by)
    session.add_all(_event(each, feed.feed.id) for each, feed in zip(served, fed, strict=True))
    session.flush()
    given = [outcomes.became(each.it, each.became, each.field) for each in served]
    after = queries.views(session, [each.it.found.bucket for each in served])
    done = [
        Done(
            each.it.view,
            bucket,
            (*warm, *feed.breaches, *pieces),
            (*decision.noteworthy(), *feed.findings),
        )
        for each, bucket, decision, warm, feed, pieces in zip(
            served, after, judged, too_warm, fed, given, strict=True
        )
    ]
    for each, what in zip(served, done, strict=True):
        if what.breaches:
            _tell(each.it, what.breaches)
    _note(session, served, done)
    return done


def _cold(each: Served) -> list[Finding]:
    it = each.it
    if each.not_fed is not None:
        return []
    return list(cold_findings(it.found.events, it.occurred_at, it.view.policy, bucket=it.code))


def _event(each: Served, feed_id: int) -> BucketEvent:
    return BucketEvent(
        bucket_id=each.it.found.bucket.id or 0,
        kind=EventKind.FED if each.not_fed is None else EventKind.NOT_FED,
        feed_id=feed_id,
        reason=each.not_fed,
        occurred_at=each.it.occurred_at,
        recorded_at=each.it.at,
        by=each.it.by.name,
    )


def _tell(it: Handled, breaches: Sequence[Finding]) -> None:
    tell(
        it.session,
        site_id=it.view.id,
        subject=Subject.BUCKET,
        number=it.found.bucket.id or 0,
        title=f"{it.found.whose} was fed from bucket {it.code} against a rule",
        body=". ".join(dict.fromkeys(b.because for b in breaches)) + ".",
        urgency=Urgency.NOW,
        at=it.at,
    )


def _note(session: Session, served: Sequence[Served], done: Sequence[Done]) -> None:
    first = served[0].it
    audit.note(
        session,
        first.by,
        "buckets fed",
        first.code if len(served) == 1 else f"{len(served)} buckets",
        at=first.at,
        site_id=first.view.id,
        after=[each.order() for each in served],
        detail={
            "buckets": [each.it.code for each in served],
            "feeds": [what.bucket.feed_id for what in done],
            "breaches": [b.rule for what in done for b in what.breaches],
        },
    )
