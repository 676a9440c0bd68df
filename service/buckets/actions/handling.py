"""A bucket at hand: locked, not ended, and what happens to it."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.buckets.models import BucketEvent
from service.buckets.queries import views as queries
from service.buckets.queries.views import BucketView
from service.buckets.rules.states import BucketState, EventKind
from service.decisions import Finding, decide
from service.errors import Conflict
from service.feeding.actions.recording import RIGHT_CLOCK
from service.http.bodies import Refusable, refuse_future
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView

OPEN = (BucketState.PLANNED, BucketState.WEIGHED_OUT)


@dataclass(frozen=True)
class Done:
    """A bucket after something happened to it."""

    view: SiteView
    bucket: BucketView
    breaches: tuple[Finding, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Handled:
    """A bucket that somebody does something with: locked, not ended, at an instant."""

    session: Session
    found: BucketView
    view: SiteView
    occurred_at: datetime
    at: datetime
    by: Actor

    @classmethod
    def of(
        cls,
        session: Session,
        code: str,
        said: datetime | None,
        *,
        at: datetime,
        by: Actor,
        clock: timedelta = RIGHT_CLOCK,
    ) -> "Handled":
        """The bucket of a code, locked, whether or not it has ended. Raises NotFound.

        clock : what the clock that `said` is by is behind.
        """
        if said is not None:
            refuse_future(min(said, said + clock), now=at)
        bucket = queries.bucket_by_code(session, code, by=by, lock=True)
        if said is not None and clock:
            skew = sites.view(session, bucket.site_id, at=at).policy.skew
            said += clock if abs(clock) > skew else RIGHT_CLOCK
        occurred_at = sites.happened_at(session, bucket.site_id, said, now=at)
        view = sites.view(session, bucket.site_id, at=occurred_at)
        return cls(session, queries.view(session, bucket), view, occurred_at, at, by)

    @classmethod
    def still_open(
        cls,
        session: Session,
        code: str,
        said: datetime | None,
        *,
        at: datetime,
        by: Actor,
        clock: timedelta = RIGHT_CLOCK,
    ) -> "Handled":
        """The bucket of a code, locked. Raises NotFound, and Conflict if it has ended."""
        it = cls.of(session, code, said, at=at, by=by, clock=clock)
        if it.found.state not in OPEN:
            raise Conflict(
                f"bucket {it.code} is {it.found.state.replace('_', ' ')}",
                kind="bucket-ended",
                advice="A wrong feed is corrected, or taken back: then the bucket is open again.",
            )
        return it

    @property
    def code(self) -> str:
        """Of the bucket."""
        return self.found.bucket.code

    def allowed(self, judged: Iterable[Finding], order: Refusable) -> tuple[Finding, ...]:
        """What findings breach all the same. Raises RuleRefused where they say no."""
        return site_actions.allow(
            self.session,
            decide(judged),
            order,
            site=self.view,
            subject=f"bucket {self.code}",
            occurred_at=self.occurred_at,
            at=self.at,
            by=self.by,
        )

    def happens(
        self, kind: EventKind, *, feed_id: int | None = None, reason: str | None = None
    ) -> None:
        """Store one event."""
        self.session.add(
            BucketEvent(
                bucket_id=self.found.bucket.id or 0,
                kind=kind,
                feed_id=feed_id,
                reason=reason,
                occurred_at=self.occurred_at,
                recorded_at=self.at,
                by=self.by.name,
            )
        )
        self.session.flush()

    def done(
        self,
        what: str,
        *,
        breaches: Iterable[Finding] = (),
        findings: Iterable[Finding] = (),
        **detail: object,
    ) -> Done:
        """Note it in the trail; the bucket as it is now."""
        after = queries.view(self.session, self.found.bucket)
        audit.note(
            self.session,
            self.by,
            what,
            self.code,
            at=self.at,
            site_id=self.view.id,
            after=[[f.thaw_batch, f.grams] for f in after.fish],
            detail={**detail, "breaches": [b.rule for b in breaches]},
        )
        return Done(self.view, after, tuple(breaches), tuple(findings))
