"""Setting a diet, proposing one, deciding on it."""

from datetime import datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup
from service.catalogue.queries import species_by_code
from service.diets.models import Diet, DietItem
from service.diets.queries.kept import Version, version_by_id
from service.diets.queries.showing import Kept, Shown
from service.diets.rules import DietStatus
from service.diets.schemas import ApprovalIn, DietIn, DietItemIn, RefusalIn
from service.errors import Conflict
from service.http.bodies import refuse_future
from service.security import audit
from service.security.actor import Actor
from service.security.rules import Role
from service.site import queries as sites


def set_diet(session: Session, code: str, new: DietIn, *, at: datetime, by: Actor) -> Diet:
    """A diet of an animal from a day on; older ones stay as they were. Raises as `record`."""
    animal = animals.animal_by_code(session, code, by=by)
    return record(session, animal, new, DietStatus.APPROVED, at=at, by=by).diet


def record(
    session: Session,
    eater: Animal | AnimalGroup,
    new: DietIn,
    status: DietStatus,
    *,
    at: datetime,
    by: Actor,
) -> Version:
    """Keep a diet of an animal or a group, in force or as a proposal.

    Raises NotFound for a species, Conflict where a body mass is needed and none is known,
    or the animal is gone.
    """
    _known_species(session, new)
    sites.happened_at(session, eater.site_id, new.occurred_at, now=at)
    if isinstance(eater, Animal) and eater.gone_on is not None:
        raise Conflict(f"{eater.code} left on {eater.gone_on}", kind="already-gone")
    version = _stored(session, eater, new, at=at, by=by)
    if status is DietStatus.APPROVED:
        _decide(version.diet, status, None, at=at, by=by)
    session.flush()
    _ensure_weighed(session, (version, eater), at=at)
    audit.note(
        session,
        by,
        "diet set" if status is DietStatus.APPROVED else "diet proposed",
        eater.code,
        at=at,
        site_id=eater.site_id,
        after=new,
        detail={"diet": version.diet.id, "from": str(new.from_day), "reason": new.reason},
    )
    return version


def _known_species(session: Session, new: DietIn) -> None:
    for number, item in enumerate(new.items):
        species_by_code(session, item.species, field=f"items.{number}.species")
        for place, other in enumerate(item.substitutes):
            species_by_code(session, other, field=f"items.{number}.substitutes.{place}")


def _stored(
    session: Session, eater: Animal | AnimalGroup, new: DietIn, *, at: datetime, by: Actor
) -> Version:
    total = new.total.given()[0] if new.total else None
    diet = Diet(
        animal_id=eater.id if isinstance(eater, Animal) else None,
        group_id=eater.id if isinstance(eater, AnimalGroup) else None,
        from_day=new.from_day,
        from_feed=new.from_feed,
        feeds_per_day=len(new.feeds) if new.feeds else new.feeds_per_day,
        feeds=[
            {"at": feed.at, "share": feed.share or 1 / len(new.feeds), "kind": feed.kind}
            for feed in sorted(new.feeds, key=lambda feed: feed.at)
        ]
        if new.feeds
        else None,
        amounts_for=new.amounts_for,
        total_by=total[0] if total else None,
        total=total[1] if total else None,
        season=new.season,
        reason=new.reason,
        status=DietStatus.PROPOSED,
        recorded_at=at,
        by=by.name,
    )
    session.add(diet)
    session.flush()
    items = [_item(diet.id or 0, item) for item in new.items]
    session.add_all(items)
    return Version(diet, items)


def _item(diet_id: int, item: DietItemIn) -> DietItem:
    by, amount = item.given()[0]
    return DietItem(
        diet_id=diet_id,
        species_code=item.species,
        amount_by=by,
        amount=amount,
        minimum_g=item.minimum.grams if item.minimum else None,
        maximum_g=item.maximum.grams if item.maximum else None,
        size_grade=item.size_grade,
        substitutes=item.substitutes,
    )


def _ensure_weighed(session: Session, kept: Kept, *, at: datetime) -> None:
    version, eater = kept
    if not version.prescription.by_body_mass:
        return
    view = sites.view(session, eater.site_id, at=at)
    if Shown(session, view, [kept], at=at).grams(version, eater) is None:
        raise Conflict(
            f"{eater.code} was never weighed",
            kind="no-body-mass",
            advice="Record a weight, then set the diet again.",
        )


def approve(
    session: Session, number: int, approval: ApprovalIn, *, at: datetime, by: Actor
) -> Kept:
    """A diet counts from its day on, or from today if that has passed.

    One that a manager set is seen by a nutritionist or a vet. Raises NotFound, Conflict
    where it was decided before.
    """
    refuse_future(approval.occurred_at, now=at)
    version, eater = version_by_id(session, number, by=by, lock=True)
    diet = version.diet
    seen_only = (
        diet.status == DietStatus.APPROVED
        and diet.decided_as == Role.MANAGER
        and by.role is not Role.MANAGER
    )
    if diet.status != DietStatus.PROPOSED and not seen_only:
        raise _decided(diet)
    if not seen_only:
        today = sites.view(session, eater.site_id, at=at).day_of(at)
        if diet.from_day < today:
            diet.from_day, diet.from_feed = today, 1
    _decide(diet, DietStatus.APPROVED, approval.reason, at=at, by=by)
    session.flush()
    _note(session, "diet approved", version, eater, at=at, by=by)
    return version, eater


def refuse(session: Session, number: int, refusal: RefusalIn, *, at: datetime, by: Actor) -> Kept:
    """A proposed diet is not to count. Raises NotFound, Conflict where it was decided before."""
    refuse_future(refusal.occurred_at, now=at)
    version, eater = version_by_id(session, number, by=by, lock=True)
    if version.diet.status != DietStatus.PROPOSED:
        raise _decided(version.diet)
    _decide(version.diet, DietStatus.REFUSED, refusal.reason, at=at, by=by)
    session.flush()
    _note(session, "diet refused", version, eater, at=at, by=by)
    return version, eater


def _decide(diet: Diet, status: DietStatus, reason: str | None, *, at: datetime, by: Actor) -> None:
    diet.status, diet.decision_reason = status, reason
    diet.decided_at, diet.decided_by, diet.decided_as = at, by.name, by.role


def _decided(diet: Diet) -> Conflict:
    return Conflict(f"diet {diet.id} was {diet.status} before", kind="already-decided")


def _note(
    session: Session,
    what: str,
    version: Version,
    eater: Animal | AnimalGroup,
    *,
    at: datetime,
    by: Actor,
) -> None:
    diet = version.diet
    audit.note(
        session,
        by,
        what,
        eater.code,
        at=at,
        site_id=eater.site_id,
        after=diet,
        detail={"diet": diet.id, "from": str(diet.from_day), "reason": diet.decision_reason},
    )
