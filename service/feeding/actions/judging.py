"""What the rules say of feeding from thaw batches, asked once for all feeds of a round."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sqlmodel import Session

from service.assessments.queries import taking as excursions_open
from service.decisions import Finding, Outcome
from service.excursions import queries as excursions
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import hold_findings
from service.quality.queries.exposure import Exposures
from service.quality.rules import warmth_findings
from service.site.queries import SiteView
from service.thawing import queries as thawing
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import clock_findings


@dataclass
class Judge:
    """What there is to say of each thaw batch at each instant; what passes is not said.

    The longer fish waits the worse it gets, so where nothing new was seen of a batch between
    the first and the last instant, and nothing speaks against the last, nothing speaks against
    the others but the clock, which is read for each. Else each instant is looked at by itself.

    Cost: fourteen queries for any number of batches and feeds, where nothing is undecided.
    """

    session: Session
    views: Mapping[datetime, SiteView]
    last: datetime
    by_code: dict[str, BatchView]
    _held: Mapping[str, Sequence[Finding]]
    _against: Mapping[str, Sequence[Finding]]
    _known: dict[tuple[str, datetime], tuple[Finding, ...]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        session: Session,
        batches: Sequence[Batch],
        lot_of: Mapping[int, Lot],
        views: Mapping[datetime, SiteView],
    ) -> "Judge":
        """Look at batches once, at the last of these instants."""
        last = max(views)
        found = _views(session, batches, views[last], last)
        facts = lots.facts(session, list(lot_of.values())) if lot_of else {}
        held = {code: list(hold_findings(facts[b.lot.id or 0])) for code, b in found.items()}
        against = _against(session, found.values(), views[last], last)
        return cls(session, views, last, found, held, against)

    def findings(self, code: str, at: datetime) -> tuple[Finding, ...]:
        """What speaks against feeding from a batch at an instant."""
        key = (code, at)
        if key not in self._known:
            self._known[key] = tuple(
                each
                for each in (*self._held[code], *self._at(code, at))
                if each.outcome is not Outcome.PASS
            )
        return self._known[key]

    def _at(self, code: str, at: datetime) -> list[Finding]:
        batch, view = self.by_code[code], self.views[at]
        against = self._against[code]
        if at != self.last:
            alike = view.policy is self.views[self.last].policy and self._as_last(batch)
            if not alike:
                batch = _views(self.session, [batch.batch], view, at)[code]
            if against or not alike:
                against = _against(self.session, [batch], view, at)[code]
        return [clock_findings(batch.facts, view.policy, at, batch=code), *against]

    def _as_last(self, batch: BatchView) -> bool:
        """Whether as much was known of a batch at the first instant as at the last."""
        first = min(self.views)
        seen = [look.seen_at for look in batch.looks]
        opened = [parcel.opened_at for parcel in batch.lineage.values()]
        return all(instant <= first for instant in (*seen, *opened))


def _views(
    session: Session, batches: Sequence[Batch], view: SiteView, at: datetime
) -> dict[str, BatchView]:
    if not batches:
        return {}
    return {b.batch.code: b for b in thawing.batch_views(session, batches, view.policy, at=at)}


def _against(
    session: Session, batches: Iterable[BatchView], view: SiteView, at: datetime
) -> dict[str, list[Finding]]:
    """What speaks against batches but their clocks: too warm for too long, an excursion."""
    batches = list(batches)
    warm = _warmth(session, batches, view, at)
    parcels = {b.batch.code: [p.id or 0 for p in b.parcels if p.grams > 0] for b in batches}
    every = [parcel_id for ids in parcels.values() for parcel_id in ids]
    met = excursions.undecided_of_parcels(session, every) if every else {}
    found: dict[str, list[Finding]] = {}
    for batch in batches:
        code = batch.batch.code
        said = [*warm[code], *batch.too_warm(view.policy)]
        if not met.keys().isdisjoint(parcels[code]):
            said += excursions_open.findings(
                session, batch.lot, parcels[code], view, at=at, feeding=True
            )
        found[code] = [each for each in said if each.outcome is not Outcome.PASS]
    return found


def _warmth(
    session: Session, batches: Sequence[BatchView], view: SiteView, at: datetime
) -> dict[str, list[Finding]]:
    """Hours too warm since leaving the freezer, by the worst parcel of each batch."""
    places = {id_: place for batch in batches for id_, place in batch.places.items()}
    exposures = Exposures(session, view, places)
    stays = {batch.batch.code: batch.stays(at) for batch in batches}
    exposures.prepare(stay for chains in stays.values() for each in chains for stay in each)
    found: dict[str, list[Finding]] = {}
    for code, chains in stays.items():
        above = [exposures.of_stays(each).above_s for each in chains]
        worst = max(above, key=lambda a: float(a.sum())) if above else None
        found[code] = [] if worst is None else list(warmth_findings(worst, view.policy))
    return found
