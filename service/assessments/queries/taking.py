"""Which fish waits for a decision: asked by every pull, plan and feed, so few queries."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime

from sqlalchemy import select as columns
from sqlmodel import Session, col, select

from service.assessments.models import AssessedFish, Assessment, ExcursionDecision
from service.assessments.queries import stored
from service.assessments.rules.deciding import Decided, newest
from service.assessments.rules.taking import Met, taking_findings
from service.checks import queries as checks
from service.decisions import Finding
from service.excursions import queries as excursions
from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionKind
from service.ledger.models import Parcel
from service.lots.models import Lot
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind


def findings(
    session: Session,
    lot: Lot,
    parcel_ids: Collection[int],
    view: SiteView,
    *,
    at: datetime,
    feeding: bool = False,
) -> Iterator[Finding]:
    """What the rule `excursion-open` says of taking these parcels of a lot at an instant.

    A core that was measured warmer counts before it is in an assessment. Two queries where
    nothing is undecided; else eight, and one for each excursion of this fish.
    """
    undecided = {
        parcel_id: [each for each in every if each.from_at <= at]
        for parcel_id, every in excursions.undecided_of_parcels(session, parcel_ids).items()
    }
    every = {e.id or 0: e for found in undecided.values() for e in found}
    met = []
    if every:
        known = _Known(session, list(every.values()), [lot.id or 0])
        above = _ancestors(session, lot.id or 0)
        for number, excursion in every.items():
            mine = [p for p, found in undecided.items() if excursion in found]
            worst = [known.worst_c(number, lot.id or 0, above.get(p, {p})) for p in mine]
            warmest = max((c for c in worst if c is not None), default=None)
            if warmest is not None:
                warmest = max([warmest, *_measured_c(session, excursion, lot, at)])
            met.append(known.met(excursion, lot.code, warmest))
    return taking_findings(lot.code, met, view.policy, at, feeding=feeding)


def _measured_c(session: Session, excursion: Excursion, lot: Lot, at: datetime) -> list[float]:
    found = checks.cores(session, excursion.place_id, excursion.from_at, at)
    mine = [check.measured_c for check in found if check.lot_id == lot.id]
    return [core_c for core_c in mine if core_c is not None]


class _Known:
    """What is stored of some excursions. Four queries."""

    def __init__(
        self, session: Session, every: Sequence[Excursion], lot_ids: Collection[int] | None
    ) -> None:
        numbers = [each.id or 0 for each in every]
        self._places = sites.places_by_id(session, [each.place_id for each in every])
        self._latest: Mapping[int, Assessment] = stored.latest(session, numbers)
        ids = [each.id or 0 for each in self._latest.values()]
        self._fish: dict[tuple[int, int], list[AssessedFish]] = {}
        for row in stored.fish(session, ids, lot_ids=lot_ids):
            self._fish.setdefault((row.assessment_id, row.lot_id), []).append(row)
        decisions: dict[int, list[ExcursionDecision]] = {}
        for decision in stored.decisions(session, numbers):
            decisions.setdefault(decision.excursion_id, []).append(decision)
        self._decided = {
            number: newest(decision.lots for decision in found)
            for number, found in decisions.items()
        }

    def worst_c(self, excursion: int, lot_id: int, line: Collection[int]) -> float | None:
        """How warm fish may have been that is, or was taken from, one of these parcels.

        Of fish that came since the assessment nothing is known but what is of its lot.
        """
        assessment = self._latest.get(excursion)
        rows = self._fish.get((assessment.id or 0, lot_id), []) if assessment else []
        own = [row for row in rows if not set(line).isdisjoint(row.parcels)]
        return max((row.worst_c for row in own or rows), default=None)

    def decided(self, excursion: int, lot: str) -> Decided | None:
        """What was decided of a lot."""
        return self._decided.get(excursion, {}).get(lot)

    def met(self, excursion: Excursion, lot: str, worst_c: float | None) -> Met:
        """An excursion as the rule sees it."""
        place = self._places[excursion.place_id]
        return Met(
            excursion=excursion.id or 0,
            place=place.code,
            freezer=place.kind == PlaceKind.FREEZER,
            kind=ExcursionKind(excursion.kind),
            from_at=excursion.from_at,
            ended_at=excursion.ended_at,
            peak_c=excursion.peak_c,
            worst_c=worst_c,
            decided=self.decided(excursion.id or 0, lot),
        )


def _ancestors(session: Session, lot_id: int) -> dict[int, set[int]]:
    """Each parcel of a lot with all that it was taken from. One query.

    Columns only: no balance may be remembered from before the species is locked.
    """
    rows = session.execute(
        columns(col(Parcel.id), col(Parcel.parent_id))
        .where(col(Parcel.lot_id) == lot_id)
        .order_by(col(Parcel.id))
    )
    above: dict[int, set[int]] = {}
    for parcel_id, parent_id in rows:
        above[parcel_id] = {parcel_id} | above.get(parent_id, set())
    return above


def held_back(session: Session, view: SiteView, *, at: datetime) -> frozenset[int]:
    """The parcels of a site that nobody may pull until somebody has decided.

    One query where nothing is undecided; else six, and two for each excursion.
    """
    every = session.exec(
        select(Excursion)
        .join(Place, col(Place.id) == col(Excursion.place_id))
        .where(
            col(Place.site_id) == view.id,
            col(Excursion.state).not_in(SETTLED),
            col(Excursion.merged_into_id).is_(None),
            col(Excursion.from_at) <= at,
        )
    ).all()
    if not every:
        return frozenset()
    known = _Known(session, every, None)
    back: set[int] = set()
    for excursion in every:
        number = excursion.id or 0
        rows = excursions.affected(session, number)
        codes = _codes(session, {row.lot_id for row in rows})
        for row in rows:
            worst = known.worst_c(number, row.lot_id, {row.parcel_id, row.heir_of})
            if known.met(excursion, codes[row.lot_id], worst).blocks(view.policy, at):
                back.add(row.parcel_id)
    return frozenset(back)


def _codes(session: Session, lot_ids: Collection[int]) -> dict[int, str]:
    rows = session.execute(columns(col(Lot.id), col(Lot.code)).where(col(Lot.id).in_(lot_ids)))
    return {row.id: row.code for row in rows}
