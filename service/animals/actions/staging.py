"""Stages of life, and fasts."""

from datetime import date, datetime, timedelta

from sqlmodel import Session

from service.animals import queries
from service.animals.models import Animal, Fast, LifeStage
from service.animals.schemas import FastIn, OverIn, StageIn
from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import Actor
from service.security.rules import Role
from service.site import queries as sites


def set_stage(
    session: Session, code: str, new: StageIn, *, at: datetime, by: Actor
) -> tuple[LifeStage, Animal]:
    """A stage of an animal's life, from a day on. Raises NotFound, Invalid."""
    refuse_future(new.occurred_at, now=at)
    _in_order(new.from_day, new.until)
    animal = queries.animal_by_code(session, code, by=by)
    assert animal.id is not None
    stage = LifeStage(
        animal_id=animal.id,
        stage=new.stage,
        from_day=new.from_day,
        until_day=new.until,
        note=new.note,
        recorded_at=at,
        by=by.name,
    )
    session.add(stage)
    session.flush()
    audit.note(session, by, "life stage set", animal.code, at=at, site_id=animal.site_id, after=new)
    return stage, animal


def end_stage(
    session: Session, number: int, over: OverIn, *, at: datetime, by: Actor
) -> tuple[LifeStage, Animal]:
    """A stage of life is over. Raises NotFound, Conflict if it was before."""
    stage, animal = queries.stage_by_id(session, number, by=by)
    _end(session, stage, animal, over, at=at)
    audit.note(
        session, by, "life stage over", animal.code, at=at, site_id=animal.site_id, after=stage
    )
    return stage, animal


def set_fast(
    session: Session, code: str, new: FastIn, *, at: datetime, by: Actor
) -> tuple[Fast, Animal]:
    """Days on which an animal is not expected to eat: nothing is planned, nobody is alarmed.

    A vet answers for it, by name. Raises NotFound, Invalid.
    """
    refuse_future(new.occurred_at, now=at)
    _in_order(new.from_day, new.until)
    ordered_by = new.ordered_by or (by.name if by.role is Role.VET else None)
    if ordered_by is None:
        raise Invalid.at("ordered_by", "name the vet who answers for this fast")
    animal = queries.animal_by_code(session, code, by=by)
    assert animal.id is not None
    fast = Fast(
        animal_id=animal.id,
        from_day=new.from_day,
        until_day=new.until,
        reason=new.reason,
        floor_g=new.weight_floor.grams if new.weight_floor else None,
        ordered_by=ordered_by,
        recorded_at=at,
        by=by.name,
    )
    session.add(fast)
    session.flush()
    audit.note(session, by, "fast set", animal.code, at=at, site_id=animal.site_id, after=fast)
    if by.role is not Role.VET:
        _tell_vet(session, fast, animal, at)
    return fast, animal


def _tell_vet(session: Session, fast: Fast, animal: Animal, at: datetime) -> None:
    """Who fasts is no alarm when nothing is eaten: the vet in whose name it was entered knows."""
    until = f"until {fast.until_day:%d %b %Y}" if fast.until_day else "until it is ended"
    tell(
        session,
        site_id=animal.site_id,
        subject=Subject.ANIMAL,
        number=fast.id or 0,
        title=f"{animal.name} fasts in the name of {fast.ordered_by}",
        body=f"From {fast.from_day:%d %b %Y} {until}: {fast.reason}. Entered by {fast.by}. "
        "Meanwhile nobody is told that it does not eat; end the fast if it is not so.",
        urgency=Urgency.TODAY,
        at=at,
    )


def end_fast(
    session: Session, number: int, over: OverIn, *, at: datetime, by: Actor
) -> tuple[Fast, Animal]:
    """A fast is over: the animal is planned for again. Raises NotFound, Conflict if it was."""
    fast, animal = queries.fast_by_id(session, number, by=by)
    _end(session, fast, animal, over, at=at)
    audit.note(session, by, "fast over", animal.code, at=at, site_id=animal.site_id, after=fast)
    return fast, animal


def _in_order(from_day: date, until: date | None) -> None:
    if until is not None and until < from_day:
        raise Invalid.at("until", "lies before the first day")


def _end(
    session: Session,
    ended: LifeStage | Fast,
    animal: Animal,
    over: OverIn,
    *,
    at: datetime,
) -> None:
    """The last day is the one before; one that is over before it began has never been."""
    refuse_future(over.occurred_at, now=at)
    today = sites.view(session, animal.site_id, at=at).day_of(at)
    last = (over.over_on or today) - timedelta(days=1)
    known = ended.until_day is not None and ended.until_day <= last
    if ended.withdrawn_at is not None or known:
        raise Conflict("this was over before", kind="already-over")
    if last < ended.from_day:
        ended.withdrawn_at = at
    else:
        ended.until_day = last
    session.add(ended)
    session.flush()
