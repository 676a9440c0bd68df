"""Assessing excursions: computed in a reading session, stored in a short transaction.

Computing takes seconds, and on SQLite only one may write: nobody waits for it.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlmodel import Session, select

from service.assessments.models import AssessedFish, Assessment
from service.assessments.queries import stored
from service.assessments.queries.computing import Computed, computed
from service.assessments.queries.inputs import inputs
from service.assessments.rules.judging import STRICTNESS, Choice
from service.clock import Clock
from service.database import Database
from service.excursions.actions.states import move_to
from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionState
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.temperatures.queries import instant

MOST_A_RUN = 20  # excursions in one run: the next minute goes on
AGAIN_AFTER = timedelta(minutes=10)  # while it goes on and new readings come


def assess_due(database: Database, clock: Clock) -> int:
    """Assess what is due, each in a transaction of its own. Returns how many were stored."""
    with Session(database.snapshot) as session:
        due = _due(session, clock())
    return sum(_assess(database, number, clock()) for number in due)


def _assess(database: Database, number: int, at: datetime) -> bool:
    with Session(database.snapshot) as session:
        excursion = session.get_one(Excursion, number)
        found = inputs(session, excursion, at=at)
        kept = stored.latest(session, [number]).get(number)
    fresh = kept is None or kept.basis != found.basis
    if not fresh and excursion.state != ExcursionState.ENDED:
        return False
    new = computed(found) if fresh else None
    with transaction(database.writer) as session:
        return store(session, number, new, at=at)


def assess_new(session: Session, *, at: datetime) -> int:
    """Assess what is due inside one transaction. Returns how many were stored."""
    count = 0
    for number in _due(session, at):
        excursion = session.get_one(Excursion, number)
        found = inputs(session, excursion, at=at)
        kept = stored.latest(session, [number]).get(number)
        fresh = kept is None or kept.basis != found.basis
        if fresh or excursion.state == ExcursionState.ENDED:
            count += store(session, number, computed(found) if fresh else None, at=at)
    return count


def _due(session: Session, at: datetime) -> Sequence[int]:
    return stored.to_assess(session, computed_before=at - AGAIN_AFTER, limit=MOST_A_RUN)


def store(session: Session, number: int, new: Computed | None, *, at: datetime) -> bool:
    """Keep an assessment; one that had ended is assessed from now on. Returns whether it was kept.

    new None: the newest that is stored still stands. Nothing is kept where the excursion was
    settled, or became another one, while it was computed: the next run looks again.
    """
    excursion = session.exec(
        select(Excursion).where(Excursion.id == number).with_for_update()
    ).one()
    if excursion.state in SETTLED or excursion.merged_into_id is not None:
        return False
    if new is not None and excursion.revision != new.inputs.excursion.revision:
        return False
    before = stored.latest(session, [number]).get(number)
    if excursion.state == ExcursionState.ENDED:
        note = "assessed by the model; somebody decides"
        move_to(session, excursion, ExcursionState.ASSESSED, at=at, by=SERVICE, note=note)
    if new is None:
        return False
    strictest_before = _strictest_stored(session, before)
    keep(session, excursion, new, at=at)
    _tell(session, new, strictest_before, at)
    return True


def keep(session: Session, excursion: Excursion, new: Computed, *, at: datetime) -> Assessment:
    """Write an assessment down under its next number; the excursion is locked."""
    number = excursion.id or 0
    before = stored.latest(session, [number]).get(number)
    assessment = Assessment(
        excursion_id=number,
        number=1 if before is None else before.number + 1,
        excursion_revision=excursion.revision,
        basis=new.inputs.basis,
        until_at=instant(round(new.inputs.until_s)),
        computed_at=at,
        policy_version=new.inputs.view.policy_version,
        figures=new.air.model_dump(mode="json"),
    )
    session.add(assessment)
    session.flush()
    session.add_all(
        AssessedFish(
            assessment_id=assessment.id or 0,
            number=place,
            lot_id=group.lot_id,
            parcels=list(group.parcels),
            grams=group.there_g,
            worst_c=fish.worst.peak_core.range[1],
            figures={"lot": group.lot, "fish": fish.model_dump(mode="json")},
        )
        for place, (group, fish) in enumerate(new.fish)
    )
    session.flush()
    audit.note(
        session,
        SERVICE,
        "excursion assessed",
        number,
        at=at,
        site_id=new.inputs.view.id,
        after=assessment,
        detail={
            "assessment": assessment.number,
            "lots": len({group.lot for group, _ in new.fish}),
            "past_limit_g": _past_limit_g(new),
        },
    )
    return assessment


def _strictest_stored(session: Session, before: Assessment | None) -> int:
    if before is None:
        return -1
    rows = stored.fish(session, [before.id or 0])
    return max((STRICTNESS[Choice(r.figures["fish"]["suggestion"])] for r in rows), default=-1)


def _past_limit_g(new: Computed) -> int:
    return sum(group.on_hand_g for group, fish in new.fish if fish.past_limit)


def _tell(session: Session, new: Computed, strictest_before: int, at: datetime) -> None:
    """Somebody is told when fish may be past the limit, and again when it calls for more."""
    grams = _past_limit_g(new)
    past = [fish for group, fish in new.fish if fish.past_limit and group.on_hand_g > 0]
    if not grams or max(STRICTNESS[fish.suggestion] for fish in past) <= strictest_before:
        return
    found, view = new.inputs, new.inputs.view
    mass = view.units.mass_out(grams)
    limit = view.units.temperature_out(view.policy.excursion_core_limit)
    worst = view.units.temperature_out(max(fish.worst.peak_core.range[1] for fish in past))
    unit = f"°{limit.unit.upper()}"
    tell(
        session,
        site_id=view.id,
        subject=Subject.ASSESSMENT,
        number=found.excursion.id or 0,
        title=f"{found.place.code}: {mass.value:g} {mass.unit} may have passed "
        f"{limit.value:g} {unit}",
        body=f"Worst carton up to {worst.value:g} {unit} by the model. It is not pulled until "
        "somebody has decided. A thermometer in the fish decides: the assessment says which "
        "few cartons to probe first.",
        urgency=Urgency.NOW,
        at=at,
    )
